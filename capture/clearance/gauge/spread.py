"""Sums of squares between and within groups of repeats, standard deviations pooled over them, and the chance of a
ratio of two. In the unit of what is given."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Spread:
    """A standard deviation and its degrees of freedom; of none, nothing is known."""

    sd: float
    dof: int

    def exceeds(self, usual: Spread, asked: float) -> bool:
        """Say whether it is larger than `usual` with the confidence asked for: the one-sided F test of two variances
        (NIST/SEMATECH e-Handbook, 2.2.3). Where either has no degrees of freedom, nothing is shown."""
        if not self.dof or not usual.dof:
            return False
        return self.sd > usual.most(self.dof, asked)

    def most(self, dof: int, asked: float) -> float:
        """Return the largest standard deviation of `dof` degrees of freedom that the same test lets pass."""
        from scipy.special import fdtri

        return self.sd * math.sqrt(float(fdtri(dof, self.dof, asked)))


@dataclass(frozen=True, slots=True)
class OneWay:
    """An analysis of variance of groups: sums of squares with their degrees of freedom."""

    between: float
    between_dof: int
    within: float
    within_dof: int

    @property
    def f(self) -> float:
        """The F ratio of the mean squares."""
        return (self.between / self.between_dof) / (self.within / self.within_dof)


def mean_of(values: Sequence[float]) -> float:
    """Return the mean, exactly summed."""
    return math.fsum(values) / len(values)


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Return the one-way analysis of variance of `groups` (e-Handbook, 1.3.5.4); none of them may be empty."""
    everything = [value for group in groups for value in group]
    grand = mean_of(everything)
    means = [mean_of(group) for group in groups]
    between = math.fsum(len(group) * (mean - grand) ** 2 for group, mean in zip(groups, means, strict=True))
    within = math.fsum((value - mean) ** 2 for group, mean in zip(groups, means, strict=True) for value in group)
    return OneWay(between, len(groups) - 1, within, len(everything) - len(groups))


def sd_of(values: Sequence[float]) -> Spread:
    """Return the standard deviation of `values` (JCGM 100, 4.2.2)."""
    if len(values) < 2:
        return Spread(0.0, 0)
    mean = mean_of(values)
    return Spread(math.sqrt(math.fsum((one - mean) ** 2 for one in values) / (len(values) - 1)), len(values) - 1)


def pooled(spreads: Iterable[Spread]) -> Spread:
    """Return the standard deviation that several share (JCGM 100, H.5 and 4.2.4: variances weighted by their degrees of
    freedom)."""
    known = [one for one in spreads if one.dof]
    dof = sum(one.dof for one in known)
    if not dof:
        return Spread(0.0, 0)
    return Spread(math.sqrt(math.fsum(one.dof * one.sd**2 for one in known) / dof), dof)
