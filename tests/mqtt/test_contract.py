"""Old and new programs understand each other: every message of an earlier version is read here, and whoever goes by
the schema of the version before reads what is sent now.

`earlier_schemas.json` holds the schema of each message at every earlier state of it, oldest first, without its texts.
A schema that changes again goes to the end of its list with the version that has it.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pydantic import ValidationError

from capture.mqtt.messages import MESSAGES
from capture.strokes.stroke import FLAGS
from tests.support.make_schemas import SCHEMAS

EARLIER: dict[str, list[dict[str, Any]]] = json.loads(
    (Path(__file__).parent / "earlier_schemas.json").read_text(encoding="utf-8")
)
VERSIONS = [(kind, number) for kind, schemas in EARLIER.items() for number in range(len(schemas))]
DOCUMENT = json.loads((SCHEMAS / "asyncapi.json").read_text(encoding="utf-8"))


@cache
def text_of_now(kind: str) -> str:
    """A message as it is sent now, with every field."""
    (example,) = DOCUMENT["components"]["messages"][kind]["examples"]
    content = example["payload"]
    assert MESSAGES[kind].from_wire(json.dumps(content)).model_dump(mode="json") == content
    return json.dumps(content)


def of_now(kind: str) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(text_of_now(kind))
    return content


def validator(schema: dict[str, Any]) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())


def cut_to(schema: dict[str, Any], content: Any, root: dict[str, Any]) -> Any:
    """Return `content` as a version with that schema would have sent it: without the fields it did not know."""
    if "$ref" in schema:
        return cut_to(root["$defs"][schema["$ref"].rpartition("/")[2]], content, root)
    if isinstance(content, dict) and "properties" in schema:
        known = schema["properties"]
        return {name: cut_to(known[name], value, root) for name, value in content.items() if name in known}
    if isinstance(content, list) and "items" in schema:
        return [cut_to(schema["items"], value, root) for value in content]
    return content


def as_before(kind: str, schema: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = cut_to(schema, of_now(kind), schema)
    for pack in told.get("packs", ()):  # this word was another once
        if pack["state"] == "recheck" and '"stale"' in json.dumps(schema):
            pack["state"] = "stale"
    return told


@pytest.mark.parametrize(("kind", "number"), VERSIONS)
def test_a_message_of_every_earlier_version_is_understood(kind: str, number: int) -> None:
    schema = EARLIER[kind][number]
    told = as_before(kind, schema)
    validator(schema).validate(told)  # so it is one of that version
    read = MESSAGES[kind].from_wire(json.dumps(told)).model_dump(mode="json")
    for name, value in told.items():
        if name != "packs":
            assert cut_to(schema["properties"][name], read[name], schema) == value, name
    # And by today's schema too: whoever goes by that reads old messages, which a broker retains and benches still send.
    if number == len(EARLIER[kind]) - 1:
        validator(json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))).validate(told)


@pytest.mark.parametrize("kind", EARLIER)
def test_who_goes_by_the_schema_of_the_version_before_reads_what_is_sent_now(kind: str) -> None:
    before = validator(EARLIER[kind][-1])
    before.validate(of_now(kind))
    needed = of_now(kind)
    del needed["at"]
    with pytest.raises(jsonschema.ValidationError):
        before.validate(needed)


def test_each_schema_has_a_name_of_its_own_and_asks_for_no_field_that_came_later() -> None:
    names = set()
    for kind in MESSAGES:
        schema = json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))
        names.add(schema["$id"])
        if kind in EARLIER:
            assert set(schema["required"]) <= set(EARLIER[kind][0]["properties"])
    assert names == {f"urn:strokelog:v1:{kind}" for kind in MESSAGES}


@pytest.mark.parametrize(
    ("kind", "path", "value"),
    [
        ("stroke", ("n",), 0),
        ("stroke", ("rise_ns",), -1),
        ("stroke", ("flags",), ["nonsense"]),
        ("verdict", ("conformance_probability",), 1.01),
        ("verdict", ("coverage_factor",), -2.0),
        ("verdict", ("attempt",), 0),
        ("verdict", ("remarks",), [{"code": "nonsense", "text": ""}]),
        ("unit", ("steps",), -1),
        ("unit", ("against_codes",), ["nonsense"]),
        ("gauge", ("gauge_standing",), "fine"),
        ("gauge", ("result",), "fine"),
    ],
)
def test_what_cannot_be_is_refused_by_the_schema(kind: str, path: tuple[str, ...], value: object) -> None:
    content = of_now(kind)
    name = "standing" if path == ("gauge_standing",) else path[0]
    with pytest.raises(jsonschema.ValidationError):
        validator(json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))).validate(content | {name: value})


def test_a_flag_of_a_later_version_loses_no_stroke_here_and_is_sent_by_nobody() -> None:
    content = of_now("stroke") | {"flags": ["glitch", "of_a_later_version"]}
    stroke: Any = MESSAGES["stroke"].from_wire(json.dumps(content))
    assert stroke.flags == ("glitch", "of_a_later_version")
    with pytest.raises(ValidationError, match=r"flags.1\n.*expected one of glitch"):
        MESSAGES["stroke"].model_validate(content)
    schema = json.loads((SCHEMAS / "stroke.json").read_text(encoding="utf-8"))
    assert schema["properties"]["flags"]["items"]["enum"] == list(FLAGS)
