"""How a bench's gauge stands by the record, what is kept of that with a check that is measured with it, and a check of
the gauge itself as the record keeps it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from capture import __version__
from capture.clearance.gauge.facts import GaugeChecked, GaugeEntry
from capture.clearance.gauge.masters import Master
from capture.clearance.gauge.standing import GaugeStanding, standing_of
from capture.plumbing.durable import copy_into
from capture.plumbing.file_name import file_name
from capture.recordings.file import open_recording
from capture.recordings.master_strokes import measure_masters
from capture.unit.gauge_identity import Gauge
from capture.unit.origin import is_measured


def gauge_now(
    entries: Sequence[GaugeEntry], gauge: Gauge, bench: str, at: datetime, origin: Mapping[str, Any] | None
) -> GaugeStanding:
    """Return how a gauge stands for readings of this origin: what was played back is no check of one that measures."""
    real = is_measured(origin)
    serving = [
        one for one in entries if not (real and isinstance(one.fact, GaugeChecked) and not is_measured(one.fact.origin))
    ]
    return standing_of(serving, gauge.serial, bench, at)


def kept_with(
    gauge: Gauge,
    entries: Sequence[GaugeEntry],
    bench: str,
    at: datetime,
    origin: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return what a check, and its recording, keep of its gauge: which it is, how it stands, and what is known of its
    error, with the entry that says so."""
    standing = gauge_now(entries, gauge, bench, at, origin)
    error = None if standing.error is None else standing.error.kept()
    return {**gauge.kept(), "standing": standing.word, "error": error}


def place_for_check(home: Path, gauge: str, at: datetime) -> Path:
    """Return where in a data folder the recording of a gauge's check is to be."""
    return home / "recordings" / "gauges" / f"{at:%Y%m%dT%H%M%S}-{file_name(gauge)}-{uuid4().hex[:6]}.jsonl"


def gauge_checked(
    recording: Path,
    home: Path,
    masters: Sequence[Master],
    *,
    gauge: str,
    bench: str,
    by: str,
    as_left: bool = False,
    origin: Mapping[str, Any] | None = None,
) -> GaugeChecked:
    """Return a check of a gauge, measured from its recording in the data folder `home`. Raises RecordingError."""
    made = measure_masters(recording, masters)
    with open_recording(recording) as file:
        size, sha256 = copy_into(file, None)
    return GaugeChecked(
        gauge=gauge,
        bench=bench,
        by=by,
        as_left=as_left,
        indicator=made.header.indicator,
        resolution_nm=made.settings.resolution_nm,
        max_error_nm=made.settings.max_error_nm,
        masters=tuple(masters),
        check=made.check,
        linearity=made.linearity,
        started_at=made.header.started.astimezone(UTC).isoformat(),
        recording_path=recording.relative_to(home).as_posix(),
        recording_sha256=sha256,
        recording_bytes=size,
        software_version=__version__,
        origin=origin,
    )
