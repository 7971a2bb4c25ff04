"""Holds three accounts of a bench against each other: what it printed, its record, and what arrived over MQTT."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from capture.record import Store

__all__ = ["Counts", "Message", "Told", "count"]

#: A topic and its payload.
Message = tuple[str, dict[str, Any]]
_JUDGED = ("verdict", "mean_nm", "expanded_uncertainty_nm", "strokes", "recording_sha256")


@dataclass(slots=True)
class Told:
    """What one bench's daemons printed, and how often they were killed."""

    strokes: list[dict[str, Any]] = field(default_factory=list)
    verdicts: list[dict[str, Any]] = field(default_factory=list)
    kills: int = 0

    def take(self, line: bytes) -> None:
        """Note a line, if it was printed whole."""
        if line.endswith(b"\n"):
            one = json.loads(line)
            (self.strokes if one["type"] == "stroke" else self.verdicts).append(one)


@dataclass(slots=True)
class Counts:
    """What was found, of one bench or of several."""

    kills: int
    printed: int = 0
    recorded: int = 0
    arrived: int = 0
    verdicts: int = 0
    repeats: int = 0
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        words = (
            f"{self.kills} kills: {self.printed} strokes printed, {self.recorded} in the record, "
            f"{self.arrived} arrived, {self.verdicts} verdicts recorded and arrived, {self.repeats} repeats; "
        )
        return words + (f"{len(self.wrong)} WRONG" if self.wrong else "nothing lost, nothing doubled")


@dataclass(slots=True)
class _Record:
    """A bench's record: strokes by (job's UUID, pack, check, n), verdicts by (job's UUID, check)."""

    uuids: dict[int, str] = field(default_factory=dict)
    strokes: dict[tuple[str, str, int, int], dict[str, Any]] = field(default_factory=dict)
    verdicts: dict[tuple[str, int], dict[str, Any]] = field(default_factory=dict)
    doubled: list[tuple[str, str, int, int]] = field(default_factory=list)


def _read(path: Path) -> _Record:
    record = _Record()
    if not path.exists():  # killed before it made one
        return record
    with Store.open(path) as store:
        for job in store.jobs(1_000_000):
            uuid = record.uuids[job.id] = str(job.uuid)
            for check in job.checks:
                for kept in check.strokes:
                    key = (uuid, check.pack, check.id, kept.stroke.n)
                    if key in record.strokes:
                        record.doubled.append(key)
                    values = {name: getattr(kept.stroke, name) for name in kept.stroke.__slots__}
                    record.strokes[key] = values | {"flags": list(kept.stroke.flags), "seat": kept.seat}
                if check.verdict is not None:
                    values = {name: getattr(check.verdict.verdict, name) for name in _JUDGED[:-1]}
                    record.verdicts[uuid, check.id] = values | {"recording_sha256": check.verdict.recording_sha256}
    return record


def _differs(one: Mapping[str, Any], other: Mapping[str, Any] | None) -> bool:
    """Say whether two accounts differ in what both tell."""
    return other is None or any(other[name] != value for name, value in one.items() if name in other)


def _printed(record: _Record, told: Told) -> Iterable[str]:
    """Yield what was printed, so completed, and is not in the record as printed."""
    strokes = {(uuid, pack, n): values for (uuid, pack, _, n), values in record.strokes.items()}
    for one in told.strokes:
        found = strokes.get((record.uuids.get(one["job"], ""), one["pack"], one["n"]))
        if _differs(one, found):
            yield f"printed {one}, in the record {found}"
    for one in told.verdicts:
        uuid = record.uuids.get(one["job"])
        if not any(job == uuid and not _differs(one, kept) for (job, _), kept in record.verdicts.items()):
            yield f"printed {one}, and no such verdict is in the record"


def _came(record: _Record, first: list[Message]) -> Iterable[str]:
    """Yield what is in the record and did not arrive as it is there, or the other way round."""
    strokes = [payload for topic, payload in first if topic.endswith("/stroke")]
    verdicts = [payload for topic, payload in first if topic.endswith("/verdict")]
    came = {(one["job"], one["pack"], one["check"], one["n"]): one for one in strokes}
    judged = {(one["job"], one["check"]): one for one in verdicts}
    if len(came) + len(judged) < len(first):
        yield "something arrived under two ids"
    accounts: tuple[tuple[Mapping[Any, dict[str, Any]], Mapping[Any, dict[str, Any]]], ...] = (
        (record.strokes, came),
        (record.verdicts, judged),
    )
    for kept, arrived in accounts:
        for key, one in kept.items():
            if _differs(one, arrived.get(key)):
                yield f"in the record {one}, arrived {arrived.get(key)}"
        yield from (f"arrived and is not in the record: {arrived[key]}" for key in arrived.keys() - kept.keys())
    order = [(one["check"], one["n"]) for one in strokes]
    if order != sorted(order):
        yield f"out of order: {order}"


def count(counts: Counts, path: Path, bench: str, told: Told, received: Iterable[Message]) -> None:
    """Add what is found of one bench: its record at `path`, and of all that arrived what is its own."""
    record, own = _read(path), [(topic, payload) for topic, payload in received if payload["bench"] == bench]
    first: dict[str, Message] = {}
    wrong = [f"two contents under one id: {one}" for one in own if first.setdefault(one[1]["id"], one) != one]
    wrong += [f"{key} is in the record more than once" for key in record.doubled]
    wrong += [*_printed(record, told), *_came(record, list(first.values()))]
    counts.wrong += [f"{bench}: {text}" for text in wrong]
    counts.printed += len(told.strokes)
    counts.recorded += len(record.strokes)
    counts.arrived += sum(topic.endswith("/stroke") for topic, _ in first.values())
    counts.verdicts += len(record.verdicts)
    counts.repeats += len(own) - len(first)
