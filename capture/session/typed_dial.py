"""The reading of a dial with a needle, typed at the bench: digits, point and Enter, as on a numeric keypad."""

from __future__ import annotations

from collections.abc import Callable
from statistics import median_low

from capture.bench.bench import Bench
from drivers.reading import OFF_GRID, OUT_OF_RANGE, Reading
from drivers.units import format_length

#: What a reading is typed with.
WRITES = frozenset("0123456789.,+-")
_LONGEST = 12
#: A travel further from those before than this part of them asks whether it was meant (common practice).
_FAR_OFF = 4
#: No dial of a bench shows more (common practice: 10 mm to 50 mm).
_MOST_SHOWN_NM = 100_000_000
#: And so much is a point that was left out, whoever says otherwise.
_NO_DIAL_NM = 1_000_000_000


class TypedDial:
    """What is being typed as a reading. Feed it keys; what is odd is asked about once, and taken at a second Enter."""

    def __init__(self, bench: Bench, say: Callable[[str], None]) -> None:
        self._bench, self._say = bench, say
        self.entry = ""
        self._asked = ""
        """What was asked about and is taken if it is entered again."""

    @property
    def takes_keys(self) -> bool:
        """Whether a reading is asked for now."""
        made = self._bench.gauge.check
        measuring = not self._bench.finished.is_set() or (made is not None and not made.measured)
        return self._bench.setup.driver.typed and measuring

    def key(self, key: str) -> bool:
        """Act on a key; say whether it was for the reading."""
        if not self.takes_keys:
            self.entry = self._asked = ""
            return False
        if key in WRITES:
            self.entry = (self.entry + key)[:_LONGEST]
        elif key == "backspace":
            self.entry = self.entry[:-1]
        elif key == "escape" and self.entry:
            self.entry = ""
        elif key == "enter":
            self._enter()
        elif self.entry and len(key) == 1:
            self._say(f"{key} is no figure: Enter takes {self.entry}, Escape leaves it.")
        else:
            return False
        return True

    def scanned(self, text: str) -> bool:
        """Take a whole line at once, as from an indicator that types; say whether it is a reading."""
        if not self.takes_keys or self._read(text) is None:
            return False
        self.entry = text.strip()
        self._enter()
        return True

    def _read(self, text: str) -> Reading | None:
        setup = self._bench.setup
        readings = setup.driver.decoder(setup.settings).feed(f"{text}\r".encode("ascii", "replace"))
        return readings[0] if len(readings) == 1 else None

    def _enter(self) -> None:
        reading = self._read(self.entry)
        if reading is None:
            said = f"{self.entry} is no reading." if self.entry else "Nothing is typed."
            self._say(f"{said} Type what the needle shows, such as 1.25, then Enter.")
            return
        if abs(reading.value_nm) > _NO_DIAL_NM:
            self._say(f"{format_length(reading.value_nm, reading.unit)} is no dial's reading; Backspace changes it.")
            return
        if self._asked != self.entry and (odd := self._odd(reading)):
            self._asked = self.entry
            self._say(f"{odd} Enter again takes it; Backspace changes it.")
            return
        self._bench.typed(self.entry)
        self.entry = self._asked = ""

    def _odd(self, reading: Reading) -> str:
        """Return what asks for a second look at a reading; empty for nothing."""
        settings, unit = self._bench.setup.settings, reading.unit
        shown = format_length(reading.value_nm, unit)
        if OUT_OF_RANGE in reading.flags and settings.range is not None:
            low, high = (format_length(end, unit) for end in settings.range)
            return f"{shown} is outside the dial's range, {low} to {high}."
        if OFF_GRID in reading.flags:
            return f"{shown} is no whole division of the scale ({format_length(settings.resolution_nm, unit)})."
        if settings.range is None and abs(reading.value_nm) > _MOST_SHOWN_NM:
            return f"{shown} is more than a dial shows."
        running = self._bench.state.running
        travel = running.stream.finder.offset(reading.value_nm) if running is not None else None
        if running is None or travel is None:
            return ""
        went = f"{shown} is {format_length(abs(travel), unit)} from rest"
        before = [kept.stroke.peak_travel_nm for kept in self._bench.state.strokes if kept.counts]
        if not before:
            far = abs(travel) > _FAR_OFF * running.pack.high_nm
            return f"{went}, and the range ends at {format_length(running.pack.high_nm, unit)}." if far else ""
        usual = median_low(before)
        if min(abs(travel), abs(abs(travel) - usual)) * _FAR_OFF <= usual:
            return ""
        least, most = (format_length(end, unit) for end in (min(before), max(before)))
        return f"{went}, and the strokes before went {least if least == most else f'{least} to {most}'}."
