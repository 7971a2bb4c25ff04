"""Proves what a record says of its gauges: every check against masters from its own recording, and what a verdict took
from one from the ledger. Changes nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC
from pathlib import Path
from typing import Any

from capture.clearance.gauge.facts import GaugeEntry
from capture.job.gauge_now import kept_with
from capture.plumbing.durable import copy_into
from capture.record import GaugeSealed, Job, KeptCheck, Mismatch
from capture.recordings.file import RecordingError, in_data_folder, kept_at, open_recording
from capture.recordings.master_strokes import measure_masters
from capture.unit.gauge_identity import Gauge, gauge_of

#: The last digits of SciPy's quantiles may differ between its versions and machines; nothing else may.
_SAME_FLOAT = 1e-9
#: Words for people, which another version may put differently.
_WORDING = frozenset({"text", "remarks"})


def prove_gauge_check(sealed: GaugeSealed, record: Path) -> None:
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
    try:
        made = measure_masters(path, fact.masters)
    except RecordingError as error:
        raise Mismatch(
            f"the recording of {what}", entry=sealed.entry, expected="one that can be measured", found=f"{error}"
        ) from error
    _same(f"the indicator in {what}", sealed.entry, dict(fact.indicator), made.header.indicator)
    _same(f"when {what} began", sealed.entry, fact.started_at, made.header.started.astimezone(UTC).isoformat())
    _same(f"the display step of {what}", sealed.entry, fact.resolution_nm, made.settings.resolution_nm)
    _same(f"the maker's limit in {what}", sealed.entry, fact.max_error_nm, made.settings.max_error_nm)
    for name, kept, again in (("check", fact.check, made.check), ("linearity", fact.linearity, made.linearity)):
        _same(
            f"the {name} of {what}, derived again from {path}", sealed.entry,
            None if kept is None else asdict(kept), None if again is None else asdict(again),
        )  # fmt: skip


def prove_gauge_of(job: Job, check: KeptCheck, entries: list[GaugeEntry], header: Mapping[str, Any] | None) -> None:
    """Hold what a check of a pack says of its gauge against the ledger before it, and its recording. Raises Mismatch.

    `header` is what the recording says of the gauge. Checks from before gauges were checked say nothing.
    """
    kept = check.gauge
    if kept is None or "standing" not in kept:
        return
    gauge: Gauge = gauge_of(kept)
    before = [one for one in entries if one.number < check.started_number]
    made = kept_with(gauge, before, job.bench, check.started_at, check.origin)
    if not _alike(kept, made):
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
    if not _alike(kept, made):
        raise Mismatch(what, entry=entry, expected=kept, found=made)


def _alike(kept: Any, made: Any) -> bool:
    """Say whether two values are the same, but for a float's last digits and for wording."""
    if isinstance(kept, Mapping) and isinstance(made, Mapping):
        return kept.keys() == made.keys() and all(name in _WORDING or _alike(kept[name], made[name]) for name in kept)
    if isinstance(kept, list | tuple) and isinstance(made, list | tuple):
        return len(kept) == len(made) and all(_alike(one, other) for one, other in zip(kept, made, strict=True))
    if isinstance(kept, float | int) and isinstance(made, float | int) and float in (type(kept), type(made)):
        return math.isclose(kept, made, rel_tol=_SAME_FLOAT, abs_tol=_SAME_FLOAT)
    return bool(kept == made)
