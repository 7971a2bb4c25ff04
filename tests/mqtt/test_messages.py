"""What a bench publishes: the payloads are as their checked-in schemas say, and names are safe in topics."""

from __future__ import annotations

import json
from datetime import datetime, timedelta, timezone
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.mqtt.messages import BenchStatus, PackMessage, StrokeMessage, UnitMessage, VerdictMessage
from capture.mqtt.topics import name_from_level, status_topic, stroke_topic, topic_level, verdict_topic
from tests.support.make_schemas import written
from tests.support.samples import AT, JOB, stroke, stroke_message, verdict, verdict_message

SCHEMAS = Path(__file__).parents[2] / "capture" / "mqtt" / "schemas"


def test_the_checked_in_schemas_are_what_the_models_give() -> None:
    """If this fails, run `python -m tests.support.make_schemas` and look at the difference."""
    assert {file.name: file.read_text(encoding="utf-8") for file in SCHEMAS.glob("*.json")} == written()


def status(**changes: object) -> BenchStatus:
    return BenchStatus.model_validate(
        {"at": AT, "bench": "bench 4", "state": "online", "software_version": "0.1.0"} | changes
    )


def unit(**changes: object) -> UnitMessage:
    told = {
        "at": AT, "bench": "bench 4", "job": JOB, "unit_serial": "HX-2207", "steps": 4, "steps_closed": 4,
        "packs": [{"pack": "C1", "state": "good"}, {"pack": "C2", "state": "not good", "passed_by": "Foreman Di"}],
        "against": [], "signed_off_by": "Foreman Di", "signed_off_at": AT,
    }  # fmt: skip
    return UnitMessage.model_validate(told | changes)


@pytest.mark.parametrize(
    ("schema", "payload"),
    [
        ("status", status(job=JOB, pack="C1", state="measuring", indicator="up").model_dump_json()),
        ("status", status(state="offline").model_dump_json()),
        ("stroke", stroke_message(1).payload),
        ("verdict", verdict_message().payload),
        ("unit", unit().model_dump_json()),
    ],
)
def test_a_payload_validates_and_a_spoilt_one_does_not(schema: str, payload: str) -> None:
    validator = jsonschema.Draft202012Validator(
        json.loads((SCHEMAS / f"{schema}.json").read_text(encoding="utf-8")),
        format_checker=jsonschema.FormatChecker(),
    )
    content = json.loads(payload)
    validator.validate(content)
    validator.validate(content | {"of_a_later_version": 1})
    required = validator.schema["required"]
    assert {"schema_version", "id", "at", "bench"} <= set(required) < set(content)
    for key in required:
        with pytest.raises(jsonschema.ValidationError):
            validator.validate({name: value for name, value in content.items() if name != key})
    with pytest.raises(jsonschema.ValidationError):
        validator.validate(content | {"schema_version": 2})


def test_every_stroke_and_verdict_field_is_published() -> None:
    published = json.loads(stroke_message(3).payload)
    assert published["peak_travel_nm"] == stroke(3).peak_travel_nm
    assert published["flags"] == ["creep", "pressure"]
    judged = json.loads(verdict_message().payload)
    assert set(verdict().__slots__) <= set(judged)
    assert set(stroke().__slots__) <= set(published)
    assert judged["dof"] == verdict().dof
    assert judged["budget"][1]["dof"] is None  # infinitely many: JSON has no infinity
    assert judged["advice"] == ["Take one 0.20 mm shim out."]


def test_a_time_is_published_in_utc() -> None:
    there = datetime(2025, 11, 25, 11, 7, 30, tzinfo=timezone(timedelta(hours=2)))
    assert json.loads(status(at=there).model_dump_json())["at"] == "2025-11-25T09:07:30Z"
    with pytest.raises(ValidationError, match="timezone"):
        status(at=datetime(2025, 11, 25))


def test_a_producer_may_not_add_a_field_and_a_consumer_ignores_one() -> None:
    with pytest.raises(ValidationError, match="Extra inputs"):
        status(colour="green")
    payload = verdict_message().payload
    content = json.loads(payload)
    content["colour"] = "green"
    content["budget"][0]["colour"] = "green"
    assert VerdictMessage.from_wire(json.dumps(content)) == VerdictMessage.from_wire(payload)


def test_a_unit_told_of_before_is_read_in_the_present_word_for_a_recheck() -> None:
    content = json.loads(unit().model_dump_json())
    content["packs"] = [{"pack": "low", "state": "stale"}]
    assert [pack.state for pack in UnitMessage.from_wire(json.dumps(content)).packs] == ["recheck"]
    with pytest.raises(ValidationError, match="'recheck'"):
        PackMessage(pack="low", state="stale")  # type: ignore[arg-type]


def test_a_consumer_refuses_another_schema_version() -> None:
    content = json.loads(stroke_message(1).payload) | {"schema_version": 2}
    with pytest.raises(ValidationError, match="schema_version"):
        StrokeMessage.from_wire(json.dumps(content))


def test_a_verdict_that_is_not_a_number_is_not_published() -> None:
    with pytest.raises(ValidationError, match="conformance_probability"):
        VerdictMessage.of(
            verdict(conformance_probability=float("nan")),
            at=AT,
            bench="bench 4",
            job=JOB,
            pack="C1",
            check=1,
            advice=[],
            recording_sha256="0" * 64,
        )


def test_topics_of_a_bench() -> None:
    assert status_topic("bench 4") == "strokelog/v1/bench 4/status"
    assert stroke_topic("bench 4", "C1/C2 +") == "strokelog/v1/bench 4/C1%2FC2 %2B/stroke"
    assert verdict_topic("#1", "status") == "strokelog/v1/%231/%73tatus/verdict"
    assert stroke_message(1).topic == stroke_topic("bench 4", "C1/C2 forward")
    assert (stroke_message(1).retain, verdict_message().retain) == (False, True)


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=80))
def test_any_name_is_safe_in_a_topic_and_comes_back(name: str) -> None:
    level = topic_level(name)
    assert not set(level) & set("/+#") and level != "status"
    assert not any(ord(character) < 0x20 or 0x7F <= ord(character) < 0xA0 for character in level)
    assert name_from_level(level) == name


@pytest.mark.parametrize("name", ["", "x" * 1001, "\ud800"])
def test_a_name_that_cannot_be_in_a_topic_is_refused(name: str) -> None:
    with pytest.raises(ValueError):
        topic_level(name)
