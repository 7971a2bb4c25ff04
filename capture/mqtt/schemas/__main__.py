"""`python -m capture.schemas` writes the files beside this one anew from the message models."""

from __future__ import annotations

from pathlib import Path

from capture.mqtt.asyncapi import asyncapi
from capture.mqtt.messages import schemas

__all__ = ["main", "written"]


def written() -> dict[str, str]:
    """Return what is checked in: file name to text."""
    return {**schemas(), "asyncapi.json": asyncapi()}


def main() -> None:
    """Write every file."""
    folder = Path(__file__).parent
    for name, text in written().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
