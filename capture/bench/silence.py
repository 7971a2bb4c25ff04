"""Whether readings come through an open port, and what people are told while none do. Pure: no clock, no I/O.

Theory. A display is live only while readings come. Bytes alone are no sign of that: a wrong speed, a wrong wire form, a
switched unit or a bad cable goes on sending bytes of which no reading is made, and the last number would stand there as
if the pack rested. So readings are waited for. Bytes only tell the two causes apart: nothing comes, or what comes
cannot be read. A reading that lost digits on its way is none: no stroke is measured with it.

An indicator that sends at a press is silent for as long as nobody presses, and what it shows is not claimed to be live.
Of it only that is told of which no reading could be made.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from drivers.reading import CUT_SHORT, TOO_MANY_DIGITS, Reading

#: Without a reading for so long the display is not live. Indicators send several a second (common practice).
SILENT_NS: Final = 3_000_000_000
#: Bytes this new say that the indicator is sending.
_LATELY_NS: Final = 1_500_000_000
#: What a press sends is there within this, and is longer than what may end a line after its reading, bytes.
_ONE_PRESS_NS: Final = 500_000_000
_LINE_END: Final = 2

Silence = Literal["", "nothing comes", "cannot be read"]

_ASKS: Final[dict[Silence, str]] = {
    "": "",
    "nothing comes": "The indicator is connected but sends no readings: check that it is on.",
    "cannot be read": (
        "The indicator is connected but no reading comes: what it sends cannot be read. Check speed, driver and wiring."
    ),
}


def worthy(readings: Iterable[Reading]) -> list[Reading]:
    """Return the readings that lost no digits on their way."""
    return [reading for reading in readings if CUT_SHORT not in reading.flags and TOO_MANY_DIGITS not in reading.flags]


def told_of(silence: Silence) -> str:
    """Return what others are told of a bench that hears no readings; empty where it does."""
    return _ASKS[silence]


@dataclass(slots=True)
class Heard:
    """When the newest reading and the newest bytes came, ns of one clock, since the port was opened at `reading_ns`."""

    reading_ns: int
    bytes_ns: int | None = None
    at_press: bool = False
    """Whether it sends at a press only."""
    unread: int = 0
    """Bytes since the newest reading."""

    def opened(self, t_ns: int) -> None:
        """The port was opened: it is given its time from now."""
        self.reading_ns, self.bytes_ns, self.unread = t_ns, None, 0

    def take(self, t_ns: int, readings: Iterable[Reading], size: int) -> bool:
        """So many bytes came, with the readings that they completed; say whether one of those is worth the name."""
        self.bytes_ns = t_ns
        self.unread += size
        heard = bool(worthy(readings))
        if heard:
            self.reading_ns, self.unread = t_ns, 0
        return heard

    def silence(self, now_ns: int) -> Silence:
        """Return why no reading comes, empty while readings do."""
        if self.at_press:
            there = self.bytes_ns is not None and now_ns - self.bytes_ns > _ONE_PRESS_NS
            return "cannot be read" if there and self.unread > _LINE_END else ""
        if now_ns - self.reading_ns <= SILENT_NS:
            return ""
        sends = self.bytes_ns is not None and now_ns - self.bytes_ns <= _LATELY_NS
        return "cannot be read" if sends else "nothing comes"

    def warning(self, now_ns: int) -> str:
        """Return what the people at the bench are warned of, empty while readings come."""
        silence = self.silence(now_ns)
        if not silence:
            return ""
        if self.at_press:
            return (
                "What was sent cannot be read. Did the indicator switch its unit? Else check the speed (baud), the "
                "driver and the wiring; then send it again."
            )
        why = (
            "check that the indicator is on and sending."
            if silence == "nothing comes"
            else "bytes come, but they cannot be read. Did the indicator switch its unit? Else check the speed (baud), "
            "the driver and the wiring."
        )
        seconds = (now_ns - self.reading_ns) / 1e9
        return f"No readings for {seconds:.0f} s. Do not apply air by this display: {why}"
