"""Metrics and payloads of Sparkplug B: values in, bytes out, and a host's commands read. Pure.

Theory. A birth names every metric that the session will ever tell, with its datatype and value (is_null where there is
none); what follows names only those that changed, without their datatype (Sparkplug 3.0, 6.4.6). Whole numbers travel
as two's complement in an unsigned field (6.4.17). Times are milliseconds since 1970, UTC.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from google.protobuf.message import DecodeError

from capture.mqtt.plant.sparkplug_b_pb2 import DataType, Payload

__all__ = ["BD_SEQ", "REBIRTH", "Kind", "Metric", "Value", "asks_for_rebirth", "payload"]

Value = bool | int | float | str | datetime | None

BD_SEQ: Final = "bdSeq"
REBIRTH: Final = "Node Control/Rebirth"
_TWO_TO_THE_64: Final = 1 << 64


class Kind:
    """The datatypes that a bench uses (6.4.16)."""

    WHOLE = DataType.Int64
    REAL = DataType.Double
    YES_NO = DataType.Boolean
    TEXT = DataType.String
    TIME = DataType.DateTime


@dataclass(frozen=True, slots=True)
class Metric:
    """One value under its name, and since when it has it."""

    name: str
    kind: DataType
    value: Value
    at: datetime


def milliseconds(at: datetime) -> int:
    """Return a time as payloads have it."""
    return int(at.timestamp() * 1000)


def payload(
    metrics: Iterable[Metric], *, at: datetime, seq: int | None, typed: bool = False, historical: bool = False
) -> bytes:
    """Return the bytes of a message sent at `at`: `typed` with the datatypes, as births and the will are. `seq` is None
    for the one that has none, a node's death."""
    made = Payload(timestamp=milliseconds(at), seq=seq)
    # tck-id-operational-behavior-data-publish-nbirth-order: chronological.
    for one in sorted(metrics, key=lambda metric: metric.at):
        line = made.metrics.add(name=one.name, timestamp=milliseconds(one.at))
        if typed:
            line.datatype = one.kind
        if historical:
            line.is_historical = True
        _fill(line, one)
    return made.SerializeToString()


def _fill(line: Payload.Metric, metric: Metric) -> None:
    value = metric.value
    if value is None:
        line.is_null = True
    elif isinstance(value, bool):
        line.boolean_value = value
    elif isinstance(value, int):
        line.long_value = value % _TWO_TO_THE_64
    elif isinstance(value, float):
        line.double_value = value
    elif isinstance(value, datetime):
        line.long_value = milliseconds(value)
    else:
        line.string_value = value


def asks_for_rebirth(command: bytes) -> bool:
    """Return whether a command to the node asks for its births; what is no payload asks for nothing."""
    try:
        asked = Payload.FromString(command)
    except DecodeError:
        return False
    return any(one.name == REBIRTH and one.boolean_value for one in asked.metrics)
