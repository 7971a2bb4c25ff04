"""Times of a report for people: local, with the offset from UTC said once where it is always the same."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime


class Times:
    """Writes the times of one report. `zone` says how they are to be read."""

    def __init__(self, times: Iterable[datetime]) -> None:
        offsets = {_offset(at) for at in times}
        self._each = len(offsets) != 1
        self.zone = "Times are local, with their offset from UTC." if self._each else f"Times are UTC{offsets.pop()}."

    def text(self, at: datetime) -> str:
        """Return the date and time to the minute."""
        return f"{at.astimezone():%Y-%m-%d %H:%M}{f' {_offset(at)}' if self._each else ''}"

    def clock(self, at: datetime) -> str:
        """Return the time alone, for the end of what began the same day."""
        return f"{at.astimezone():%H:%M}"


def _offset(at: datetime) -> str:
    offset = at.astimezone().strftime("%z")
    return f"{offset[:3]}:{offset[3:5]}"
