"""Leads through a check against masters: strokes in, the next thing to do out. No I/O and no clock."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from capture.clearance.gauge.linearity import LEAST_MASTERS
from capture.clearance.gauge.master_check import ANOTHER_PIECE_NM, REPEATS, nearest_master, worth_something
from capture.clearance.gauge.masters import Master
from capture.strokes.stroke import Stroke
from drivers.units import format_length


class GuidedCheck:
    """One check as it goes: the first master in and out three times, each other one once. Five masters or more are a
    linearity: each in and out once on the way up and once on the way down, three times. What reads far from every
    master as often as a check takes is another piece, or a gauge that is out: then it is over too, and is refused."""

    def __init__(self, masters: Sequence[Master]) -> None:
        """`masters` are in the order in which they are slid under; raises ValueError for none."""
        if not masters:
            raise ValueError("no master named; expected one or more")
        self.masters = tuple(masters)
        self.strokes: list[Stroke] = []
        self._counts = dict.fromkeys(self.masters, 0)
        up = sorted(self.masters, key=lambda master: master.value_nm)
        self._cycles = [*up, *reversed(up)] * REPEATS if len(up) >= LEAST_MASTERS else []
        """Of a linearity: the masters in the order in which they are slid under."""
        self._said = ""
        self._far = 0
        """How often something was slid under that reads far from every master."""

    @property
    def done(self) -> bool:
        """Whether every master was slid under as often as it takes, or something else was."""
        return self._far >= REPEATS or all(self._left(master) == 0 for master in self.masters)

    def _left(self, master: Master) -> int:
        if self._cycles:
            return max(0, 2 * REPEATS - self._counts[master])
        wanted = REPEATS if master is self.masters[0] else 1
        return max(0, wanted - self._counts[master])

    def take(self, stroke: Stroke) -> None:
        """Take the next stroke."""
        self.strokes.append(stroke)
        self._said = ""
        if not worth_something(stroke):
            self._said = f"That one does not count ({', '.join(stroke.flags)}). "
            return
        master = nearest_master(stroke, self.masters)
        if abs(stroke.held_travel_nm - master.value_nm) > ANOTHER_PIECE_NM:
            self._far += 1
            self._said = f"The gauge reads {format_length(stroke.held_travel_nm, 'mm')}: no master named. "
            return
        self._counts[master] += 1

    @property
    def next_step(self) -> str:
        """The next thing to do, in words."""
        if self._cycles and not self.done:
            return self._next_of_cycle()
        for master in () if self.done else self.masters:
            if left := self._left(master):
                name = _name(master)
                if not self.strokes:
                    return f"Tip on the anvil, leave it for a second. Then slide the {name} under it, and out."
                times = "once" if left == 1 else f"{left} times"
                more = " more" if self._counts[master] else ""
                return f"{self._said}Slide the {name} in and out, {times}{more}."
        return f"{self._said}Done."

    def _next_of_cycle(self) -> str:
        made = sum(self._counts.values())
        ahead = self._cycles[made:] or [master for master in self.masters if self._left(master)]
        master = next((one for one in ahead if self._left(one)), next(one for one in self.masters if self._left(one)))
        if not self.strokes:
            return f"Tip on the anvil, leave it for a second. Then slide the {_name(master)} under it, and out."
        return f"{self._said}Slide the {_name(master)} in and out ({made + 1} of {len(self._cycles)})."


def told_apart(masters: Sequence[Master], on: date, reach_nm: int) -> list[Master]:
    """Return the masters that a gauge with so much travel (nm, 0 for not known) can be checked against on a day: whose
    certificates hold, that it reaches, and that their reading tells from those named before them."""
    kept: list[Master] = []
    for master in masters:
        alike = any(abs(master.value_nm - one.value_nm) <= 2 * ANOTHER_PIECE_NM for one in kept)
        if not alike and not master.overdue(on) and (not reach_nm or master.value_nm < reach_nm):
            kept.append(master)
    return kept


def _name(master: Master) -> str:
    return f"{format_length(master.nominal_nm, 'mm')} {master.kind} {master.serial}"
