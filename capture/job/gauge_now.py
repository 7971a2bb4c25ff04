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
from capture.clearance.gauge.masters import ASSUMED_ROOM, Master, Room
from capture.clearance.gauge.standing import GaugeStanding, instrument_words, mornings_of, standing_of
from capture.clearance.signing import SignedWay
from capture.mqtt.messages import GaugeMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.plumbing.durable import copy_into
from capture.plumbing.file_name import file_name
from capture.recordings.file import FORM, RecordingWriter, open_recording
from capture.recordings.master_strokes import measure_masters
from capture.strokes.methods import METHOD
from capture.unit.gauge_identity import Gauge
from capture.unit.origin import is_measured, not_measured_words


def gauge_now(
    entries: Sequence[GaugeEntry], gauge: Gauge, bench: str, at: datetime, origin: Mapping[str, Any] | None
) -> GaugeStanding:
    """Return how a gauge stands for readings of this origin: what was played back is no check of one that measures."""
    real = is_measured(origin)
    serving = [
        one for one in entries if not (real and isinstance(one.fact, GaugeChecked) and not is_measured(one.fact.origin))
    ]
    return standing_of(serving, gauge.serial, bench, at, gauge.check_holds)


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
    kept = {**gauge.kept(), "standing": standing.word, "error": standing.error and standing.error.kept()}
    if gauge.pressure_gauge:
        kept["pressure_gauge_against"] = instrument_words(entries, gauge.pressure_gauge, at.astimezone().date())
    return kept


def gauge_check_told(
    entries: Sequence[GaugeEntry], fact: GaugeChecked, at: datetime, head: tuple[int, str]
) -> Outgoing:
    """Return the message of a check of a gauge that the entry `head` keeps, after `entries`."""
    with_it = [*entries, GaugeEntry(*head, at, fact)]
    mornings = mornings_of(with_it, fact.gauge, fact.bench)
    said = mornings[-1] if mornings and mornings[-1].entry.number == head[0] else None
    first = next(iter(fact.check.masters), None)
    message = GaugeMessage(
        at=at,
        bench=fact.bench,
        gauge_serial=fact.gauge,
        technician=fact.by,
        as_left=fact.as_left,
        standing=standing_of(with_it, fact.gauge, fact.bench, at).word,
        result="refused" if fact.check.refusal is not None else fact.check.result,
        alarm=said is not None and said.out,
        master="" if first is None else first.serial,
        master_nm=None if first is None else first.value_nm,
        error_nm=None if first is None else first.error_nm,
        standard_uncertainty_nm=None if first is None else first.standard_uncertainty_nm,
        max_error_nm=fact.max_error_nm,
        phase=mornings[-1].charted.point.phase if mornings else 0,
        recording_sha256=fact.recording_sha256,
        not_measured=not_measured_words(fact.origin),
    )
    return outgoing(message, head)


def place_for_check(home: Path, gauge: str, at: datetime) -> Path:
    """Return where in a data folder the recording of a gauge's check is to be."""
    return home / "recordings" / "gauges" / f"{at:%Y%m%dT%H%M%S}-{file_name(gauge)}-{uuid4().hex[:6]}.jsonl"


def recording_of_check(
    home: Path,
    gauge: str,
    masters: Sequence[Master],
    *,
    bench: str,
    by: str,
    at: datetime,
    indicator: Mapping[str, Any],
    origin: Mapping[str, Any] | None,
) -> RecordingWriter:
    """Begin the recording of a check of a gauge, empty where its serial is not known, in the data folder `home`.

    Raises RecordingError.
    """
    header: dict[str, Any] = {
        "recording": FORM, "started": at.isoformat(), "bench": bench, "indicator": dict(indicator), "origin": origin,
    }  # fmt: skip
    if gauge:
        header["gauge"] = {"serial": gauge}
    writer = RecordingWriter(place_for_check(home, gauge or masters[0].serial, at), header)
    note = {"note": "check against masters", "masters": [one.serial for one in masters]}
    writer.mark(0, {"tech": by, **note} if by else note)
    return writer


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
    room: Room = ASSUMED_ROOM,
    signed: SignedWay = "typed",
) -> GaugeChecked:
    """Return a check of a gauge, measured from its recording in the data folder `home`. Raises RecordingError."""
    made = measure_masters(recording, masters, room)
    if is_measured(origin):  # what was behind its port when it began
        origin = (made.header.model_extra or {}).get("origin", origin)
    with open_recording(recording) as file:
        size, sha256 = copy_into(file, None)
    return GaugeChecked(
        gauge=gauge,
        bench=bench,
        by=by,
        signed=signed,
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
        method=METHOD,
        room=room,
    )
