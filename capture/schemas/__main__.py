"""`python -m capture.schemas` writes the JSON Schema files beside this one anew from the message models."""

from __future__ import annotations

from pathlib import Path

from capture.messages import schemas

__all__ = ["main"]


def main() -> None:
    """Write every schema file."""
    folder = Path(__file__).parent
    for name, text in schemas().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
