"""What a bench tells a plant, metric by metric: how it stands, and what happened at it. Pure.

A stroke, a verdict and a sign-off are groups of metrics of the node, each told whole and together; how the indicator
is doing are metrics of a device, which dies when it does not answer. A metric has the name of the same field in the
bench's own messages, and its unit in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from types import UnionType
from typing import Any, Final, get_args, get_origin, get_type_hints

from capture.clearance.verdict import Verdict
from capture.mqtt.messages import BenchStatus
from capture.mqtt.plant.happened import Group, Happened
from capture.mqtt.plant.metrics import Kind, Metric, Value
from capture.mqtt.plant.sparkplug_b_pb2 import DataType
from capture.strokes.stroke import Stroke

__all__ = ["INDICATOR", "Metrics", "at_birth", "indicator_answers", "of_indicator", "of_node", "told"]

#: Metrics by name.
Metrics = dict[str, Metric]
#: The device that measures.
INDICATOR: Final = "indicator"

_KINDS: Final[Mapping[Any, DataType]] = {
    bool: Kind.YES_NO, int: Kind.WHOLE, float: Kind.REAL, str: Kind.TEXT, datetime: Kind.TIME,
}  # fmt: skip
_STATUS: Final = ("state", "software_version", "job", "unit_serial", "technician", "pack", "air", "air_fault", "needs")
_OF_INDICATOR: Final[Mapping[str, DataType]] = {
    "gauge_serial": Kind.TEXT,
    "gauge_standing": Kind.TEXT,
    "gauge_text": Kind.TEXT,
    "gauge_due": Kind.TEXT,
    "typed": Kind.YES_NO,
    "last_travel_nm": Kind.WHOLE,
    "last_stroke_at": Kind.TIME,
}
_OF_JOB: Final[Mapping[str, DataType]] = {
    "entry": Kind.WHOLE,  # its number in the record's ledger, by which one that came twice is known
    "job": Kind.TEXT,
    "unit_serial": Kind.TEXT,
    "sheet_name": Kind.TEXT,
    "sheet_revision": Kind.TEXT,
    "technician": Kind.TEXT,
}


def _kinds_of(model: type, *without: str) -> dict[str, DataType]:
    """Return the datatype of every field of a dataclass; what may be None is told as is_null."""
    hints, found = get_type_hints(model), {}
    for field in fields(model):
        if field.name not in without:
            hint = hints[field.name]
            plain = next((one for one in get_args(hint) if one is not type(None)), hint)
            hint = plain if get_origin(hint) is UnionType else hint
            found[field.name] = _KINDS.get(hint, Kind.TEXT)  # words of a list, and a word of several
    return found


GROUPS: Final[Mapping[Group, Mapping[str, DataType]]] = {
    "stroke": {**_OF_JOB, "pack": Kind.TEXT, "check": Kind.WHOLE, "seat": Kind.YES_NO, **_kinds_of(Stroke)},
    "verdict": {
        **_OF_JOB, "pack": Kind.TEXT, "check": Kind.WHOLE, **_kinds_of(Verdict, "budget"),
        "recording_sha256": Kind.TEXT,
    },
    "unit": {**_OF_JOB, "signed_off_by": Kind.TEXT, "demonstration": Kind.YES_NO},
}  # fmt: skip


def told(one: Happened) -> Metrics:
    """Return the metrics of what happened, all of its group."""
    kinds = GROUPS[one.group].items()
    return _named(
        Metric(f"{one.group}/{name}", kind, _plain(one.values.get(name), kind), one.at) for name, kind in kinds
    )


def at_birth(now: datetime) -> Metrics:
    """Return the metrics of every group without a value: nothing happened yet."""
    return {name: metric for group in GROUPS for name, metric in told(Happened(0, now, group, {})).items()}


def of_node(status: BenchStatus, at: datetime) -> Metrics:
    """Return how the bench stands."""
    return _named(Metric(name, Kind.TEXT, _plain(getattr(status, name), Kind.TEXT), at) for name in _STATUS)


def of_indicator(status: BenchStatus, at: datetime) -> Metrics:
    """Return how its indicator stands."""
    return _named(Metric(name, kind, _plain(getattr(status, name), kind), at) for name, kind in _OF_INDICATOR.items())


def indicator_answers(status: BenchStatus) -> bool:
    """Return whether the device lives."""
    return status.indicator == "up" and not status.silent


def _named(metrics: Iterable[Metric]) -> Metrics:
    return {one.name: one for one in metrics}


def _plain(value: Any, kind: DataType) -> Value:
    """Return a value as its kind has it: an entry has whole numbers beyond 2^53 as text, whole reals as integers."""
    if value is None or isinstance(value, datetime):
        return value
    if kind == Kind.WHOLE:
        return int(value)
    if kind == Kind.REAL:
        return float(value)
    if kind == Kind.YES_NO:
        return bool(value)
    return ", ".join(_words(value)) if isinstance(value, (tuple, list)) else str(value)


def _words(values: Iterable[Any]) -> Iterator[str]:
    for one in values:
        yield one["text"] if isinstance(one, Mapping) else str(one)
