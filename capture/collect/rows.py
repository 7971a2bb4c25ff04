"""A message as it came from the wire to a table's row, or to the reason why it is none. No I/O.

What reaches a database from here is what every database can hold: 64-bit integers and text without NUL. So no message
can make a whole batch fail.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from hashlib import sha256
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from sqlalchemy import BigInteger

from capture.collect.column_types import JSON_VALUE
from capture.collect.schema import by_id
from capture.mqtt.messages import MESSAGES
from capture.mqtt.topics import ROOT, gauge_topic, status_topic, stroke_topic, unit_topic, verdict_topic
from capture.plumbing.wrong_values import wrong_values

#: Bytes. A verdict with its budget has about four thousand.
LONGEST_PAYLOAD: Final = 65_536
_PAYLOAD_KEPT: Final = 4096
_TEXT_KEPT: Final = 1000
_LARGEST: Final = 2**63 - 1
_COLUMNS: Final = {kind: frozenset(table.columns.keys()) for kind, table in by_id.items()}
#: The columns that a message fills, and those of them that hold whole numbers and lists.
_SAID: Final = {kind: tuple(_COLUMNS[kind] & MESSAGES[kind].model_fields.keys()) for kind in by_id}
_WHOLE: Final = {
    kind: tuple(name for name in _SAID[kind] if isinstance(by_id[kind].c[name].type, BigInteger)) for kind in by_id
}
_LISTS: Final = {kind: tuple(name for name in _SAID[kind] if by_id[kind].c[name].type is JSON_VALUE) for kind in by_id}
_stroke_topic = lru_cache(16_384)(stroke_topic)
_verdict_topic = lru_cache(16_384)(verdict_topic)
#: Topics that name no pack.
_OF_BENCH: Final = {
    "gauge": lru_cache(16_384)(gauge_topic),
    "status": lru_cache(16_384)(status_topic),
    "unit": lru_cache(16_384)(unit_topic),
}


class NoMessage(Exception):
    """What arrived is no message of a bench; the text says why."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """One delivery. `shop` is what the settings call its origin, "" for what the topic has before the benches' root."""

    topic: str
    payload: bytes
    at: datetime
    shop: str = ""


def row_of(arrived: Arrived) -> tuple[str, dict[str, Any]]:
    """Return the kind of message and its row. Raises NoMessage."""
    before, below = _split(arrived.topic)
    kind = below.rpartition("/")[2]
    model = MESSAGES.get(kind)
    if model is None or kind not in _COLUMNS:
        raise NoMessage(f"the topic ends with {kind[:40]!r}; expected one of {', '.join(_COLUMNS)}")
    if not arrived.payload:
        raise NoMessage("it is empty, as when somebody clears a retained message")
    if len(arrived.payload) > LONGEST_PAYLOAD:
        raise NoMessage(f"it has {len(arrived.payload)} bytes; expected at most {LONGEST_PAYLOAD}")
    try:
        message = model.with_unknown(arrived.payload)
        row = _columns(kind, message)
        _check_sender(kind, row, below)
        row["more"] = _unknown(kind, arrived.payload) if message.model_extra else None
    except ValidationError as error:
        raise NoMessage("; ".join(wrong_values(error)[:5])) from None
    except (ValueError, OverflowError, RecursionError) as error:
        raise NoMessage(str(error)) from error
    row["received_at"] = arrived.at
    row["shop"] = arrived.shop or before
    for name in _WHOLE[kind]:
        value = row[name]
        if value is not None and not -_LARGEST <= value <= _LARGEST:
            raise NoMessage(f"{name} is {str(value)[:40]}, which has more than 64 bits")
    if b"\\u0000" in arrived.payload and any("\0" in text for text in _texts(row)):
        raise NoMessage("it holds a NUL character, which no text has")
    return kind, row


def refusal(arrived: Arrived, reason: str) -> dict[str, Any]:
    """Return the row that keeps what arrived as refused, cut to a bounded size."""
    topic = arrived.topic.encode("utf-8", "replace")
    return {
        "sha256": sha256(topic + b"\0" + arrived.payload).hexdigest(),
        "received_at": arrived.at,
        "shop": _plain(arrived.shop or arrived.topic.partition(ROOT)[0].rstrip("/")),
        "topic": _plain(arrived.topic),
        "reason": _plain(reason),
        "payload": arrived.payload[:_PAYLOAD_KEPT],
        "payload_bytes": len(arrived.payload),
    }


def _plain(text: str) -> str:
    return text.encode("utf-8", "replace").decode().replace("\0", "�")[:_TEXT_KEPT]


def _split(topic: str) -> tuple[str, str]:
    """Return what the topic has before the benches' root, and the rest with the root."""
    if topic.startswith(f"{ROOT}/"):
        return "", topic
    before, root, rest = topic.partition(f"/{ROOT}/")
    if not root:
        raise NoMessage(f"its topic has no {ROOT}")
    return before, f"{ROOT}/{rest}"


def _columns(kind: str, message: BaseModel) -> dict[str, Any]:
    said = message.__dict__
    row = {name: said[name] for name in _SAID[kind]}
    for name in _LISTS[kind]:
        row[name] = [one.model_dump() if isinstance(one, BaseModel) else one for one in row[name]]
    row["id"] = str(row["id"])
    if row.get("job") is not None:
        row["job"] = str(row["job"])
    return row


def _check_sender(kind: str, row: dict[str, Any], topic: str) -> None:
    """A broker lets each bench write only below its own name, so a message that names another bench is a forgery."""
    bench = row["bench"]
    if kind in _OF_BENCH:
        own = _OF_BENCH[kind](bench)
    else:
        own = _stroke_topic(bench, row["pack"]) if kind == "stroke" else _verdict_topic(bench, row["pack"])
    if topic != own:
        raise NoMessage(f"it came as {topic[:200]!r}, but by what it says it belongs to {own[:200]!r}")


def _unknown(kind: str, payload: bytes) -> dict[str, Any] | None:
    known = _COLUMNS[kind]
    said = json.loads(payload, parse_constant=_no_number)
    return {name: value for name, value in said.items() if name not in known and name != "schema_version"} or None


def _no_number(text: str) -> Any:
    raise NoMessage(f"it holds {text}, which is no number in JSON")


def _texts(value: Any) -> Iterator[str]:
    """Yield every name and text in `value`, however deep."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield name
            yield from _texts(one)
    elif isinstance(value, list):
        for one in value:
            yield from _texts(one)
    elif isinstance(value, str):
        yield value
