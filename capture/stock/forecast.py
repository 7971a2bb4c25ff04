"""Which sizes of selective parts will be needed, and what to order. Pure; no I/O and no clock.

Theory. A pack that comes in out of range needs one size: the one nearest to what brings it to its preferred clearance.
Packs that need a size come as a Poisson process whose rate is not known: a gamma distribution of it, begun from what
the normal distribution of all clearances as found says of that size (worth PRIOR_PACKS packs) and sharpened by the
weeks that were seen. So the number needed in a lead time is negative binomial (gamma-Poisson; e-Handbook 8.4.6 has the
conjugate pair). Parts that come out of packs go back to the shelf and serve the next: their number has the same form.
What to have is the least stock with which the demand less what comes back is served with the wanted probability, in the
lead time and the week until the next look.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

#: How much the normal distribution of the clearances counts beside what was counted, in packs (assumption).
PRIOR_PACKS: Final = 5.0
#: Fewer packs, or weeks, than this tell nothing of what will come.
LEAST_PACKS: Final = 20
LEAST_WEEKS: Final = 8.0
_BEYOND: Final = 1e-9

SizeKey = tuple[str, int]
"""A part as the stock's keys name it, and its thickness in nm."""


@dataclass(frozen=True, slots=True)
class PackFound:
    """A pack as it was first measured, before any part of it was changed. Lengths nm."""

    part: str
    choices_nm: tuple[int, ...]
    fitted_nm: int
    ideal_nm: float
    """The thickness that would bring it to its preferred clearance."""
    good: bool

    @property
    def needs_nm(self) -> int | None:
        """The size that it needs; None where it is good, or no other size is nearer."""
        nearest = min(self.choices_nm, key=lambda size: abs(size - self.ideal_nm))
        return None if self.good or nearest == self.fitted_nm else nearest


@dataclass(frozen=True, slots=True)
class SizeForecast:
    """What is known of the need for one size."""

    part: str
    thickness_nm: int
    free: int
    waiting: int
    """How many the packs that wait now need."""
    expected: float
    """Needed in the lead time, those that come back not counted; 0 where too little is known."""
    to_have: int
    """The stock that serves the lead time with the wanted probability, once no pack waits."""
    order: int
    short_probability: float
    """That something is missing within the lead time if nothing is ordered."""
    packs_waiting: float
    """How many packs are expected to wait by then if nothing is ordered."""


@dataclass(frozen=True, slots=True)
class StockForecast:
    """The forecast, and what it rests on."""

    sizes: tuple[SizeForecast, ...]
    packs: int
    weeks: float
    lead_weeks: float
    served: float

    @property
    def known(self) -> bool:
        """Whether there was enough to tell what will come; else only what waits now is ordered."""
        return self.packs >= LEAST_PACKS and self.weeks >= LEAST_WEEKS


def forecast(
    found: Sequence[PackFound],
    weeks: float,
    free: Mapping[SizeKey, int],
    waiting: Mapping[SizeKey, int],
    *,
    lead_weeks: float = 4.0,
    served: float = 0.95,
) -> StockForecast:
    """Return what to order: `found` are the packs of the last `weeks` weeks, `free` and `waiting` parts by size."""
    known = len(found) >= LEAST_PACKS and weeks >= LEAST_WEEKS
    needed = Counter((one.part, one.needs_nm) for one in found if one.needs_nm is not None)
    back = Counter((one.part, one.fitted_nm) for one in found if one.needs_nm is not None)
    shares = _shares(found) if known else {}
    horizon = lead_weeks + 1.0
    sizes = []
    for key in sorted({*needed, *free, *waiting} | {key for key, share in shares.items() if share > 0.001}):
        if key[1] is None:
            continue
        part, size = key[0], int(key[1])
        there, now = free.get((part, size), 0), waiting.get((part, size), 0)
        if known:
            prior = shares.get((part, size), 0.0)
            net, expected = _net(needed[key], back[key], prior, len(found), weeks, horizon)
        else:
            net, expected = {0: 1.0}, 0.0
        to_have = _least(net, served)
        left = there - now
        sizes.append(
            SizeForecast(
                part,
                size,
                there,
                now,
                expected * lead_weeks / horizon,
                to_have,
                max(0, to_have - left),
                sum(p for short, p in net.items() if short > left),
                sum(p * (short - left) for short, p in net.items() if short > left),
            )
        )
    return StockForecast(tuple(sizes), len(found), weeks, lead_weeks, served)


def _shares(found: Sequence[PackFound]) -> dict[SizeKey, float]:
    """Return which share of all packs needs each size, by the normal distribution of what each part's packs want."""
    parts: dict[tuple[str, tuple[int, ...]], list[PackFound]] = defaultdict(list)
    for one in found:
        parts[one.part, one.choices_nm].append(one)
    shares: dict[SizeKey, float] = defaultdict(float)
    for (part, choices), packs in parts.items():
        out = sum(one.needs_nm is not None for one in packs) / len(found)
        wants = [one.ideal_nm for one in packs if one.needs_nm is not None]
        if len(wants) < 3:
            continue
        middle, spread = float(np.mean(wants)), float(np.std(wants, ddof=1)) or 1.0
        sizes = sorted(choices)
        edges = [-math.inf, *((a + b) / 2 for a, b in itertools.pairwise(sizes)), math.inf]
        below = stats.norm.cdf(edges, middle, spread)
        for size, low, high in zip(sizes, below, below[1:], strict=False):
            shares[part, size] += out * float(high - low)
    return shares


def _net(
    needed: int, back: int, share: float, packs: int, weeks: float, horizon: float
) -> tuple[dict[int, float], float]:
    """Return how many of a size will be missing by chance within the horizon, what comes back set off, and how many
    are expected to be needed."""
    wanted, expected = _counts(needed, share, packs, weeks, horizon)
    returned, _ = _counts(back, 0.0, packs, weeks, horizon)
    both = np.convolve(wanted, returned[::-1])
    net: dict[int, float] = defaultdict(float)
    for at, chance in enumerate(both):
        net[max(0, at - (len(returned) - 1))] += float(chance)
    return net, expected


def _counts(seen: int, share: float, packs: int, weeks: float, horizon: float) -> tuple[NDArray[np.float64], float]:
    """Return the negative binomial of a size's number within the horizon, from 0 on, and its mean."""
    shape = seen + PRIOR_PACKS * share
    if shape == 0:
        return np.ones(1), 0.0
    rate = weeks + PRIOR_PACKS * weeks / packs
    success = rate / (rate + horizon)
    mean = shape * horizon / rate
    most = int(stats.nbinom.isf(_BEYOND, shape, success)) + 1
    chances = np.asarray(stats.nbinom.pmf(np.arange(most + 1), shape, success), dtype=np.float64)
    return chances / chances.sum(), mean


def _least(net: Mapping[int, float], served: float) -> int:
    """Return the least stock that is enough with that probability."""
    total = 0.0
    for stock in sorted(net):
        total += net[stock]
        if total >= served:
            return stock
    return max(net)


def needed_now(sizes: Iterable[SizeKey]) -> dict[SizeKey, int]:
    """Return how many of each size packs that wait want."""
    return dict(Counter(sizes))
