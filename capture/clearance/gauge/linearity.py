"""The gauge's error over its range: five or more masters, up and down. Pure; lengths nm.

Theory. e = a + b x by least squares, all masters slid under equally often (NIST/SEMATECH e-Handbook, 2.3.6.7 and
4.4.4.6). What is left at each master beyond its repeats' spread is lack of fit; F says whether it is more than chance.
Where it is, a line describes the gauge badly: the errors found at the masters are used as they are, and what may hide
between two of them is told by how far they are from a line. Up and down makes what drifts meanwhile even out. It shows
no play: between two masters the tip is on the anvil, so it comes to each from below, whatever the order (the room's
README, D10).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from capture.clearance.gauge.spread import Spread, mean_of, one_way

#: What a test must show before it is believed (common practice).
_SURE = 0.95
LEAST_MASTERS = 5


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A straight line through readings y at x, and how well it is known."""

    intercept: float
    slope: float
    intercept_sd: float
    slope_sd: float
    residual: Spread

    def at(self, x: float) -> float:
        """Return the line at `x`."""
        return self.intercept + self.slope * x


@dataclass(frozen=True, slots=True)
class Play:
    """By how much masters read differently on the way down, as the first two ways of measuring told it. Lengths nm."""

    nm: float
    standard_nm: float
    dof: int


@dataclass(frozen=True, slots=True)
class Linearity:
    """What masters over the range say."""

    line: FittedLine
    lack_of_fit_f: float | None
    """None where repeats do not scatter at all, and there is nothing to tell it from."""
    lack_of_fit_p: float
    """How probable as much lack of fit is by chance."""
    table: tuple[tuple[int, float], ...]
    """The mean error at each master's value, in the order of values: (nm, nm)."""
    local_nm: float
    """The largest distance of a table's point from the line through its neighbours: what may hide between two."""
    play: Play | None = None
    """Only of records from the first two ways of measuring."""

    @property
    def fits(self) -> bool:
        """Whether the line describes the gauge."""
        return self.lack_of_fit_p > 1 - _SURE

    @property
    def spoken(self) -> str:
        """What it says, in a sentence."""
        return (
            f"Over the range: {self.line.slope * 1000:+.2f} um a mm, up to {self.local_nm / 1000:.1f} um between two "
            f"masters; {'a line fits' if self.fits else 'no line fits'}."
        )


def fitted(x: Sequence[float], y: Sequence[float]) -> FittedLine:
    """Return the least-squares line. Raises ValueError for fewer than three points, or all at one place."""
    middle, count = mean_of(x), len(x)
    wide = math.fsum((one - middle) ** 2 for one in x)
    if count < 3 or not wide:
        raise ValueError(f"no line through {count} readings at one place; expected three or more at several")
    level = mean_of(y)
    slope = math.fsum((a - middle) * (b - level) for a, b in zip(x, y, strict=True)) / wide
    intercept = level - slope * middle
    left = math.fsum((b - intercept - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    sd = math.sqrt(left / (count - 2))
    return FittedLine(
        intercept, slope, sd * math.sqrt(1 / count + middle**2 / wide), sd / math.sqrt(wide), Spread(sd, count - 2)
    )


def linearity(readings: Sequence[tuple[int, Sequence[float]]]) -> Linearity:
    """Return the linearity from each master's value and its readings, all nm.

    Raises ValueError for fewer than five masters, or one that was read once.
    """
    if len(readings) < LEAST_MASTERS:
        raise ValueError(f"{len(readings)} masters; expected {LEAST_MASTERS} or more over the range in use")
    ordered = sorted(readings, key=lambda one: one[0])
    groups = [[nm - value for nm in read] for value, read in ordered]
    if min(len(group) for group in groups) < 2:
        raise ValueError("a master was read once; expected each two times or more")
    x = [float(value) for (value, _), group in zip(ordered, groups, strict=True) for _ in group]
    line = fitted(x, [error for group in groups for error in group])
    f, p = _lack_of_fit(line, groups)
    table = tuple((value, mean_of(group)) for (value, _), group in zip(ordered, groups, strict=True))
    return Linearity(line, f, p, table, _between(table))


def _lack_of_fit(line: FittedLine, groups: Sequence[Sequence[float]]) -> tuple[float | None, float]:
    """Return F and its probability for what the line leaves between the masters (e-Handbook, 4.4.4.6)."""
    from scipy.special import fdtrc

    spread = one_way(groups)
    dof = len(groups) - 2
    left = max(0.0, line.residual.sd**2 * line.residual.dof - spread.within)
    if not spread.within:
        return None, float(left == 0)
    f = (left / dof) / (spread.within / spread.within_dof)
    return f, float(fdtrc(dof, spread.within_dof, f))


def _between(table: Sequence[tuple[int, float]]) -> float:
    """Return how far a point is from the line through its two neighbours, at most."""
    farthest = 0.0
    for (before, following), (x, error) in zip(zip(table, table[2:], strict=False), table[1:], strict=False):
        share = (x - before[0]) / (following[0] - before[0])
        farthest = max(farthest, abs(error - before[1] - share * (following[1] - before[1])))
    return farthest


def error_between(table: Sequence[tuple[int, float]], travel_nm: float) -> float:
    """Return the error at a travel from a table of (value, error), straight between its points and from none at no
    travel; beyond the last as there."""
    points = [(0, 0.0), *sorted(table)]
    for (low, below), (high, above) in pairwise(points):
        if travel_nm <= high:
            return below + (above - below) * (max(travel_nm, 0.0) - low) / (high - low)
    return points[-1][1]
