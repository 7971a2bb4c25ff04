"""An uncertainty budget: its lines, their distributions and what they come to (JCGM 100 and 101). Lengths nm."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from capture.clearance.distribution import Distribution, Term, rectangle, scaled_t, two_points
from capture.clearance.gauge.error_found import DRIFT_SHARE, LOCAL_SHARE, OF_THE_GAUGE

#: How a line of a budget is distributed (JCGM 101, table 1). A t of unlimited degrees of freedom is normal.
Shape = Literal["t", "rectangular", "triangular", "two points"]

#: The lines of a budget that are the same in every check with one indicator, however it is set up.
OF_THE_INDICATOR: Final = OF_THE_GAUGE | {"maximum error", "hysteresis"}
#: The basis of the maker's limit of error, where no check of the gauge stands for it.
NOT_CHECKED: Final = "rectangular, a/sqrt(3); not checked against a master"


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One row of an uncertainty budget: where it comes from, its standard uncertainty in nm, its dof and shape."""

    source: str
    standard_nm: float
    dof: float
    basis: str
    distribution: Shape = "t"

    @property
    def terms(self) -> tuple[Term, ...]:
        """What it adds to the distribution of the clearance."""
        if self.distribution == "rectangular":
            return (rectangle(math.sqrt(3) * self.standard_nm),)
        if self.distribution == "triangular":
            return (rectangle(math.sqrt(1.5) * self.standard_nm),) * 2
        if self.distribution == "two points":
            return (two_points(self.standard_nm),)
        return (scaled_t(self.standard_nm, self.dof),)


def effective_dof(budget: Sequence[BudgetLine]) -> float:
    """Return the Welch-Satterthwaite effective degrees of freedom (JCGM 100, G.4.1), inf if all are."""
    combined = math.fsum(line.standard_nm**2 for line in budget)
    shared = math.fsum(line.standard_nm**4 / line.dof for line in budget if not math.isinf(line.dof))
    return combined**2 / shared if shared > 0 else math.inf


def spread_of(budget: Iterable[BudgetLine]) -> Distribution:
    """Return how what is not known of the clearance is distributed about the mean."""
    return Distribution.of(term for line in budget for term in line.terms)


def if_checked(budget: Sequence[BudgetLine]) -> tuple[BudgetLine, ...] | None:
    """Return the budget as it would be with a check of the gauge against a master that finds no error; None where
    nobody's check could stand for a line of it.

    The check is taken to read the master in its three strokes as the strokes of this budget repeat and are rounded, and
    to leave what a first check leaves (`gauge.error_found`): a local error and a morning's drift.
    """
    limit = next((line for line in budget if line.basis == NOT_CHECKED), None)
    if limit is None:
        return None
    most = math.sqrt(3) * limit.standard_nm
    kept = [line for line in budget if line is not limit]
    by = {line.source: line for line in kept}
    repeats, rounding = by["repeatability"], by["resolution"]
    return (
        *kept,
        replace(repeats, source="check's repeats", standard_nm=repeats.standard_nm * math.sqrt((repeats.dof + 1) / 3)),
        replace(rounding, source="check's resolution"),
        BudgetLine("local error", most * LOCAL_SHARE / math.sqrt(3), math.inf, "assumed", "rectangular"),
        BudgetLine("drift", most * DRIFT_SHARE, math.inf, "assumed"),
    )
