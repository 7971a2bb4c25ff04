"""Repeatability and reproducibility: the same packs measured by several technicians, each several times after taking
the indicator off and setting it up again. Pure; in the unit of what is given.

Theory. A crossed study of p parts, o operators and r trials is analysed as two random factors with interaction
(NIST/SEMATECH e-Handbook, 2.4 and 7.4.3.7; ISO 22514-7 means the same, from memory):

    MS_P, MS_O, MS_OP, MS_E    mean squares of parts, operators, their interaction, and of trials
    repeatability^2            MS_E
    interaction^2              (MS_OP - MS_E) / r
    operators^2                (MS_O - MS_OP) / (p r)
    parts^2                    (MS_P - MS_OP) / (o r)

none below 0. Where the interaction does not show (p > 0.05) its squares are pooled with those of the trials, and that
is said. Reproducibility is what operators and interaction add; both with repeatability are the spread of the
measurement.

A component is a linear combination of mean squares; its degrees of freedom are Satterthwaite's,
(sum a MS)^2 / sum (a MS)^2 / dof, and a standard deviation's interval that of chi-squared with them.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from capture.clearance.gauge.spread import Spread, mean_of

#: Beyond this an interaction is not believed, and pooled (common practice; 0.25 is the other habit).
_POOLED_BEYOND: Final = 0.05
#: Coverage of an interval.
_COVERAGE: Final = 0.95
#: Fewer pairs than this do not stand for a bench's reproducibility.
LEAST_PAIRS: Final = 20


class StudyError(ValueError):
    """A table is no crossed study; the text says what is missing and what was expected."""


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement of a study."""

    part: str
    operator: str
    value: float


@dataclass(frozen=True, slots=True)
class Cell:
    """One measurement to be made: which part, by whom, and the how-manieth of these."""

    part: str
    operator: str
    trial: int


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the spread, its degrees of freedom, and the interval that holds its standard deviation with 95 %."""

    sd: float
    dof: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Study:
    """What a crossed study found."""

    repeatability: Component
    reproducibility: Component
    interaction: Component
    operators: Component
    parts: Component
    grr: Component
    """Repeatability and reproducibility together."""
    pooled: bool
    """Whether the interaction did not show and was pooled with the trials."""
    interaction_p: float
    """How probable as much interaction is by chance; NaN where there is nothing to tell it from."""
    mean_squares: Mapping[str, tuple[float, int]]
    """Mean square and degrees of freedom of `parts`, `operators`, `interaction` and `trials`."""

    @property
    def total_sd(self) -> float:
        """Of parts and measurement together."""
        return math.hypot(self.grr.sd, self.parts.sd)

    @property
    def distinct(self) -> int:
        """How many groups of parts it can tell apart, sqrt(2) parts / grr, as those ask who ask for it."""
        return int(math.sqrt(2) * self.parts.sd / self.grr.sd) if self.grr.sd else 0

    def of_tolerance(self, tolerance: float) -> float:
        """Return six standard deviations of the measurement over a range's width, both in the table's unit."""
        return 6 * self.grr.sd / tolerance


def plan(parts: Sequence[str], operators: Sequence[str], trials: int, seed: int) -> list[Cell]:
    """Return every measurement of a crossed study in random order, the same for the same seed. Raises StudyError."""
    if len(set(parts)) < 2 or len(set(operators)) < 2 or trials < 2:
        raise StudyError(
            f"{len(set(parts))} packs, {len(set(operators))} technicians, {trials} remounts; expected two or more of "
            "each, better five packs, three technicians and two remounts"
        )
    cells = [Cell(part, operator, trial) for trial in range(1, trials + 1) for part in parts for operator in operators]
    random.Random(seed).shuffle(cells)
    return cells


def studied(rows: Sequence[Row]) -> Study:
    """Return the components of a crossed study. Raises StudyError unless every operator measured every part equally
    often, and twice or more."""
    parts, operators, trials = _crossed(rows)
    p, o, r = len(parts), len(operators), trials
    grand = mean_of([row.value for row in rows])
    of_part = {part: mean_of([row.value for row in rows if row.part == part]) for part in parts}
    of_operator = {who: mean_of([row.value for row in rows if row.operator == who]) for who in operators}
    cells = {
        (part, who): mean_of([row.value for row in rows if (row.part, row.operator) == (part, who)])
        for part in parts
        for who in operators
    }
    squares = {
        "parts": (o * r * math.fsum((mean - grand) ** 2 for mean in of_part.values()), p - 1),
        "operators": (p * r * math.fsum((mean - grand) ** 2 for mean in of_operator.values()), o - 1),
        "interaction": (
            r
            * math.fsum((mean - of_part[part] - of_operator[who] + grand) ** 2 for (part, who), mean in cells.items()),
            (p - 1) * (o - 1),
        ),
        "trials": (math.fsum((row.value - cells[row.part, row.operator]) ** 2 for row in rows), p * o * (r - 1)),
    }
    return _components({name: (total / dof, dof) for name, (total, dof) in squares.items()}, p, o, r)


def _crossed(rows: Sequence[Row]) -> tuple[list[str], list[str], int]:
    parts, operators = sorted({row.part for row in rows}), sorted({row.operator for row in rows})
    if len(parts) < 2 or len(operators) < 2:
        raise StudyError(f"{len(parts)} parts and {len(operators)} operators; expected two or more of each")
    counts = Counter((row.part, row.operator) for row in rows)
    wanted = max(counts.values())
    for part in parts:
        for who in operators:
            if counts[part, who] != wanted:
                raise StudyError(
                    f"part {part!r} was measured {counts[part, who]} times by {who!r}; expected {wanted}, as elsewhere"
                )
    if wanted < 2:
        raise StudyError("every part was measured once by each operator; expected two times or more")
    return parts, operators, wanted


def _components(squares: Mapping[str, tuple[float, int]], p: int, o: int, r: int) -> Study:
    from scipy.special import fdtrc

    mixed, trials = squares["interaction"], squares["trials"]
    chance = float(fdtrc(mixed[1], trials[1], mixed[0] / trials[0])) if trials[0] else math.nan
    is_pooled = chance > _POOLED_BEYOND
    if is_pooled:
        dof = mixed[1] + trials[1]
        error = ((mixed[0] * mixed[1] + trials[0] * trials[1]) / dof, dof)
        mixed = error
    else:
        error = trials
    parts, operators = squares["parts"], squares["operators"]
    interaction = [] if is_pooled else [(1 / r, mixed), (-1 / r, error)]
    by_operator = [(1 / (p * r), operators), (-1 / (p * r), mixed)]
    if _sum(by_operator) < 0:
        by_operator = []
    if _sum(interaction) < 0:
        interaction = []
    return Study(
        repeatability=_component([(1.0, error)]),
        reproducibility=_component([*by_operator, *interaction]),
        interaction=_component(interaction),
        operators=_component(by_operator),
        parts=_component([(1 / (o * r), parts), (-1 / (o * r), mixed)]),
        grr=_component([*by_operator, *interaction, (1.0, error)]),
        pooled=is_pooled,
        interaction_p=chance,
        mean_squares=dict(squares),
    )


_Terms = Sequence[tuple[float, tuple[float, int]]]


def _sum(terms: _Terms) -> float:
    return math.fsum(share * square for share, (square, _) in terms)


def _component(terms: _Terms) -> Component:
    """Return a component from shares of mean squares, those of the same mean square added up first."""
    shares: dict[tuple[float, int], float] = {}
    for share, square in terms:
        shares[square] = shares.get(square, 0.0) + share
    merged = [(share, square) for square, share in shares.items()]
    variance = max(0.0, _sum(merged))
    if not variance:
        return Component(0.0, 0.0, 0.0, 0.0)
    dof = variance**2 / math.fsum((share * square) ** 2 / of for share, (square, of) in merged)
    low, high = interval(math.sqrt(variance), dof)
    return Component(math.sqrt(variance), dof, low, high)


def interval(sd: float, dof: float) -> tuple[float, float]:
    """Return the interval that holds a standard deviation with 95 % (e-Handbook, 7.2.3.1); where its degrees of freedom
    are next to none, that is anything."""
    from scipy.special import gammaincinv

    # Quantiles of chi-squared; SciPy's own `chdtri` takes the upper tail and no fewer than whole halves.
    low, high = (2 * float(gammaincinv(dof / 2, share)) for share in ((1 - _COVERAGE) / 2, (1 + _COVERAGE) / 2))
    return sd * math.sqrt(dof / high) if low else 0.0, sd * math.sqrt(dof / low) if low else math.inf


@dataclass(frozen=True, slots=True)
class Pairs:
    """The same pack checked again, nothing changed, after a remount or by another technician: as it happens."""

    differences: tuple[float, ...]

    @property
    def spread(self) -> Spread:
        """What one such check scatters, sqrt(sum d^2 / 2n); of fewer than 20 pairs, nothing is said."""
        count = len(self.differences)
        if count < LEAST_PAIRS:
            return Spread(0.0, 0)
        return Spread(math.sqrt(math.fsum(one**2 for one in self.differences) / (2 * count)), count)
