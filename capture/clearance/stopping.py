"""When a check may end: how sure a verdict must be after each stroke, so that many looks do not make it wrong often.

Theory. A verdict that is right in 95 of 100 cases when looked at once, at a count fixed before, is wrong far more often
when strokes are made until it settles: at a clearance right on a limit, up to eleven looks at 95 % make one verdict in
seven a wrong one. So the risk of 5 % is spent over the looks (the alpha spending of Lan and DeMets, Biometrika 70,
1983; from memory). What a look spends is how often it is wrong where no look before it was. Looks share their first
strokes, so whoever is right at one is mostly right at the next: a look may be wrong more often than its part. Taken one
by one (Boole: that any of several things happens is at most as likely as the sum of theirs) they spend 3.6 of the 5 %.
How much less each may ask for follows from how they depend on each other. Means of the first m and of the first n
strokes of one scatter have the correlation sqrt(m / n), and what comes between two looks is new and normal; so the way
of the mean is followed from look to look by numbers, without what has been decided (Armitage, McPherson and Rowe, J. R.
Stat. Soc. A 132, 1969; from memory). The scatter, too, is known from the strokes only, which makes the looks of few
strokes less alike: of what is gained so, 1 - 1/n is taken, with n strokes at the first look. That is a rule of our own,
and counted: with it the risk of a scatter that decides is 4.7 to 5.0 %. Where the indicator errs alike in all looks
they are more alike, and less is spent. `tests/load/compare_stopping.py` counts how often verdicts are wrong, and the
strokes.

A fifth of the risk is for looks before the sheet's count, in equal parts, where the sheet allows any; of the rest half
is spent at the sheet's count and half, in equal parts, at three later looks. More looks would each have too little to
spend: three take fewer strokes than one after every stroke does.

What cannot be spent. Where every stroke shows whole display steps, their mean moves by a part of one, and a rule can be
wrong as often as the last mean before the risk is, and not more: with a step of 10 um and a limit of error of 20 um the
means next to the risk are reached in 1.8 and in 6.0 of 100 checks. `tests/load/risk_on_the_limit.py` tells it for each
of its budgets.

Where no later look can settle the verdict, as where the indicator's own error decides and not the strokes, there will
be no later look, and what was kept for them is spent at this one (`left`). That buys a verdict only between what this
look asked and what it asks then, and the sum stays what it was: the more sure a look is, the more hope there is of a
later one; so where the part between the two is hopeless all below it is, no check of that scatter goes on, and the
wrong ones are those of one look with all of the risk. Where any of it is hopeful, those that go on and those that do
not are all among the wrong ones of that same look.

Strokes that a person leaves out. Whoever may choose which strokes to leave out has as many means to choose from as
there are choices, and one that is on the right side by chance is soon among them. So where strokes were left out a
look has its part of the risk divided by the number of ways to choose as many among those made, and once more by two
for every one of them (`choices`). Whatever is left out, by whatever motive, the strokes of one fixed choice are as
good as any, so each choice is wrong at most as often as its part; the parts of all choices at a look add up to less
than the look's own (Boole again, and 1/2 + 1/4 + ... < 1). Leaving out good strokes therefore at most doubles the
risk where it is done for the verdict's sake, and costs strokes or the verdict itself where it is not. What remains is
shown: the verdict with all strokes stands beside, and whoever signs acknowledges it where the two differ.
`tests/clearance/test_left_out.py` plays whoever leaves out the stroke that serves best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

_BEFORE, _PLANNED, _LATER = 0.2, 0.5, 3
#: How finely and how far the way of a mean is followed, the latter in standard deviations.
_CELLS, _FARTHEST = 600, 8.0


@dataclass(frozen=True, slots=True)
class Looks:
    """The counts of strokes at which a check may end: from `first` on, usually at `planned`, at `last` in any case."""

    first: int
    planned: int
    last: int
    risk: float
    """How often, at most, the verdict may be wrong whatever the true clearance is."""

    @property
    def later(self) -> tuple[int, ...]:
        """The looks after the planned one."""
        return _later(self.planned, self.last)

    def spent(self, count: int) -> float:
        """Return the part of the risk that the look after `count` strokes spends, 0 where there is no look."""
        left = self.risk
        if self.first < self.planned:
            if self.first <= count < self.planned:
                return self.risk * _BEFORE / (self.planned - self.first)
            left -= self.risk * _BEFORE
        if count == self.planned:
            return left * _PLANNED if self.later else left
        return left * (1 - _PLANNED) / len(self.later) if count in self.later else 0.0

    def left(self, count: int) -> float:
        """Return the part of the risk that the looks before `count` strokes have left."""
        return self.risk - sum(self.spent(before) for before in range(self.first, count))

    def confidence(self, count: int) -> float:
        """Return how sure a verdict must be to end the check after `count` strokes.

        Before the first look it is what one look would ask, to show where the verdict is heading; between looks, and
        after the last, more than there is.
        """
        if count < self.first or not self.spent(count):
            return self.surer(count)
        return 1 - self._may_err(count, self.spent(count))

    def at_last(self, count: int) -> float:
        """Return the same for a look after which there is none, so that it spends all that is left."""
        return 1 - self._may_err(count, self.left(count))

    def surer(self, count: int) -> float:
        """Return how sure a verdict must be that takes nothing from what the looks share."""
        return 1 - self.spent(count) if count >= self.first else 1 - self.risk

    def _may_err(self, count: int, part: float) -> float:
        """Return how often the look after `count` strokes may be wrong by itself to spend that part."""
        before = tuple((n, self.spent(n)) for n in range(self.first, count) if self.spent(n))
        alike = _may_err((*before, (count, part)))
        return round(part + (alike - part) * (1 - 1 / self.first), 7)


@lru_cache(maxsize=64)  # asked for every count that might settle a verdict
def _later(planned: int, last: int) -> tuple[int, ...]:
    """Return the looks after the planned one, in even steps up to the last."""
    more = last - planned
    return tuple(sorted({planned - -more * part // _LATER for part in range(1, _LATER + 1)} - {planned}))


@lru_cache(maxsize=64)
def _may_err(looks: tuple[tuple[int, float], ...]) -> float:
    """Return how often the last of these looks (strokes, the part of the risk it spends) may be wrong by itself, where
    the scatter is known.

    The way of the mean, times the square root of the strokes, is normal; what is left of it below the limit of each
    look is carried on to the next.
    """
    import numpy as np
    from scipy.special import ndtr, ndtri

    earlier, (strokes, part) = 0, looks[0]
    limit = float(-ndtri(part))
    masses, sums = np.empty(0), np.empty(0)
    for following, part in looks[1:]:
        width = (limit + _FARTHEST) / _CELLS
        edges = np.linspace(-_FARTHEST, limit, _CELLS + 1)
        if len(masses):
            new = (edges[:, None] * math.sqrt(strokes) - sums) / math.sqrt(strokes - earlier)
            masses = np.diff(ndtr(new) @ masses)
        else:
            masses = np.diff(ndtr(edges))
        sums, earlier, strokes = (edges[:-1] + width / 2) * math.sqrt(strokes), strokes, following
        low, high = 0.0, _FARTHEST
        for _ in range(50):
            limit = (low + high) / 2
            beyond = float(masses @ ndtr((sums - limit * math.sqrt(strokes)) / math.sqrt(strokes - earlier)))
            low, high = (limit, high) if beyond > part else (low, limit)
    return float(ndtr(-limit))


def choices(counted: int, left_out: int) -> int:
    """Return by how much a look's part of the risk is divided where a person left out so many strokes and the rest
    count."""
    return (1 << left_out) * math.comb(counted + left_out, left_out)
