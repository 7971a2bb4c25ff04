"""Writes `capture/mqtt/schemas/` anew from the message models: `python -m tests.support.make_schemas`."""

from __future__ import annotations

import json
from pathlib import Path

from capture.mqtt.messages import MESSAGES
from tests.support.make_asyncapi import asyncapi

__all__ = ["SCHEMAS", "main", "written"]

SCHEMAS = Path(__file__).parents[2] / "capture" / "mqtt" / "schemas"


def _schemas() -> dict[str, str]:
    """Return the JSON Schema (2020-12) of every message: file name to text.

    The schemas are for consumers, so they allow unknown fields although a producer may not add any.
    """
    texts = {}
    for name, model in MESSAGES.items():
        schema = model.model_json_schema(mode="serialization")
        for part in (schema, *schema.get("$defs", {}).values()):
            part.pop("additionalProperties", None)
        schema = {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:strokelog:v1:{name}",
            **schema,
        }
        texts[f"{name}.json"] = json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
    return texts


def written() -> dict[str, str]:
    """Return what is checked in: file name to text."""
    return {**_schemas(), "asyncapi.json": asyncapi()}


def main() -> None:
    """Write every file."""
    for name, text in written().items():
        (SCHEMAS / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
