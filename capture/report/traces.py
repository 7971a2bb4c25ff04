"""The readings of a check for its picture, from its recording, measured again by the code that measured it live.

A recording that is not there, or cannot be used, is no reason for no report: then words stand in its place. How the
picture is drawn is not known here.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path

from capture.custody.verify import recording_of
from capture.record import KeptCheck
from capture.recordings.file import RecordingError, RecordingWarning
from capture.recordings.replay import Replay
from capture.sheet.sheet import Sheet, SheetError


@dataclass(frozen=True, slots=True)
class Trace:
    """What a check's recording shows: readings as displayed, (ns since it began, nm), and what must be said of it."""

    readings: tuple[tuple[int, int], ...] = ()
    gaps_ns: tuple[int, ...] = ()
    """When the indicator was lost."""
    missing: str = ""
    """Why there are no readings, in words; else empty."""
    doubt: str = ""
    """Why the readings may not be those that were judged, in words; else empty."""


def trace_of(check: KeptCheck, record: Path, sheet: Sheet | None, *, pruned: bool) -> Trace:
    """Return the readings of a check of the record at `record`; `pruned` says that its recording was removed by
    policy. Never raises for a recording that is missing or no good."""
    path = recording_of(check, record)
    if not path.is_file():
        if pruned:
            return Trace(missing=f"The recording {path.name} was removed by policy; the record says so.")
        return Trace(
            missing=f"The recording {path.name} is missing: it is not in the record's data folder. What is printed "
            "here is what the record holds."
        )
    try:
        pack = sheet.pack(check.pack) if sheet else None
    except SheetError:
        pack = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RecordingWarning)  # a check cut off by a crash ends in half a line
            replay = Replay(
                path,
                pack,
                sheet.display_unit if sheet else "mm",
                sheet.air if sheet else None,
                stop_when_settled=True,
                keep_readings=True,
            )
            again = [kept.stroke for kept in replay.strokes()]
    except RecordingError as error:
        return Trace(missing=f"The recording cannot be drawn: {error}")
    doubt = ""
    if pack is None:
        doubt = "This pack is not in the build sheet kept with the job, so its strokes were not derived again."
    elif check.verdict is not None and again != [one.stroke for one in check.strokes]:
        doubt = (
            "The recording found there gives other strokes than the record holds: the picture is of the recording, the "
            "numbers are the record's."
        )
    return Trace(tuple(replay.readings), tuple(replay.gaps_ns), doubt=doubt)
