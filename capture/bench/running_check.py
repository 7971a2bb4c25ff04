"""One check being measured: its row in the record, its recording, and the cores that it feeds.

Bytes are handed to the recording before anything is made of them, in the order in which they are taken. It records no
stroke and no verdict; the daemon does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from capture.air.button import StrokesToMake
from capture.bench.setup import BenchSetup
from capture.clearance.check import MOST_TIMES, Check
from capture.clearance.remarks import AIR_MAY_HAVE_BEEN_ON
from capture.clearance.verdict import MOST_STROKES
from capture.plumbing.file_name import file_name
from capture.recordings.file import AIR_OFF_NOTE, FIXTURE_GAP_NOTE, FORM, GAP_NOTE, RecordingWriter
from capture.recordings.queued import QueuedRecording
from capture.recordings.stream import FixtureStream, IndicatorStream, limits_of
from capture.sheet.sheet import Pack
from capture.strokes.machine import Notice
from capture.strokes.stroke import Stroke
from drivers.reading import Reading


def since(anchor_ns: int, t_ns: int, speed: float) -> int:
    """Time on the bench's clock since `anchor_ns`; bytes that waited from before it count as arriving at it."""
    return int(max(0, t_ns - anchor_ns) * speed)


@dataclass(slots=True)
class RunningCheck:
    """A check, fed with what arrives at monotonic times."""

    id: int
    pack: Pack
    check: Check
    stream: IndicatorStream
    recording: QueuedRecording
    started_ns: int
    speed: float
    technician: str
    """Who began it."""
    measured: bool = False
    """Whether nothing more belongs to it: its verdict is there, and may still have to be recorded."""

    @classmethod
    def of(
        cls,
        setup: BenchSetup,
        check_id: int,
        pack: Pack,
        recording: QueuedRecording,
        started_ns: int,
        gauge: dict[str, Any] | None = None,
        technician: str = "",
    ) -> RunningCheck:
        """Return the check of a pack whose row and recording have been begun; `gauge` is what they keep of it."""
        fixture = None
        if setup.fixture is not None and pack.moved_by == "air":
            air = setup.sheet.air
            fixture = FixtureStream(
                setup.fixture.driver, setup.fixture.settings, air.window_pa if air else None, pack.pressure_unit
            )
        stream = IndicatorStream(setup.driver, setup.settings, pack.measure, fixture)
        check = Check(pack, limits_of(setup.settings, gauge), unit=setup.sheet.display_unit)
        return cls(check_id, pack, check, stream, recording, started_ns, setup.speed, technician)

    @property
    def strokes_to_make(self) -> StrokesToMake:
        """How many strokes its verdict takes."""
        pack = self.pack
        return StrokesToMake(pack.seat_strokes, pack.strokes, min(MOST_STROKES, MOST_TIMES * pack.strokes))

    def _at(self, t_ns: int) -> int:
        return since(self.started_ns, t_ns, self.speed)

    def feed(self, t_ns: int, data: bytes) -> tuple[list[Reading], list[Stroke]]:
        """Record and take the indicator's bytes; return the readings and the strokes they complete."""
        found = self.stream.feed(self.recording.stream(self._at(t_ns), "indicator", data), data)
        self._ask_for_air()
        return found

    @property
    def asks_for_air(self) -> bool:
        """Whether it may have begun while the air was on."""
        finder = self.stream.moving
        by_air = self.pack.moved_by == "air"
        return by_air and not self.measured and finder is not None and Notice.AIR_WAS_ON in finder.notices

    def _ask_for_air(self) -> None:
        asked = self.stream.air_may_have_been_on
        self.check.tell_air_at_start(AIR_MAY_HAVE_BEEN_ON if asked else "")

    def air_was_off(self, t_ns: int) -> None:
        """The technician says that the air was off when it began."""
        self.recording.mark(self._at(t_ns), {"note": AIR_OFF_NOTE})
        self.stream.deny_air()
        self._ask_for_air()

    def feed_fixture(self, t_ns: int, data: bytes) -> None:
        """Record and take the fixture's bytes."""
        self.stream.feed_fixture(self.recording.stream(self._at(t_ns), "fixture", data), data)

    def lost(self, t_ns: int) -> list[Stroke]:
        """The indicator's port was lost."""
        return self.stream.lost(self.recording.mark(self._at(t_ns), {"note": GAP_NOTE}))

    def fixture_lost(self, t_ns: int) -> None:
        """The fixture's port was lost."""
        self.stream.fixture_lost(self.recording.mark(self._at(t_ns), {"note": FIXTURE_GAP_NOTE}))

    def finish(self, t_ns: int, note: str) -> list[Stroke]:
        """The check ends before its verdict; return the strokes that were still being held back."""
        return self.stream.finish(self.recording.mark(self._at(t_ns), {"note": note}))


def begin_recording(
    setup: BenchSetup,
    job_id: int,
    job: UUID,
    pack: Pack,
    technician: str,
    origin: Mapping[str, Any],
    now: datetime,
    gauge: dict[str, Any] | None = None,
) -> tuple[RecordingWriter, Path]:
    """Begin the recording of a check, in the job's folder; its header says where it comes from. Raises
    RecordingError."""
    name = f"{now:%Y%m%dT%H%M%S}-{file_name(pack.name)}-{uuid4().hex[:6]}.jsonl"
    path = setup.data_dir / "recordings" / f"job-{job_id:05d}" / name
    header: dict[str, Any] = {
        "recording": FORM,
        "started": now.isoformat(),
        "bench": setup.bench,
        "indicator": setup.indicator,
        "origin": dict(origin),
    }
    if setup.fixture_header is not None:
        header["fixture"] = setup.fixture_header
    if gauge is not None:
        header["gauge"] = gauge
    recording = RecordingWriter(path, header)
    recording.mark(0, {"job": str(job), "pack": pack.name, "tech": technician, "note": "check"})
    return recording, path
