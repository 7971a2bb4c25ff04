"""The best states of a set of parts, found exactly: numbers in, numbers out. Knows nothing of sheets or words.

Theory. Each part has states, each state moves one or more clearances by known steps from where they were measured,
and all combinations are candidates. They are ordered, best first, by

    the probability that every clearance lies in its range, in steps of half a percent: a smaller difference is the
    same to a person. Measurements are taken as independent, so it is the product of the single probabilities; a
    part that moves two clearances counts its own tolerance in full in each. A clearance with other parts is the sum
    of what was measured and of those parts, each anywhere within its tolerance (`distribution`)
    the distance from the preferred clearances, summed, in whole nanometres
    the number of parts touched

The search is a branch and bound, part by part, a block of partial combinations at a time. With some parts still
open, each clearance can only end in an interval. The probability is bounded by that at the point of the interval
nearest the middle of the range, with the fewest parts handled that there can be; or, where the whole interval lies
outside the range, by the probability of lying beyond the nearer limit, with the most. (Whatever is added to a
distribution that is symmetric and has one peak, if it is so itself, takes from the middle and gives to the ends.)
Distance and parts touched only grow. A block that cannot beat the fits already found is dropped, so what
is left is what a search of every combination finds. Up to a hundred thousand combinations nothing is bounded before
the end: all are looked at.

It looks at five million partial combinations at most (about fifteen seconds on a small computer) and then raises
TooManyFits rather than give an answer that might not be the best.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.clearance.distribution import Distribution, rectangle

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Counts = NDArray[np.int64]

__all__ = ["MOST_LOOKED_AT", "Fit", "Part", "Target", "TooManyFits", "best_fits"]

#: Differences of probability smaller than this are the same to a person; the preferred clearance decides.
SAME_PROBABILITY = 0.005
MOST_LOOKED_AT = 5_000_000
_EVERY_ONE = 100_000
_BLOCK = 4_096
#: Above what a distribution's grid can do to a probability, far below what matters.
_ROUNDING = 1e-4
#: Sums of measured and parts that are kept at hand.
_SPREADS_KEPT = 2_048


class TooManyFits(Exception):
    """There are more combinations of parts than can be searched exactly; the text says how many."""


@dataclass(frozen=True, slots=True)
class Target:
    """A clearance as it was measured, how what is not known of it is distributed, and where it must lie. nm."""

    mean_nm: int
    spread: Distribution
    low_nm: int
    high_nm: int
    preferred_nm: int

    def in_range(self, clearance: float, spread: Distribution) -> float:
        """Return the probability that a clearance so predicted, nm, lies in the range (JCGM 106, 7.3)."""
        return float(spread.below(self.high_nm - clearance) - spread.below(self.low_nm - clearance))


@dataclass(frozen=True, slots=True)
class Part:
    """What one adjuster can do, state by state; one state must be the present one, with step, handled and touched 0.

    `factors` says for each target how far it moves when the step is made: 1 for the adjuster's own pack, 0 for a
    pack that it leaves alone.
    """

    steps_nm: tuple[int, ...]
    handled: tuple[int, ...]
    """How many parts are taken out or put in."""
    touched: tuple[int, ...]
    factors: tuple[float, ...]
    tolerance_nm: float = 0.0
    """How far a part may be from its thickness."""
    batch: bool = False
    """Whether all parts err alike, as those of one batch; else each by itself."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One combination: the state of every part, and what it makes of every target. Lengths nm."""

    states: tuple[int, ...]
    predicted_nm: tuple[int, ...]
    spreads: tuple[Distribution, ...]
    in_range: tuple[float, ...]
    touched: int

    @property
    def probability(self) -> float:
        """The probability that every target lies in its range, the measurements taken as independent."""
        return math.prod(self.in_range)


@dataclass(slots=True)
class _Rows:
    """A block of partial combinations, a row each: the states chosen, and where the targets stand with them."""

    states: Counts
    clearances: Floats
    handled: Counts
    """For every target, which parts were handled, as `_Handled` counts them."""
    touched: Counts

    def taken(self, which: Any) -> _Rows:
        return _Rows(self.states[which], self.clearances[which], self.handled[which], self.touched[which])


class _Handled:
    """The parts handled as one whole number, so that blocks of combinations can add them up.

    A digit for each tolerance counts the parts that have it, since it does not matter of which adjuster they are; a
    digit for each batch counts its own.
    """

    def __init__(self, target: Target, parts: Sequence[Part], at: int) -> None:
        import numpy as np

        self._target = target
        most: dict[tuple[float, int | None], int] = {}
        digits = []
        for level, part in enumerate(parts):
            half_width = part.tolerance_nm * abs(part.factors[at])
            digit = (half_width, level if part.batch else None) if half_width else None
            digits.append(digit)
            if digit is not None:
                most[digit] = most.get(digit, 0) + max(part.handled)
        self._digits: list[tuple[float, bool, int, int]] = []
        weights: dict[tuple[float, int | None], int] = {}
        weight = 1
        for digit, count in most.items():
            weights[digit] = weight
            self._digits.append((digit[0], digit[1] is not None, weight, count + 1))
            weight *= count + 1
        if weight >= 2**62:
            raise TooManyFits("there are too many different tolerances of parts to search for the best with certainty")
        self.codes = [
            np.array(part.handled, np.int64) * (0 if digit is None else weights[digit])
            for part, digit in zip(parts, digits, strict=True)
        ]
        self._spreads: dict[int, Distribution] = {}

    def spread(self, code: int) -> Distribution:
        """Return the target's distribution with the parts of that number."""
        found = self._spreads.get(code)
        if found is None:
            rectangles = []
            for half_width, batch, weight, base in self._digits:
                count = code // weight % base
                rectangles += [rectangle(count * half_width)] if batch else [rectangle(half_width)] * count
            if len(self._spreads) >= _SPREADS_KEPT:
                self._spreads.clear()
            found = self._spreads[code] = self._target.spread.plus(rectangles)
        return found

    def in_range(self, clearances: Floats, codes: Counts) -> Floats:
        """Return for each row the probability of lying in the range."""
        low, high = self._target.low_nm - clearances, self._target.high_nm - clearances
        return self._below(high, codes) - self._below(low, codes)

    def beyond(self, away: Floats, codes: Counts) -> Floats:
        """Return for each row the probability of being off by more than `away`, to one side."""
        return self._below(-away, codes)

    def _below(self, x: Floats, codes: Counts) -> Floats:
        import numpy as np

        answers = np.empty(len(codes))
        for code in np.unique(codes):
            rows = codes == code
            answers[rows] = self.spread(int(code)).below(x[rows])
        return answers


def best_fits(
    targets: Sequence[Target], parts: Sequence[Part], most: int, *, above: float = -1.0, untouched: bool = False
) -> list[Fit]:
    """Return the best `most` combinations, best first, of those more probable than `above`.

    `untouched` counts the present state among them. Of equals the one with the earlier states comes first. Raises
    TooManyFits.
    """
    search = _Search(targets, parts, most, above, untouched)
    search.run()
    return search.fits()


class _Search:
    def __init__(
        self, targets: Sequence[Target], parts: Sequence[Part], most: int, above: float, untouched: bool
    ) -> None:
        import numpy as np

        self._targets = targets
        self._most = most
        self._above = above
        self._untouched = untouched
        # Parts that move several targets first: once they are settled, the others concern one target each.
        self._order = sorted(range(len(parts)), key=lambda i: -sum(factor != 0 for factor in parts[i].factors))
        self._parts = [parts[i] for i in self._order]
        self._combinations = math.prod(len(part.steps_nm) for part in parts)
        self._looked_at = 0
        self._low = np.array([target.low_nm for target in targets], float)
        self._high = np.array([target.high_nm for target in targets], float)
        self._preferred = np.array([target.preferred_nm for target in targets], float)
        self._moves = [np.outer(part.steps_nm, part.factors) for part in self._parts]
        self._handled = [_Handled(target, self._parts, i) for i, target in enumerate(targets)]
        self._adds = [
            np.column_stack([handled.codes[level] for handled in self._handled]) for level in range(len(self._parts))
        ]
        none = np.zeros((1, len(targets)))
        # From each level on, how far the parts still open can move each target, and how many can be handled.
        self._down = _summed_from([moves.min(axis=0) for moves in self._moves], none)
        self._up = _summed_from([moves.max(axis=0) for moves in self._moves], none)
        self._more = _summed_from([adds.max(axis=0) for adds in self._adds], none.astype(np.int64))
        self._found: list[tuple[int, int, int, tuple[int, ...]]] = []

    def run(self) -> None:
        import numpy as np

        start = _Rows(
            np.zeros((1, 0), np.int64),
            np.array([[target.mean_nm for target in self._targets]], float),
            np.zeros((1, len(self._targets)), np.int64),
            np.zeros(1, np.int64),
        )
        if self._combinations > _EVERY_ONE:
            self._seed(start)
        self._descend(0, start)

    def fits(self) -> list[Fit]:
        """Return what was found, as fits of the parts in the order they were given."""
        import numpy as np

        fits = []
        for _, _, touched, states in self._found:
            rows = self._rows_of(np.array([states], np.int64).reshape(1, -1)[:, self._order])
            clearances = np.rint(rows.clearances)
            fits.append(
                Fit(
                    states,
                    tuple(int(nm) for nm in clearances[0]),
                    tuple(one.spread(int(code)) for one, code in zip(self._handled, rows.handled[0], strict=True)),
                    tuple(float(p) for p in self._inside(clearances, rows.handled)[0]),
                    touched,
                )
            )
        return fits

    # -- blocks ------------------------------------------------------------------------------------------

    def _descend(self, level: int, rows: _Rows) -> None:
        import numpy as np

        if level == len(self._parts):
            self._take(rows)
            return
        rows = self._expand(level, rows)
        if self._combinations > _EVERY_ONE:
            bounds = self._bounds(level + 1, rows)
            best_first = np.lexsort(bounds[::-1])
            best_first = best_first[self._may_be_kept(*(bound[best_first] for bound in bounds))]
            rows, bounds = rows.taken(best_first), tuple(bound[best_first] for bound in bounds)
            for at in range(0, len(rows.touched), _BLOCK):
                block = slice(at, at + _BLOCK)
                # What was found in the blocks before may rule out rows of this one.
                worth = self._may_be_kept(*(bound[block] for bound in bounds))
                self._descend(level + 1, rows.taken(block).taken(worth))
        else:
            self._descend(level + 1, rows)

    def _expand(self, level: int, rows: _Rows) -> _Rows:
        import numpy as np

        count, states = len(rows.touched), len(self._parts[level].steps_nm)
        self._looked_at += count * states
        if self._looked_at > MOST_LOOKED_AT:
            raise TooManyFits(
                f"{self._combinations:,} combinations of parts are too many to search for the best one with certainty"
            )
        each = np.repeat(np.arange(count), states)
        state = np.tile(np.arange(states), count)
        return _Rows(
            np.column_stack([rows.states[each], state]),
            rows.clearances[each] + self._moves[level][state],
            rows.handled[each] + self._adds[level][state],
            rows.touched[each] + np.array(self._parts[level].touched, np.int64)[state],
        )

    def _take(self, rows: _Rows) -> None:
        """Keep the best of these whole combinations with the best found before."""
        import numpy as np

        clearances = np.rint(rows.clearances)
        probability = self._inside(clearances, rows.handled).prod(axis=1)
        wanted = probability > self._above
        if not self._untouched:
            wanted &= rows.touched > 0
        rows, clearances, probability = rows.taken(wanted), clearances[wanted], probability[wanted]
        given = np.empty_like(rows.states)
        given[:, self._order] = rows.states
        key = (
            -np.rint(probability / SAME_PROBABILITY).astype(np.int64),
            np.abs(clearances - self._preferred).sum(axis=1).astype(np.int64),
            rows.touched,
            *given.T,
        )
        best = np.lexsort(key[::-1])[: self._most]
        found = {
            (int(key[0][i]), int(key[1][i]), int(key[2][i]), tuple(int(state) for state in given[i])) for i in best
        }
        self._found = sorted(found | set(self._found))[: self._most]

    # -- bounds ------------------------------------------------------------------------------------------

    def _bounds(self, level: int, rows: _Rows) -> tuple[Counts, Counts, Counts]:
        """Return for each row the best key that any combination it can still become might have."""
        import numpy as np

        least = np.rint(rows.clearances + self._down[level]) - 1
        most = np.rint(rows.clearances + self._up[level]) + 1
        nearest = np.clip((self._low + self._high) / 2, least, most)
        exact, vague = rows.handled, rows.handled + self._more[level]
        probability = np.empty_like(nearest)
        for i, (target, handled) in enumerate(zip(self._targets, self._handled, strict=True)):
            point = nearest[:, i]
            probability[:, i] = handled.in_range(point, exact[:, i])
            away = np.maximum(target.low_nm - point, point - target.high_nm)
            out = np.flatnonzero(away > 0)
            probability[out, i] = handled.beyond(away[out], vague[out, i])
        joint = probability.prod(axis=1) + _ROUNDING
        steps = np.floor(joint / SAME_PROBABILITY + 0.5 + _ROUNDING).astype(np.int64)
        away = np.maximum(0, np.maximum(least - self._preferred, self._preferred - most)).sum(axis=1)
        # A row that cannot be more probable than asked for gets a key that nothing is as bad as.
        steps[joint <= self._above] = -1
        return -steps, np.floor(away).astype(np.int64), rows.touched

    def _may_be_kept(self, steps: Counts, away: Counts, touched: Counts) -> Any:
        possible = steps <= 0
        if len(self._found) < self._most:
            return possible
        worst_steps, worst_away, worst_touched, _ = self._found[-1]
        near = (away < worst_away) | ((away == worst_away) & (touched <= worst_touched))
        return possible & ((steps < worst_steps) | ((steps == worst_steps) & near))

    def _inside(self, clearances: Floats, handled: Counts) -> Floats:
        import numpy as np

        columns = [one.in_range(clearances[:, i], handled[:, i]) for i, one in enumerate(self._handled)]
        return np.column_stack(columns)

    # -- good fits to begin with -------------------------------------------------------------------------

    def _seed(self, start: _Rows) -> None:
        """Find good combinations by changing one part or two at a time, so that the bounds rule out more."""
        import numpy as np

        present = [
            next(i for i, (step, touched) in enumerate(zip(part.steps_nm, part.touched, strict=True)) if not touched)
            for part in self._parts
        ]
        for _ in range(len(self._parts)):
            before = self._found[:1]
            for a in range(len(self._parts)):
                for b in range(a + 1, max(a + 2, len(self._parts))):
                    of_a = np.arange(len(self._parts[a].steps_nm))
                    of_b = np.arange(len(self._parts[b].steps_nm)) if b < len(self._parts) else np.zeros(1, np.int64)
                    grid = np.tile(np.array(present, np.int64), (len(of_a) * len(of_b), 1))
                    grid[:, a] = np.repeat(of_a, len(of_b))
                    if b < len(self._parts):
                        grid[:, b] = np.tile(of_b, len(of_a))
                    self._take(self._rows_of(grid))
            if self._found[:1] == before:
                return
            present = [self._found[0][3][i] for i in self._order]

    def _rows_of(self, states: Counts) -> _Rows:
        """Return whole combinations, given in the order of the search."""
        import numpy as np

        clearances = np.tile(np.array([target.mean_nm for target in self._targets], float), (len(states), 1))
        handled = np.zeros((len(states), len(self._targets)), np.int64)
        touched = np.zeros(len(states), np.int64)
        for level, part in enumerate(self._parts):
            clearances = clearances + self._moves[level][states[:, level]]
            handled = handled + self._adds[level][states[:, level]]
            touched = touched + np.array(part.touched, np.int64)[states[:, level]]
        return _Rows(states, clearances, handled, touched)


def _summed_from(levels: list[Any], none: Floats) -> list[Any]:
    """Return for each level the sum of what it and all later levels give; nothing after the last."""
    sums: list[Any] = [none]
    for level in reversed(levels):
        sums.insert(0, sums[0] + level)
    return sums
