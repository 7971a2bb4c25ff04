"""The indicator as it stands now: its link, whether readings come, the newest one, and the trace of those before it.

No I/O and no clock. Times are ns of the bench's clock since the session began, lengths nm.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Literal

from capture.bench.silence import Heard, Silence, worthy
from capture.mqtt.link_state import LinkState
from capture.recordings.stream import IndicatorStream
from capture.strokes.machine import Notice, StrokeState
from drivers.indicators.protocol import Sends
from drivers.reading import Reading

__all__ = ["Dial"]

Moving = Literal["rest", "moving", "applied", "returning", "unknown"]


class Dial:
    """Fed with what the port brings, whatever it is measured for."""

    def __init__(self, text: str, sends: Sends = "stream") -> None:
        """`text` names the port and the wire form."""
        self._name = text
        self.link: LinkState = "connecting"
        self.text = text
        """Port and wire form, or why the port is down and what to do."""
        self.was_open = False
        """Whether the port was open since the session began: one that never was may be the wrong one."""
        self.silence: Silence = ""
        """Why no reading comes though the port is open; empty while readings come."""
        self.warning = ""
        """The same for whoever is about to apply air."""
        self.reading_nm: int | None = None
        self.offset_nm: int | None = None
        """The newest travel from rest, None before the rest level is known."""
        self.moving: Moving = "unknown"
        self.notices: tuple[Notice, ...] = ()
        """What a person should know of the readings, what matters most first."""
        self.trace: deque[tuple[int, int]] = deque(maxlen=4000)
        """Recent (t_ns, offset_nm)."""
        self.at_press = sends == "on-press"
        """Whether the reading is that of the newest press."""
        self._heard = Heard(0, at_press=self.at_press)

    def opened(self, now_ns: int) -> None:
        """The port is open."""
        self._heard.opened(now_ns)
        self.link, self.text, self.was_open = "up", self._name, True

    def lost(self, reason: str) -> None:
        """The port is gone; an open one that is silent is no longer the trouble."""
        self.link, self.text = "down", reason
        self.silence = self.warning = ""
        self._no_reading()

    def take(self, now_ns: int, t_ns: int, size: int, stream: IndicatorStream, readings: Sequence[Reading]) -> bool:
        """`size` bytes came at `t_ns` and completed these readings of `stream`; say whether one is worth the name."""
        heard = self._heard.take(now_ns, readings, size)
        values = [reading.value_nm for reading in worthy(readings)]
        if values:
            finder = stream.finder
            self.reading_nm, self.offset_nm = values[-1], finder.offset(values[-1])
            self.moving = finder.state.value
            if finder.state is not StrokeState.STARTING:
                # A terminal shows a few hundred points; a burst of a fast stream is thinned to its newest.
                self.trace.extend((t_ns, finder.offset(value) or 0) for value in values[-16:])
        if readings:
            self.notices = stream.finder.notices
        return heard

    def look(self, now_ns: int) -> bool:
        """Look whether readings still come; say whether anything is to be shown of that."""
        before = self.silence
        self.silence, self.warning = self._heard.silence(now_ns), self._heard.warning(now_ns)
        if self.silence:
            self._no_reading()
        return bool(self.silence or before)

    def _no_reading(self) -> None:
        # An old reading must not stand there as if the pack were seen.
        self.reading_nm = self.offset_nm = None
        self.moving = "unknown"
