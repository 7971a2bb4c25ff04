"""When a check may end: how sure a verdict must be after each stroke, so that many looks do not make it wrong often.

Theory. A verdict that is right in 95 of 100 cases when looked at once, at a count fixed before, is wrong far more often
when strokes are made until it settles: at a clearance right on a limit, up to eleven looks at 95 % make one verdict in
seven a wrong one. So the risk of 5 % is spent over the looks (the alpha spending of Lan and DeMets, Biometrika 70,
1983; from memory): a look that may spend a part p of it asks for 1 - p. The parts add up to the risk, and the
probability that any of several things happens is at most the sum of theirs (Boole), so nothing need be known of how
the looks depend on each other. `tests/load/compare_stopping.py` counts how often verdicts are wrong, and the strokes.

A fifth of the risk is for looks before the sheet's count, in equal parts, where the sheet allows any; of the rest half
is spent at the sheet's count and half, in equal parts, at three later looks. More looks would each have too little to
spend: three take fewer strokes than one after every stroke does.

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

_BEFORE, _PLANNED, _LATER = 0.2, 0.5, 3


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
        more = self.last - self.planned
        return tuple(sorted({self.planned - -more * part // _LATER for part in range(1, _LATER + 1)} - {self.planned}))

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
        return 1 - self.spent(count) if count >= self.first else 1 - self.risk


def choices(counted: int, left_out: int) -> int:
    """Return by how much a look's part of the risk is divided where a person left out so many strokes and the rest
    count."""
    return (1 << left_out) * math.comb(counted + left_out, left_out)
