"""The AsyncAPI document is valid, whole, and true: what a bench puts on the wire is what it says.

`published/asyncapi-3.0.0.json.gz` is the AsyncAPI Initiative's own JSON Schema of the 3.0.0 specification, unmodified,
from its npm package @asyncapi/specs 6.11.1 (Apache License 2.0, beside it).
"""

from __future__ import annotations

import copy
import gzip
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import jsonschema
import pytest

from capture.mqtt.messages import MESSAGES, PackMessage, UnitMessage, outgoing
from capture.mqtt.topics import name_from_level
from tests.mqtt.test_publisher import Bench
from tests.support.broker import Mosquitto, until
from tests.support.samples import AT, gauge_message, stroke_message, verdict_message

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT: dict[str, Any] = json.loads(
    (ROOT / "capture" / "mqtt" / "schemas" / "asyncapi.json").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def specification() -> jsonschema.Draft7Validator:
    text = gzip.decompress((ROOT / "tests" / "published" / "asyncapi-3.0.0.json.gz").read_bytes())
    return jsonschema.Draft7Validator(json.loads(text))


def test_the_document_is_valid(specification: jsonschema.Draft7Validator) -> None:
    specification.validate(DOCUMENT)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("asyncapi",), "2.6.0"),
        (("info", "title"), None),
        (("operations", "publish_stroke", "action"), "publish"),
        (("operations", "publish_stroke", "bindings", "mqtt", "qos"), 3),
        (("channels", "stroke", "adress"), "x"),
        (("components", "schemas", "StrokeMessage", "properties", "n", "type"), "whole"),
        (("components", "securitySchemes", "password", "type"), "secret"),
    ],
)
def test_the_specification_s_schema_finds_what_is_wrong(
    specification: jsonschema.Draft7Validator, path: tuple[str, ...], value: object
) -> None:
    spoilt = copy.deepcopy(DOCUMENT)
    place = spoilt
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        specification.validate(spoilt)


def references(part: object) -> Iterator[str]:
    if isinstance(part, dict):
        if isinstance(part.get("$ref"), str):
            yield part["$ref"]
        for value in part.values():
            yield from references(value)
    elif isinstance(part, list):
        for value in part:
            yield from references(value)


def found(pointer: str) -> Any:
    place: Any = DOCUMENT
    for key in pointer.removeprefix("#/").split("/"):
        place = place[key]
    return place


def test_every_reference_leads_somewhere() -> None:
    pointers = set(references(DOCUMENT))
    assert len(pointers) > 10
    assert all(found(pointer) for pointer in pointers)


def payload_validator(message: str) -> jsonschema.Draft7Validator:
    # A payload without schemaFormat is an AsyncAPI Schema Object, a superset of JSON Schema draft 07 (AsyncAPI 3.0.0).
    schema = {
        "$ref": DOCUMENT["components"]["messages"][message]["payload"]["$ref"],
        "components": DOCUMENT["components"],
    }
    return jsonschema.Draft7Validator(schema, format_checker=jsonschema.FormatChecker())


@pytest.mark.parametrize("message", DOCUMENT["components"]["messages"])
def test_the_examples_are_of_their_schema(message: str) -> None:
    (example,) = DOCUMENT["components"]["messages"][message]["examples"]
    payload_validator(message).validate(example["payload"])
    for key in DOCUMENT["components"]["schemas"][MESSAGES[message].__name__]["required"]:
        with pytest.raises(jsonschema.ValidationError):
            payload_validator(message).validate({k: v for k, v in example["payload"].items() if k != key})


def channel_of(topic: str) -> tuple[str, dict[str, str]]:
    """Return the channel whose address a topic fits, and its parameters."""
    for name, channel in DOCUMENT["channels"].items():
        pattern = re.sub(r"\\{(\w+)\\}", r"(?P<\1>[^/]+)", re.escape(channel["address"]))
        match = re.fullmatch(pattern, topic)
        if match:
            assert set(match.groupdict()) == set(channel["parameters"])
            return name, {key: name_from_level(level) for key, level in match.groupdict().items()}
    raise AssertionError(f"{topic} is in no channel")


async def test_what_is_on_the_wire_is_what_the_document_says(mosquitto: Mosquitto, peer: Any, tmp_path: Path) -> None:
    subscriber = peer(mosquitto.port)
    bench = Bench(tmp_path / "record.sqlite")
    packs = (PackMessage(pack="low", state="good"),)
    unit = outgoing(
        UnitMessage(
            at=AT, bench="bench 4", job=uuid4(), unit_serial="1", packs=packs, steps=0, steps_closed=0, against=()
        )
    )
    await bench.run(
        lambda: bench.store.put_outbox([gauge_message(), stroke_message(1), verdict_message(), unit], at=AT)
    )
    async with bench.publishing(mosquitto.port):
        await until(lambda: subscriber.of("verdict"))
    await until(lambda: subscriber.newest_status("state") == "offline")
    seen = set()
    for one in subscriber.received:
        name, parameters = channel_of(one.topic)
        payload_validator(name).validate(one.payload)
        assert {key: one.payload[key] for key in parameters} == parameters
        seen.add(name)
    assert seen == set(DOCUMENT["channels"]) == {"gauge", "status", "stroke", "verdict", "unit"}
    late = peer(mosquitto.port)
    await until(lambda: late.of("status") and late.of("verdict") and late.of("unit"))
    retained = {channel_of(one.topic)[0] for one in late.received if one.retained}
    said = {name for name in seen if DOCUMENT["operations"][f"publish_{name}"]["bindings"]["mqtt"]["retain"]}
    assert retained == said
    bench.store.close()
    bench.thread.shutdown()
