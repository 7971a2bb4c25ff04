"""Health as OpenMetrics text, for a monitoring that the shop has already.

Source: the OpenMetrics specification 1.0.0, sections 3 (data model) and 4 (text format): a family's TYPE, UNIT and HELP
come before its samples, families are not mixed, a name ends in its unit, and `# EOF` ends the text.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from capture.output.health_points import Health, HealthPoint

_PREFIX: Final = "strokelog"
_UNITS: Final = ("seconds", "bytes")

#: What each figure means, by the point and the figure's name.
_HELP: Final[Mapping[str, str]] = {
    "process_up": "Whether the process answers.",
    "head_number": "Number of the newest entry of the record.",
    "head_timestamp_seconds": "When the newest entry was written.",
    "outbox_messages": "Messages that wait for the broker.",
    "outbox_taken_messages": "Messages that the broker took, and that are kept for a while all the same.",
    "outbox_refused_messages": "Messages that the broker refused.",
    "outbox_age_seconds": "For how long the oldest waits.",
    "plant_messages": "Entries of the record that a plant's system was not told for good.",
    "plant_age_seconds": "For how long the oldest of those is kept.",
    "last_stroke_timestamp_seconds": "When the newest stroke was kept.",
    "link_up": "Whether a link is up.",
    "gauge_in_order": "Whether the gauge is in order by its newest check.",
    "gauge_calibration_due_timestamp_seconds": "When the gauge's calibration is due.",
    "disk_free_bytes": "Room that is left where everything is kept.",
    "disk_size_bytes": "How large that disk is.",
    "clock_synchronised": "Whether a time service keeps the clock.",
    "clock_behind_seconds": "By how much the clock is behind the newest entry.",
    "collecting_up": "Whether a collector showed that it lives.",
    "queue_lag_seconds": "Median time from a message's making to its keeping, of the newest.",
    "refused_messages": "Messages that were none of this product's.",
    "months_due": "Parts of tables, a month each, that are to be made or dropped.",
    "kept_stroke_rows": "Strokes in the database, about.",
    "kept_verdict_rows": "Verdicts in the database, about.",
    "kept_status_rows": "Statuses in the database, about.",
    "kept_unit_rows": "Words on units in the database, about.",
    "kept_gauge_rows": "Gauges' checks in the database, about.",
    "broken_records": "How often a bench's record was found broken.",
    "benches_known": "Benches that are known.",
    "benches_in_need": "Benches that need a person.",
    "newest_head_number": "Highest number of a bench's head that was collected.",
    "newest_head_timestamp_seconds": "When that head was received.",
}


def open_metrics(health: Health) -> str:
    """Return all figures of `health` as OpenMetrics text."""
    common = {"of": health.of, "name": health.name}
    families: dict[str, tuple[str, list[str]]] = {}

    def put(name: str, says: str, labels: Mapping[str, str], value: float) -> None:
        _, samples = families.setdefault(name, (says, []))
        samples.append(f"{_PREFIX}_{name}{_labels({**common, **labels})} {_number(value)}")

    put("looked_timestamp_seconds", "When this was looked at.", {}, health.at.timestamp())
    put("well", "Whether nothing needs a person.", {}, int(health.well))
    for point, labels in _told_apart(health.points):
        if point.well is not None:
            put("point_well", "Whether one point is well.", {"point": point.point, **labels}, int(point.well))
        for figure, value in point.figures.items():
            name = f"{point.point}_{figure}"
            put(name, _HELP[name], labels, value)
    return "".join(_family(name, says, samples) for name, (says, samples) in families.items()) + "# EOF\n"


def _told_apart(points: Sequence[HealthPoint]) -> Iterator[tuple[HealthPoint, Mapping[str, str]]]:
    for point in points:
        yield point, {name: text for name, text in point.labels.items() if name in ("link", "shop", "bench", "session")}


def _family(name: str, says: str, samples: Sequence[str]) -> str:
    unit = next((one for one in _UNITS if name.endswith(f"_{one}")), None)
    lines = [f"# TYPE {_PREFIX}_{name} gauge"]
    if unit is not None:
        lines.append(f"# UNIT {_PREFIX}_{name} {unit}")
    return "".join(f"{line}\n" for line in [*lines, f"# HELP {_PREFIX}_{name} {says}", *samples])


def _labels(labels: Mapping[str, str]) -> str:
    return "{" + ",".join(f'{name}="{_escaped(text)}"' for name, text in labels.items()) + "}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _number(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.3f}"
