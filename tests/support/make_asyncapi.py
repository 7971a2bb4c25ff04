"""The AsyncAPI 3.0 document of what a bench publishes, made from the message models: topics, payloads, QoS, last will.

For people and programs that subscribe. `make_schemas.py` writes it. No client and
no broker here.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from capture.mqtt.messages import (
    MESSAGES,
    BenchStatus,
    BudgetLineMessage,
    GaugeMessage,
    PackMessage,
    StrokeMessage,
    UnitMessage,
    VerdictMessage,
)
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import gauge_topic, status_topic, stroke_topic, unit_topic, verdict_topic

__all__ = ["asyncapi"]

_BINDING: Final = {"bindingVersion": "0.2.0"}
_BENCH: Final = "{bench}"
_PACK: Final = "{pack}"
_PARAMETERS: Final = {
    "bench": "The bench's name as one topic level: % / + # and control characters percent-encoded.",
    "pack": "The clutch pack's name, encoded likewise.",
}
#: By message: its topic, whether the broker retains it, and when it is sent.
_CHANNELS: Final = {
    "gauge": (gauge_topic(_BENCH), False, "When somebody signed a check of the bench's gauge against masters."),
    "status": (status_topic(_BENCH), True, "On connecting and on every change; the last will says `offline`."),
    "stroke": (stroke_topic(_BENCH, _PACK), False, "Every stroke as it completes."),
    "verdict": (verdict_topic(_BENCH, _PACK), True, "When a check ends; the newest of each pack is retained."),
    "unit": (unit_topic(_BENCH), True, "With every verdict, change of parts, step, override and sign-off."),
}
_EXAMPLE: Final[dict[str, Any]] = {"at": datetime(2025, 11, 25, 9, 7, 30, tzinfo=UTC), "bench": "bay-1"}
_JOB: Final = UUID("5d3f2c9e-7f0a-4b55-9a3e-2f6f0c1d8a44")


def _examples() -> dict[str, BaseModel]:
    stroke: dict[str, Any] = {
        "n": 2, "start_ns": 4_120_000_000, "end_ns": 6_480_000_000, "released_nm": 0, "peak_travel_nm": 1_102_000,
        "held_travel_nm": 1_100_000, "rise_ns": 82_000_000, "creep_nm": 1_000, "return_error_nm": 0, "flags": (),
        "accepted": True, "rounding_nm": 1_200, "fall_nm_per_s": 0, "inferred_nm": 0,
        "pressure_min_pa": 138_000, "pressure_max_pa": 141_000, "leak_down_pa_per_s": 40,
    }  # fmt: skip
    verdict: dict[str, Any] = {
        "verdict": "good", "mean_nm": 1_100_400, "expanded_uncertainty_nm": 13_300, "coverage": 0.95,
        "coverage_factor": 1.97, "dof": 210.0, "standard_uncertainty_nm": 6_750.0, "strokes": 5, "low_nm": 900_000,
        "high_nm": 1_300_000, "conformance_probability": 1.0, "next_step": "The pack is good.", "more_strokes": None,
        "advice": (), "recording_sha256": "ab" * 32,
    }  # fmt: skip
    line = BudgetLineMessage(source="resolution", standard_nm=4_082.5, dof=None, basis="0.01 mm, both readings")
    ids = {name: UUID(f"00000000-0000-4000-8000-{n:012}") for n, name in enumerate(MESSAGES, 1)}
    return {
        "gauge": GaugeMessage(
            id=ids["gauge"],
            gauge_serial="DI-0413",
            technician="first shift",
            as_left=False,
            standing="in order",
            result="in order",
            alarm=False,
            master="B-1",
            master_nm=1_000_000,
            error_nm=2_400,
            standard_uncertainty_nm=900,
            max_error_nm=20_000,
            phase=1,
            recording_sha256="ab" * 32,
            **_EXAMPLE,
        ),
        "status": BenchStatus(
            id=ids["status"],
            state="measuring",
            software_version="0.1.0",
            job=_JOB,
            unit_serial="FW3-0117",
            technician="first shift",
            pack="low",
            indicator="up",
            **_EXAMPLE,
        ),
        "stroke": StrokeMessage(id=ids["stroke"], job=_JOB, pack="low", check=7, seat=False, **stroke, **_EXAMPLE),
        "verdict": VerdictMessage(
            id=ids["verdict"], job=_JOB, pack="low", check=7, budget=(line,), **verdict, **_EXAMPLE
        ),
        "unit": UnitMessage(
            id=ids["unit"],
            job=_JOB,
            unit_serial="FW3-0117",
            packs=(PackMessage(pack="low", state="good"), PackMessage(pack="high", state="recheck")),
            steps=4,
            steps_closed=1,
            next_step="clean passages",
            against=("pack high: parts of 'low' were changed since its check",),
            **_EXAMPLE,
        ),
    }


def _schemas() -> dict[str, Any]:
    """Return the payloads' schemas by name, nested ones too, open to fields of later versions."""
    wanted = [(model, "serialization") for model in MESSAGES.values()]
    _, made = models_json_schema(wanted, ref_template="#/components/schemas/{model}")  # type: ignore[arg-type]
    parts: dict[str, Any] = made["$defs"]
    for part in parts.values():
        part.pop("additionalProperties", None)
    return parts


def _channel(name: str) -> dict[str, Any]:
    address, _, when = _CHANNELS[name]
    return {
        "address": address,
        "description": when,
        "parameters": {
            parameter: {"description": text} for parameter, text in _PARAMETERS.items() if f"{{{parameter}}}" in address
        },
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }


def _operation(name: str) -> dict[str, Any]:
    _, retain, when = _CHANNELS[name]
    return {
        "action": "send",
        "channel": {"$ref": f"#/channels/{name}"},
        "summary": when,
        "bindings": {"mqtt": {"qos": 1, "retain": retain, **_BINDING}},
        "messages": [{"$ref": f"#/channels/{name}/messages/{name}"}],
    }


def asyncapi() -> str:
    """Return the document as JSON text."""
    will = {"topic": _CHANNELS["status"][0], "qos": 1, "retain": True, "message": "a status with state `offline`"}
    keepalive = BrokerSettings.model_fields["keepalive"].default
    examples = _examples()
    document = {
        "asyncapi": "3.0.0",
        "info": {
            "title": "strokelog: what a bench publishes",
            "version": "1.0.0",
            "description": (
                "Strokes, verdicts and the state of benches that measure the running clearance of clutch packs. "
                "Lengths are integer nanometres (_nm), times integer nanoseconds since the recording began (_ns), "
                "pressures integer pascals, gauge (_pa). Every message may arrive more than once, always with the same "
                "id and content; first arrivals are in the order of the bench. Ignore fields you do not know."
            ),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "shop": {
                "host": "{broker}:8883",
                "protocol": "secure-mqtt",
                "protocolVersion": "5.0",
                "description": "The shop's own broker; 3.1.1 where it has no 5.0. Without TLS: mqtt, port 1883.",
                "variables": {"broker": {"description": "Its host name, as in its certificate."}},
                "security": [
                    {"$ref": "#/components/securitySchemes/password"},
                    {"$ref": "#/components/securitySchemes/certificate"},
                ],
                "bindings": {"mqtt": {"cleanSession": True, "keepAlive": keepalive, "lastWill": will, **_BINDING}},
            }
        },
        "channels": {name: _channel(name) for name in MESSAGES},
        "operations": {f"publish_{name}": _operation(name) for name in MESSAGES},
        "components": {
            "messages": {
                name: {
                    "name": name,
                    "contentType": "application/json",
                    "summary": (model.__doc__ or "").strip(),
                    "payload": {"$ref": f"#/components/schemas/{model.__name__}"},
                    "examples": [{"payload": examples[name].model_dump(mode="json")}],
                }
                for name, model in MESSAGES.items()
            },
            "schemas": _schemas(),
            "securitySchemes": {
                "password": {"type": "userPassword", "description": "The user name is the bench's topic level."},
                "certificate": {"type": "X509", "description": "A client certificate."},
            },
        },
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
