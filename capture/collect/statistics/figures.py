"""The figures of a shop's statistics: intervals, shrunk estimates, a drift and its error. Pure; no I/O.

Every interval is two-sided and 95 %, unless it says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from scipy import stats

COVERAGE = 0.95
#: What a band of 99.8 % takes, in standard deviations of a normal distribution: the outer limits of a funnel.
OUTER = 0.998


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate, and what it may be."""

    value: float
    low: float
    high: float


def wilson(good: int, of: int, coverage: float = COVERAGE) -> Interval:
    """Return a share with its interval (E. B. Wilson 1927; NIST/SEMATECH e-Handbook 7.2.4.1). `of` is at least 1."""
    z = float(stats.norm.ppf((1 + coverage) / 2))
    share = good / of
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    return Interval(share, max(0.0, middle - half), min(1.0, middle + half))


def of_mean(mean: float, variance: float, n: int) -> Interval:
    """Return a mean with its interval: t of n - 1 degrees of freedom (e-Handbook 7.2.2.1). `n` is at least 2."""
    half = float(stats.t.ppf((1 + COVERAGE) / 2, n - 1)) * math.sqrt(max(variance, 0.0) / n)
    return Interval(mean, mean - half, mean + half)


def of_sd(variance: float, dof: int) -> Interval:
    """Return a standard deviation with its interval: chi-squared (e-Handbook 7.2.3.1). `dof` is at least 1."""
    low, high = stats.chi2.ppf([(1 + COVERAGE) / 2, (1 - COVERAGE) / 2], dof)
    variance = max(variance, 0.0)
    return Interval(math.sqrt(variance), math.sqrt(variance * dof / low), math.sqrt(variance * dof / high))


def of_within(logarithm: float, error: float, dof: int) -> Interval:
    """Return a standard deviation with its interval, from the logarithm of a variance and its standard error, which is
    known with `dof` degrees of freedom."""
    half = float(stats.t.ppf((1 + COVERAGE) / 2, dof)) * error
    return Interval(*(math.exp(value / 2) for value in (logarithm, logarithm - half, logarithm + half)))


def of_slope(sxx: float, sxy: float, syy: float, dof: int) -> Interval:
    """Return the slope of a least-squares line with its interval, from sums about the means (e-Handbook 4.1.4.1)."""
    slope = sxy / sxx
    left = max(0.0, syy - slope * sxy)
    half = float(stats.t.ppf((1 + COVERAGE) / 2, dof)) * math.sqrt(left / dof / sxx)
    return Interval(slope, slope - half, slope + half)


@dataclass(frozen=True, slots=True)
class Funnel:
    """Whether a share differs from what the other groups have: outside 95 %, and outside 99.8 %, of what a group of its
    size has by chance and by what groups differ anyhow."""

    unusual: bool
    outside: bool


#: Of fewer groups it cannot be told what groups differ by anyhow.
_LEAST_GROUPS: Final = 4
#: A variance that is none, so that it can be divided by.
_LEAST: Final = 1e-300


def funnel(good: int, of: int, others: Sequence[tuple[int, int]]) -> Funnel:
    """Return where a group's share lies in the funnel of the other groups' (good, of), of which there is at least one.

    Beta-binomial: groups differ by more than chance alone gives them, and a funnel that leaves that out finds most of
    them unusual. The limits are exact; without any such difference, or among few groups, they are the binomial's.
    """
    share = sum(one for one, _ in others) / sum(all_of for _, all_of in others)
    alike = likeness(others) if len(others) >= _LEAST_GROUPS else 0.0
    chance: Any = stats.binom(of, share)
    if alike > 0:
        spare = (1 - alike) / alike
        chance = stats.betabinom(of, share * spare, (1 - share) * spare)
    return _at(min(float(chance.cdf(good)), float(chance.sf(good - 1))))


def _at(tail: float) -> Funnel:
    """Return where in a funnel that is which has this chance of lying as far out on its side."""
    return Funnel(tail < (1 - COVERAGE) / 2, tail < (1 - OUTER) / 2)


def funnel_of_means(value: float, error: float, dof: int, others: Sequence[tuple[float, float]]) -> Funnel:
    """Return where a group's mean lies in the funnel of the other groups' (mean, standard error), at least one of them.

    Groups differ by more than their own errors: by what, `between` says. `dof` are the degrees of freedom of `error`.
    """
    spare = between(others) if len(others) >= _LEAST_GROUPS else 0.0
    weights, middle = _weighed(others, spare)
    apart = abs(value - middle) / math.sqrt(max(error * error + spare + 1 / sum(weights), _LEAST))
    return _at(float(stats.t.sf(apart, dof)))


def _weighed(groups: Sequence[tuple[float, float]], spare: float = 0.0) -> tuple[list[float], float]:
    """Return what each (mean, standard error) weighs where groups also differ by the variance `spare`, and their
    weighted mean."""
    weights = [1 / max(error * error + spare, _LEAST) for _, error in groups]
    return weights, sum(weight * value for weight, (value, _) in zip(weights, groups, strict=True)) / sum(weights)


def between(groups: Sequence[tuple[float, float]]) -> float:
    """Return the variance by which groups of (mean, standard error) differ beyond their errors, 0 where those explain
    it: the method of moments of DerSimonian and Laird (1986)."""
    weights, middle = _weighed(groups)
    total = sum(weights)
    spread = sum(weight * (value - middle) ** 2 for weight, (value, _) in zip(weights, groups, strict=True))
    usual = total - sum(weight * weight for weight in weights) / total
    return max(0.0, (spread - (len(groups) - 1)) / usual) if usual > 0 else 0.0


def likeness(groups: Sequence[tuple[int, int]]) -> float:
    """Return how much more alike two of one group are than two of different ones: the correlation within groups of
    (good, of), 0 where chance alone explains what they differ by.

    By analysis of variance (Fleiss, Statistical Methods for Rates and Proportions, 1981; from memory), below 1.
    """
    total, count = sum(of for _, of in groups), len(groups)
    share = sum(good for good, _ in groups) / total
    if share in (0, 1) or total <= count:
        return 0.0
    between = sum(of * (good / of - share) ** 2 for good, of in groups) / (count - 1)
    within = sum(good * (1 - good / of) for good, of in groups) / (total - count)
    usual = (total - sum(of * of for _, of in groups) / total) / (count - 1)
    return min(0.99, max(0.0, (between - within) / (between + (usual - 1) * within)))


def shrunk(means: Sequence[float], variances: Sequence[float]) -> list[Interval]:
    """Return estimates of several biases, each drawn towards 0 by how little is known of it.

    Normal-normal: a bias has prior mean 0 and the variance that the estimates show beyond their own (method of
    moments, not below 0); `variances` are those of the estimates.
    """
    if not means:
        return []
    weights = [1 / variance if variance > 0 else 0.0 for variance in variances]
    total = sum(weights)
    if total == 0:
        return [Interval(mean, mean, mean) for mean in means]
    # E(sum w m^2) = k + tau^2 sum w with weights 1 / variance.
    known = sum(weight > 0 for weight in weights)
    prior = max(0.0, (sum(w * m * m for w, m in zip(weights, means, strict=True)) - known) / total)
    z = float(stats.norm.ppf((1 + COVERAGE) / 2))
    found = []
    for mean, variance in zip(means, variances, strict=True):
        trust = prior / (prior + variance) if prior + variance > 0 else 1.0
        half = z * math.sqrt(trust * variance)
        found.append(Interval(trust * mean, trust * mean - half, trust * mean + half))
    return found


@dataclass(frozen=True, slots=True)
class GaugeDrift:
    """How a gauge's error moves: nm a day with its standard error, and the days until it may reach its limit."""

    slope_nm_per_day: float
    standard_error: float
    now_nm: float
    days_to_limit: float | None
    """None where the slope is not shown to be any, or no limit is known."""

    @property
    def shown(self) -> bool:
        """Whether the slope is more than chance."""
        return abs(self.slope_nm_per_day) > float(stats.norm.ppf((1 + COVERAGE) / 2)) * self.standard_error


def drift(
    days: Sequence[float], errors_nm: Sequence[float], max_error_nm: int, expanded_nm: float
) -> GaugeDrift | None:
    """Return the drift of a gauge: least squares, with a standard error that holds where one morning resembles the
    next (Newey and West 1987, Bartlett weights). None where all days are the same.

    `expanded_nm` is the expanded uncertainty of one morning's error, which the limit has to spare.
    """
    n = len(days)
    middle = sum(days) / n
    x = [day - middle for day in days]
    spread = sum(one * one for one in x)
    if n < 3 or spread == 0:
        return None
    level = sum(errors_nm) / n
    slope = sum(one * error for one, error in zip(x, errors_nm, strict=True)) / spread
    scores = [one * (error - level - slope * one) for one, error in zip(x, errors_nm, strict=True)]
    lags = int(4 * (n / 100) ** (2 / 9))
    meat = sum(one * one for one in scores)
    for lag in range(1, lags + 1):
        together = sum(one * other for one, other in zip(scores, scores[lag:], strict=False))
        meat += 2 * (1 - lag / (lags + 1)) * together
    error = math.sqrt(max(meat, 0.0)) / spread
    now = level + slope * x[-1]
    found = GaugeDrift(slope, error, now, None)
    if not found.shown or max_error_nm <= 0:
        return found
    left = max_error_nm - expanded_nm - (now if slope > 0 else -now)
    return GaugeDrift(slope, error, now, max(0.0, left / abs(slope)))
