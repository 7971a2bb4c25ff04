"""A study as it is worked off at a bench over days: what is planned, what was measured, and what is next. No I/O and no
clock; lengths nm."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from capture.clearance.gauge.facts import GaugeEntry, StudyKept, StudyMeasured, StudyPlanned, study_kept
from capture.clearance.gauge.study import Cell, Row, plan, studied


@dataclass(frozen=True, slots=True)
class OpenStudy:
    """A study that is not worked off yet."""

    number: int
    """Its plan's entry in the ledger."""
    plan: StudyPlanned
    measured: tuple[StudyMeasured, ...]

    @property
    def cells(self) -> list[Cell]:
        """Every measurement of it, in the order of the plan."""
        return plan(self.plan.parts, self.plan.operators, self.plan.trials, self.plan.seed)

    @property
    def left(self) -> list[Cell]:
        """Those that are still to be made."""
        done = {one.cell for one in self.measured}
        return [cell for cell in self.cells if cell not in done]

    def next_for(self, operator: str, unit: str) -> Cell | None:
        """Return what a technician measures next on a unit, None where nothing of it is his."""
        fits = (cell for cell in self.left if cell.operator == operator and unit_of(cell.part) in ("", unit))
        return next(fits, None)

    def left_words(self) -> str:
        """Return whose measurements are left, and on which units."""
        counts: dict[str, int] = {}
        for cell in self.left:
            where = f" on unit {unit_of(cell.part)}" if unit_of(cell.part) else ""
            counts[f"{cell.operator}{where}"] = counts.get(f"{cell.operator}{where}", 0) + 1
        return ", ".join(f"{who}: {count}" for who, count in counts.items())

    def kept(self) -> StudyKept:
        """Return what it came to. Raises StudyError while something of it is left."""
        rows = [Row(one.part, one.operator, float(one.value_nm)) for one in self.measured]
        within = math.sqrt(math.fsum(one.within_nm**2 for one in self.measured) / len(self.measured))
        return study_kept(self.plan.gauge, rows, studied(rows), within, self.plan.by)


def pack_of(part: str) -> str:
    """Return the pack of a part of a study: "TR-7/C1" is pack C1 of unit TR-7, "C1" is of whichever unit is there."""
    return part.rpartition("/")[2]


def unit_of(part: str) -> str:
    """Return the unit of a part of a study, empty where it names none."""
    return part.rpartition("/")[0]


def open_study(entries: Sequence[GaugeEntry], gauge: str) -> OpenStudy | None:
    """Return the study that was planned last with a gauge, None once it is worked off."""
    planned: GaugeEntry | None = None
    measured: list[StudyMeasured] = []
    for entry in entries:
        fact = entry.fact
        if isinstance(fact, StudyPlanned) and fact.gauge == gauge:
            planned, measured = entry, []
        elif isinstance(fact, StudyMeasured) and planned is not None and fact.plan == planned.number:
            measured.append(fact)
    if planned is None or not isinstance(planned.fact, StudyPlanned):
        return None
    found = OpenStudy(planned.number, planned.fact, tuple(measured))
    return found if found.left else None
