"""A recording of masters slid under the tip, measured: the same way live, again from its file, and in a proof."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from capture.clearance.gauge.linearity import Linearity
from capture.clearance.gauge.master_check import CheckSettings, MasterCheck, checked, linearity_in
from capture.clearance.gauge.masters import Master, Room
from capture.recordings.file import Header
from capture.recordings.replay import Replay
from capture.recordings.stream import indicator_from
from capture.strokes.stroke import Stroke


@dataclass(frozen=True, slots=True)
class MastersMeasured:
    """What a recording says of the gauge that made it."""

    header: Header
    strokes: tuple[Stroke, ...]
    settings: CheckSettings
    check: MasterCheck
    linearity: Linearity | None


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
