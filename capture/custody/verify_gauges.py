"""Proves what a record says of its gauges: every check against masters from its own recording, and what a verdict took
from one from the ledger. Changes nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from capture.custody.derivation import plain
from capture.custody.earlier_methods import MeasuringWay, MethodError, Ways
from capture.custody.same_values import alike
from capture.plumbing.durable import copy_into
from capture.record import GaugeSealed, Job, KeptCheck, Mismatch
from capture.recordings.file import begin_reading, in_data_folder, kept_at, open_recording
from capture.strokes.methods import FIRST_METHOD
from capture.unit.origin import is_measured


def prove_gauge_check(sealed: GaugeSealed, record: Path, ways: Ways) -> None:
    """Derive a check against masters again from its recording. Raises Mismatch."""
    fact = sealed.fact
    place = in_data_folder(record.parent, fact.recording_path)
    path = kept_at(place) or place
    what = f"the check of gauge {fact.gauge}"
    try:
        with open_recording(path) as file:
            size, found = copy_into(file, None)
    except OSError as error:
        raise Mismatch(
            f"the recording {path} of {what}", entry=sealed.entry, expected="a file that can be read",
            found=f"{error.strerror}",
        ) from error  # fmt: skip
    _same(f"the size in bytes of the recording of {what}", sealed.entry, fact.recording_bytes, size)
    _same(f"the SHA-256 of the recording of {what}", sealed.entry, fact.recording_sha256, found)
    masters = [one.kept() for one in fact.masters]
    try:
        way = ways.by(fact.method or FIRST_METHOD)
        made = way.answer({"what": "masters", "recording": str(path), "masters": masters, "room": asdict(fact.room)})
    except MethodError as error:
        raise Mismatch(
            f"the method of {what}", entry=sealed.entry, expected="one that is here", found=f"{error}"
        ) from error
    if "refused" in made:
        _, expected, found = made["refused"]
        raise Mismatch(f"the recording of {what}", entry=sealed.entry, expected=expected, found=found)
    told, opened, _ = begin_reading(path)
    opened.close()
    if told.gauge is not None and is_measured(fact.origin):  # of a check that was replayed it is another's, or may be
        said = [told.bench, told.gauge["serial"], (told.model_extra or {}).get("origin")]
        expected = plain([fact.bench, fact.gauge, fact.origin])
        _same(f"bench, gauge and port in the recording of {what}", sealed.entry, expected, said)
    _same(f"the indicator in {what}", sealed.entry, plain(dict(fact.indicator)), made["indicator"])
    _same(f"when {what} began", sealed.entry, fact.started_at, made["started_at"])
    _same(f"the display step of {what}", sealed.entry, fact.resolution_nm, made["resolution_nm"])
    _same(f"the maker's limit in {what}", sealed.entry, fact.max_error_nm, made["max_error_nm"])
    for name, kept in (("check", fact.check), ("linearity", fact.linearity)):
        had = None if kept is None else plain(asdict(kept))
        _same(f"the {name} of {what}, derived again from {path}", sealed.entry, had, made[name])


def prove_gauge_of(job: Job, check: KeptCheck, way: MeasuringWay, header: Mapping[str, Any] | None) -> None:
    """Hold what a check of a pack says of its gauge against the ledger before it, and its recording. Raises Mismatch.

    `header` is what the recording says of the gauge. Checks from before gauges were checked say nothing.
    """
    kept = check.gauge
    if kept is None or "standing" not in kept:
        return
    question = {
        "what": "gauge",
        "gauge": kept,
        "bench": job.bench,
        "at": check.started_at.isoformat(),
        "origin": check.origin,
        "before": check.started_number,
    }
    made = way.answer(question)["gauge"]
    if not alike(plain(kept), made):
        raise Mismatch(
            "what it says of its gauge, derived again from the ledger", entry=check.started_number, job=job.id,
            pack=check.pack, check=check.number, expected=kept, found=made,
        )  # fmt: skip
    if header != kept:
        raise Mismatch(
            "the gauge in its recording", entry=check.started_number, job=job.id, pack=check.pack, check=check.number,
            expected=kept, found=header,
        )  # fmt: skip


def _same(what: str, entry: int, kept: Any, made: Any) -> None:
    if not alike(kept, made):
        raise Mismatch(what, entry=entry, expected=kept, found=made)
