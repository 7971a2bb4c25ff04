"""Leads through a check against masters: strokes in, the next thing to do out. No I/O and no clock."""

from __future__ import annotations

from collections.abc import Sequence

from capture.clearance.gauge.master_check import ANOTHER_PIECE_NM, REPEATS, nearest_master, worth_something
from capture.clearance.gauge.masters import Master
from capture.strokes.stroke import Stroke
from drivers.units import format_length


class GuidedCheck:
    """One check as it goes: the first master in and out three times, each other one once."""

    def __init__(self, masters: Sequence[Master]) -> None:
        """`masters` are in the order in which they are slid under; raises ValueError for none."""
        if not masters:
            raise ValueError("no master named; expected one or more")
        self.masters = tuple(masters)
        self.strokes: list[Stroke] = []
        self._counts = dict.fromkeys(self.masters, 0)
        self._said = ""

    @property
    def done(self) -> bool:
        """Whether every master was slid under as often as it takes."""
        return all(self._left(master) == 0 for master in self.masters)

    def _left(self, master: Master) -> int:
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
            self._said = f"The gauge reads {format_length(stroke.held_travel_nm, 'mm')}: no master named. "
            return
        self._counts[master] += 1

    @property
    def next_step(self) -> str:
        """The next thing to do, in words."""
        for master in self.masters:
            if left := self._left(master):
                name = f"{format_length(master.nominal_nm, 'mm')} {master.kind} {master.serial}"
                if not self.strokes:
                    return f"Tip on the anvil, leave it for a second. Then slide the {name} under it, and out."
                times = "once" if left == 1 else f"{left} times"
                more = " more" if self._counts[master] else ""
                return f"{self._said}Slide the {name} in and out, {times}{more}."
        return f"{self._said}Done."
