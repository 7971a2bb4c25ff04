"""The record as flat tables: one row a job, a check with its verdict, a stroke, a fact, a changed part. Says which
columns there are, of what type and in which unit, and makes rows of jobs; writes nothing.

Units are in the columns' names. Lengths are whole nanometres, as the record has them; the lengths that people compare
are there a second time, in mm or in. Times are UTC, and a stroke's is when it ended. Every row says of which bench,
unit and job it is, so that what several benches exported can be put together.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, Literal

from capture.clearance.check import StrokeKept
from capture.record import FactEntry, Job, KeptCheck
from capture.recordings.file import filed_as
from capture.unit.facts import (
    CameBack,
    ChangeUndone,
    Correction,
    NoteMade,
    Override,
    PartsChanged,
    PhotoKept,
    SignedOff,
    StepBegun,
    StepDone,
    StrokeLeftOut,
    is_demonstration,
    kind_of,
)

Kind = Literal["text", "whole", "real", "yes or no", "time", "date"]
LengthUnit = Literal["mm", "in"]
Row = dict[str, Any]

_NM_IN: Final = {"mm": 1_000_000, "in": 25_400_000}  # NIST SP 811, appendix B: 1 in = 25.4 mm exactly
#: Decimals: a whole nanometre, and a tenth of a microinch, which is finer.
_DECIMALS: Final = {"mm": 6, "in": 7}


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `length_of` names the column of nanometres that it shows in people's unit."""

    name: str
    kind: Kind
    length_of: str = ""


def _columns(text: str) -> tuple[Column, ...]:
    """Read columns from words such as `bench:text`; `held_travel:length` is one in nm and one in people's unit."""
    found: list[Column] = []
    kinds: dict[str, Kind] = {
        "text": "text",
        "int": "whole",
        "real": "real",
        "bool": "yes or no",
        "time": "time",
        "date": "date",
    }
    for word in text.split():
        name, kind = word.split(":")
        if kind == "length":
            found += (Column(f"{name}_nm", "whole"), Column(name, "real", f"{name}_nm"))
        else:
            found.append(Column(name, kinds[kind]))
    return tuple(found)


_WHOSE: Final = "bench:text unit_serial:text job_uuid:text "

#: The tables and their columns, in order. `job` and `check` are the record's own numbers; `entry` is the ledger's.
COLUMNS: Final[dict[str, tuple[Column, ...]]] = {
    "jobs": _columns(
        "job:int uuid:text bench:text unit_serial:text technician:text sheet_name:text sheet_revision:text "
        "opened_at:time closed_at:time signed_off_at:time signed_off_by:text demonstration:bool checks:int"
    ),
    "checks": _columns(
        f"{_WHOSE}job:int check:int pack:text number:int state:text started_at:time ended_at:time started_entry:int "
        "indicator:text origin:text port:text "
        "gauge_serial:text gauge_calibration_due:date low:length high:length strokes_wanted:int "
        "seat_wanted:int measure:text verdict:text verdict_at:time verdict_entry:int mean:length "
        "expanded_uncertainty:length coverage:real coverage_factor:real dof:real standard_uncertainty_nm:real "
        "strokes:int conformance_probability:real more_strokes:int next_step:text remarks:text advice:text "
        "recording:text "
        "recording_sha256:text recording_bytes:int recording_pruned_at:time software_version:text "
        "method:int"
    ),
    "strokes": _columns(
        f"{_WHOSE}"
        "job:int check:int pack:text n:int at:time seat:bool accepted:bool start_ns:int end_ns:int peak_travel:length "
        "held_travel:length released_nm:int rise_ns:int creep_nm:int return_error_nm:int rounding_nm:int "
        "fall_nm_per_s:int inferred_nm:int pressure_min_pa:int pressure_max_pa:int leak_down_pa_per_s:int flags:text "
        "left_out:text"
    ),
    "facts": _columns(
        f"{_WHOSE}"
        "job:int entry:int at:time kind:text by:text pack:text check:int stroke:int verdict:text step:int reason:text "
        "note:text text:text "
        "corrects_entry:int torque_unm:int lasted_ns:int known_ns:int predicted:length expanded_uncertainty:length"
    ),
    "parts": _columns(
        f"{_WHOSE}job:int entry:int at:time by:text pack:text adjuster:int kind:text from_count:int to_count:int "
        "from_thickness:length to_thickness:length"
    ),
    "readings": _columns(f"{_WHOSE}job:int entry:int at:time by:text step:int n:int reading:length instrument:text"),
}


def columns(table: str, unit: LengthUnit) -> tuple[Column, ...]:
    """Return a table's columns, those for people in `unit`."""
    return tuple(
        Column(f"{one.name}_{unit}", one.kind, one.length_of) if one.length_of else one for one in COLUMNS[table]
    )


def rows(job: Job, unit: LengthUnit) -> Iterator[tuple[str, Row]]:
    """Yield the rows of one job, each with its table; a value that is not known is None."""
    whose = {"bench": job.bench, "unit_serial": job.unit_serial, "job_uuid": str(job.uuid)}
    for table, row in _rows(job):
        if table != "jobs":
            row |= whose
        for one in COLUMNS[table]:
            if one.length_of:
                nm = row[one.length_of]
                row[f"{one.name}_{unit}"] = None if nm is None else round(nm / _NM_IN[unit], _DECIMALS[unit])
        yield table, row


def _rows(job: Job) -> Iterator[tuple[str, Row]]:
    signed = next((one for one in job.facts if isinstance(one.fact, SignedOff)), None)
    yield (
        "jobs",
        {
            "job": job.id,
            "uuid": str(job.uuid),
            "bench": job.bench,
            "unit_serial": job.unit_serial,
            "technician": job.technician,
            "sheet_name": job.sheet_name,
            "sheet_revision": job.sheet_revision,
            "opened_at": _utc(job.opened_at),
            "closed_at": _utc(job.closed_at),
            "signed_off_at": _utc(signed.at) if signed else None,
            "signed_off_by": signed.fact.by if signed else None,
            "demonstration": is_demonstration(signed.fact) if signed else None,
            "checks": len(job.checks),
        },
    )
    for check in job.checks:
        yield "checks", _check(job, check)
        for stroke in check.strokes:
            yield "strokes", _stroke(job, check, stroke)
    for fact in job.facts:
        yield "facts", _fact(job, fact)
        if isinstance(fact.fact, PartsChanged):
            for row in _parts(job, fact, fact.fact):
                yield "parts", row
        elif isinstance(fact.fact, StepDone):
            for row in _readings(job, fact, fact.fact):
                yield "readings", row


def _utc(at: datetime | None) -> datetime | None:
    return None if at is None else at.astimezone(UTC)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _whole(value: int | None) -> int | None:
    # The ledger keeps whole numbers beyond 2^53 - 1 as text.
    return None if value is None else int(value)


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def _check(job: Job, check: KeptCheck) -> Row:
    entry, gauge, origin = check.verdict, check.gauge or {}, check.origin or {}
    verdict = entry.verdict if entry else None
    return {
        "job": job.id,
        "check": check.id,
        "pack": check.pack,
        "number": check.number,
        "state": check.state,
        "started_at": _utc(check.started_at),
        "ended_at": _utc(check.ended_at),
        "started_entry": check.started_number,
        "indicator": _json(check.indicator),
        "origin": origin.get("kind"),
        "port": origin.get("port"),
        "gauge_serial": gauge.get("serial"),
        "gauge_calibration_due": _day(gauge.get("calibration_due")),
        "low_nm": check.low_nm,
        "high_nm": check.high_nm,
        "strokes_wanted": check.strokes_wanted,
        "seat_wanted": check.seat_wanted,
        "measure": check.measure,
        "recording": filed_as(check.recording_path) or check.recording_path,
        "recording_pruned_at": _utc(check.pruned_at),
        **{
            name: getattr(verdict, name, None)
            for name in (
                "verdict", "mean_nm", "expanded_uncertainty_nm", "coverage", "coverage_factor", "dof",
                "standard_uncertainty_nm", "strokes", "conformance_probability", "more_strokes", "next_step",
            )
        },
        "verdict_at": _utc(entry.at) if entry else None,
        "verdict_entry": entry.number if entry else None,
        "remarks": "; ".join(one.text for one in entry.verdict.remarks) if entry else None,
        "advice": "; ".join(str(one.get("text", "")) for one in entry.advice) if entry else None,
        "recording_sha256": entry.recording_sha256 if entry else None,
        "recording_bytes": entry.recording_bytes if entry else None,
        "software_version": entry.software_version if entry else None,
        "method": entry.method if entry else None,
    }  # fmt: skip


def _stroke(job: Job, check: KeptCheck, entry: StrokeKept) -> Row:
    names = [one.name for one in COLUMNS["strokes"] if not one.length_of]
    row = {name: getattr(entry.stroke, name, None) for name in names}
    return row | {
        "job": job.id,
        "check": check.id,
        "pack": check.pack,
        "at": _utc(check.started_at + timedelta(microseconds=entry.stroke.end_ns // 1000)),
        "seat": entry.seat,
        "flags": " ".join(entry.stroke.flags),
        "left_out": entry.left_out or None,
    }


def _fact(job: Job, entry: FactEntry) -> Row:
    fact = entry.fact
    row: Row = dict.fromkeys(one.name for one in COLUMNS["facts"] if not one.length_of)
    row |= {"job": job.id, "entry": entry.number, "at": _utc(entry.at), "kind": kind_of(fact), "by": fact.by}
    if isinstance(fact, PartsChanged):
        told = {"pack": fact.pack, "predicted_nm": fact.predicted_nm}
        return row | told | {"expanded_uncertainty_nm": fact.expanded_uncertainty_nm}
    if isinstance(fact, StepBegun):
        return row | {"step": fact.step, "note": fact.note}
    if isinstance(fact, StepDone):
        told = {"step": fact.step, "note": fact.note}
        return (
            row
            | told
            | {"torque_unm": _whole(fact.torque_unm), "lasted_ns": _whole(fact.lasted_ns)}
            | {"known_ns": _whole(fact.known_ns)}
        )
    if isinstance(fact, Override):
        return row | {"pack": fact.pack, "step": fact.step, "reason": fact.reason}
    if isinstance(fact, StrokeLeftOut):
        told = {"pack": fact.pack, "check": fact.check, "stroke": fact.stroke, "reason": fact.reason}
        return row | told | {"verdict": fact.verdict.verdict if fact.verdict is not None else None}
    if isinstance(fact, NoteMade):
        return row | {"pack": fact.pack, "stroke": fact.stroke, "text": fact.text}
    if isinstance(fact, PhotoKept):
        return row | {"pack": fact.pack, "text": f"{fact.name} ({fact.path})"}
    if isinstance(fact, ChangeUndone):
        return row | {"pack": fact.pack, "text": f"entry {fact.entry} was written by mistake, and never made"}
    if isinstance(fact, CameBack):
        return row | {"reason": fact.reason, "text": f"signed off before in job {fact.earlier}"}
    if isinstance(fact, Correction):
        return row | {"corrects_entry": fact.entry, "reason": fact.reason, "text": fact.text}
    acknowledged = "; ".join(one.text for one in fact.acknowledged or ())
    return row | {"note": fact.note, "reason": fact.why or None, "text": acknowledged or None}


def _readings(job: Job, entry: FactEntry, fact: StepDone) -> Iterator[Row]:
    """The readings of a dimension, in the order in which they were taken."""
    whose = {"job": job.id, "entry": entry.number, "at": _utc(entry.at), "by": fact.by, "step": fact.step}
    for n, reading in enumerate(fact.readings_nm, 1):
        yield {**whose, "n": n, "reading_nm": reading, "instrument": fact.instrument or None}


def _parts(job: Job, entry: FactEntry, fact: PartsChanged) -> Iterator[Row]:
    for change in fact.changes:
        counted = change.kind == "shim"
        yield {
            "job": job.id,
            "entry": entry.number,
            "at": _utc(entry.at),
            "by": fact.by,
            "pack": fact.pack,
            "adjuster": change.adjuster,
            "kind": change.kind,
            "from_count": change.before if counted else None,
            "to_count": change.after if counted else None,
            "from_thickness_nm": None if counted else change.before,
            "to_thickness_nm": None if counted else change.after,
        }
