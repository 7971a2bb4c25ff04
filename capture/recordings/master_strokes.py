"""A recording of masters slid under the tip, measured: the same way live, again from its file, and in a proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

from capture.clearance.gauge.guided import GuidedCheck
from capture.clearance.gauge.linearity import Linearity
from capture.clearance.gauge.master_check import CheckSettings, MasterCheck, checked, linearity_in
from capture.clearance.gauge.masters import Master, Room
from capture.recordings.file import GAP_NOTE, Header
from capture.recordings.replay import Replay
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.strokes.stroke import Stroke
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.reading import Reading


@dataclass(frozen=True, slots=True)
class MastersMeasured:
    """What a recording says of the gauge that made it."""

    header: Header
    strokes: tuple[Stroke, ...]
    settings: CheckSettings
    check: MasterCheck
    linearity: Linearity | None


class Records(Protocol):
    """Where a check's bytes and marks go, each at a time on the recording's clock, which it returns."""

    def stream(self, t_ns: int, kind: Literal["indicator", "fixture"], data: bytes, /) -> int:
        """Record received bytes."""

    def mark(self, t_ns: int, note: dict[str, Any], /) -> int:
        """Record a mark."""


class MastersLed:
    """A check against masters as it goes: what its port brings is recorded, measured, and followed by the next step."""

    def __init__(
        self, driver: IndicatorDriver, settings: IndicatorSettings, masters: Sequence[Master], recording: Records
    ) -> None:
        self.guided = GuidedCheck(masters)
        self.stream, self._recording = IndicatorStream(driver, settings), recording

    def feed(self, t_ns: int, data: bytes) -> list[Reading]:
        """Take the indicator's bytes; return the readings."""
        readings, strokes = self.stream.feed(self._recording.stream(t_ns, "indicator", data), data)
        self._take(strokes)
        return readings

    def lost(self, t_ns: int) -> None:
        """The indicator's port was lost: a replay breaks the stream there too."""
        self._take(self.stream.lost(self._recording.mark(t_ns, {"note": GAP_NOTE})))

    def _take(self, strokes: Sequence[Stroke]) -> None:
        for stroke in strokes:
            if not self.guided.done:
                self.guided.take(stroke)


def _settings_for(indicator: dict[str, Any], room: Room) -> CheckSettings:
    """Return what the indicator of a recording's header says that a check of it needs.

    Raises LookupError for an unknown driver and pydantic's ValidationError for a bad setting.
    """
    settings = indicator_from(indicator)[1]
    return CheckSettings(settings.resolution_nm, settings.max_error, room)


def measured(header: Header, strokes: Sequence[Stroke], masters: Sequence[Master], room: Room) -> MastersMeasured:
    """Return what strokes over masters say."""
    settings = _settings_for(header.indicator, room)
    check = checked(strokes, masters, settings, header.started.astimezone().date())
    found = linearity_in(strokes, masters, room) if check.refusal is None else None
    return MastersMeasured(header, tuple(strokes), settings, check, found)


def measure_masters(path: Path, masters: Sequence[Master], room: Room) -> MastersMeasured:
    """Measure a recording of masters, in the order they are named. Raises RecordingError."""
    replay = Replay(path)
    strokes = [kept.stroke for kept in replay.strokes()]
    return measured(replay.header, strokes, masters, room)
