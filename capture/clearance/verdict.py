"""Strokes and a range in; mean, uncertainty and a verdict out.

Theory. The clearance is the mean travel of the accepted strokes. Its standard uncertainty combines, as
JCGM 100 (the GUM) says, what the strokes show (type A, 4.2) and what is known of the indicator (type B, 4.3):

    repeatability   s / sqrt(n), n - 1 degrees of freedom                                    JCGM 100, 4.2.3
    resolution      d / sqrt(12) for each of the two readings a travel is made of            F.2.2.1
                    It does not shrink with n: where every stroke shows the same digits,
                    their rounding errors are the same too. Noise dithers the display and leaves
                    less of it, down to a tenth of a step; how much, every stroke says (`levels.rounding_left`).
    maximum error   a / sqrt(3), the maker's limit as a rectangular half-width               4.3.7
    misalignment    a plunger at angle A shows the travel / cos A: L (1 / cos A - 1) / sqrt(3)

Effective degrees of freedom follow Welch-Satterthwaite (G.4.1), the coverage factor is Student's t for 95 %
(G.3), and the decision is that of JCGM 106 (7.2 to 8.3): the travel is taken as t-distributed about the mean,
and a verdict is given only where the probability of its being right is at least 95 %. That is a guard band
inside each limit; between the bands the verdict is `inconclusive`, and it says what would settle it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from capture.strokes.levels import rounded_mean

__all__ = [
    "COVERAGE",
    "BudgetLine",
    "MeasurementLimits",
    "Verdict",
    "VerdictWord",
    "coverage_factor",
    "effective_dof",
    "judge",
    "one_look",
    "probability_below",
]

VerdictWord = Literal["good", "tight", "loose", "inconclusive"]

#: Coverage probability of the expanded uncertainty, and the least probability at which a verdict is given.
COVERAGE = 0.95
#: More strokes than this nobody will make for one pack; beyond it, strokes are said not to help.
MOST_STROKES = 30


@dataclass(frozen=True, slots=True)
class MeasurementLimits:
    """What is known of the indicator: lengths nm, the angle in radians."""

    resolution_nm: int
    max_error_nm: int = 0
    misalignment: float = 0.0


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One row of an uncertainty budget: where it comes from, its standard uncertainty in nm, its dof."""

    source: str
    standard_nm: float
    dof: float
    basis: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is known about a pack's clearance after its strokes. Lengths in nm."""

    verdict: VerdictWord
    mean_nm: int
    expanded_uncertainty_nm: int
    coverage: float
    """Coverage probability of the expanded uncertainty (0.95)."""
    coverage_factor: float
    dof: float
    standard_uncertainty_nm: float
    strokes: int
    low_nm: int
    high_nm: int
    conformance_probability: float
    budget: tuple[BudgetLine, ...]
    next_step: str
    """What the technician should do next, in words."""
    more_strokes: int | None
    """How many more strokes would settle an inconclusive verdict; None where strokes cannot or need not."""


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """Return the two-sided coverage factor k = t_p(dof) (JCGM 100, G.3.2; table G.2)."""
    from scipy.special import ndtri, stdtrit

    upper = (1 + probability) / 2
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def probability_below(limit_nm: float, mean_nm: float, standard_nm: float, dof: float) -> float:
    """Return the probability that the quantity lies below `limit_nm` (JCGM 106, 7.3, with t for few dof)."""
    from scipy.special import ndtr, stdtr

    if standard_nm <= 0:
        return 1.0 if mean_nm < limit_nm else 0.0
    scaled = (limit_nm - mean_nm) / standard_nm
    return float(ndtr(scaled) if math.isinf(dof) else stdtr(dof, scaled))


def effective_dof(budget: Sequence[BudgetLine]) -> float:
    """Return the Welch-Satterthwaite effective degrees of freedom (JCGM 100, G.4.1), inf if all are."""
    combined = math.fsum(line.standard_nm**2 for line in budget)
    shared = math.fsum(line.standard_nm**4 / line.dof for line in budget if not math.isinf(line.dof))
    return combined**2 / shared if shared > 0 else math.inf


def _budget(
    mean: float, spread: float, count: int, limits: MeasurementLimits, rounding_nm: float | None
) -> tuple[BudgetLine, ...]:
    whole = math.sqrt(2) * limits.resolution_nm / math.sqrt(12)
    basis = "two readings, d/sqrt(12)"
    if rounding_nm is not None and rounding_nm < 0.99 * whole:
        whole, basis = rounding_nm, "two levels, d/sqrt(12) dithered by their noise"
    lines = [
        BudgetLine("repeatability", spread / math.sqrt(count), count - 1, f"s/sqrt(n) of {count} strokes"),
        BudgetLine("resolution", whole, math.inf, basis),
    ]
    if limits.max_error_nm:
        lines.append(
            BudgetLine("maximum error", limits.max_error_nm / math.sqrt(3), math.inf, "rectangular, a/sqrt(3)")
        )
    if limits.misalignment:
        excess = abs(mean) * (1 / math.cos(limits.misalignment) - 1)
        lines.append(
            BudgetLine("misalignment", excess / math.sqrt(3), math.inf, "cosine error, L(1/cos A - 1)/sqrt(3)")
        )
    return tuple(lines)


def _decide(below: float, above: float, asked: float) -> VerdictWord:
    if below >= asked:
        return "tight"
    if above >= asked:
        return "loose"
    return "good" if 1 - below - above >= asked else "inconclusive"


def one_look(count: int) -> float:
    """Return how sure a verdict must be that is looked at once, however many strokes it rests on."""
    return COVERAGE


def _judge_once(
    mean: float,
    spread: float,
    count: int,
    low_nm: int,
    high_nm: int,
    limits: MeasurementLimits,
    rounding_nm: float | None,
    asked: Callable[[int], float],
) -> tuple[VerdictWord, float, float, tuple[BudgetLine, ...], float]:
    budget = _budget(mean, spread, count, limits, rounding_nm)
    standard = math.sqrt(math.fsum(line.standard_nm**2 for line in budget))
    dof = effective_dof(budget)
    below = probability_below(low_nm, mean, standard, dof)
    above = 1 - probability_below(high_nm, mean, standard, dof)
    return _decide(below, above, asked(count)), standard, dof, budget, max(0.0, 1 - below - above)


def judge(
    travels_nm: Sequence[int],
    low_nm: int,
    high_nm: int,
    limits: MeasurementLimits,
    roundings_nm: Sequence[int | None] = (),
    asked: Callable[[int], float] = one_look,
) -> Verdict | None:
    """Judge accepted travels (nm) against the range; None with fewer than two, which show no repeatability.

    `roundings_nm` is what rounding leaves in each travel (`Stroke.rounding_nm`); where a stroke does not say, or with
    none given, all of it is left. `asked` says how sure the verdict must be after so many strokes: 95 % where it is
    looked at once; where more strokes may follow, see `looks`.
    """
    count = len(travels_nm)
    if count < 2:
        return None
    mean = math.fsum(travels_nm) / count
    spread = math.sqrt(math.fsum((travel - mean) ** 2 for travel in travels_nm) / (count - 1))
    rounding = _rounding(roundings_nm)
    word, standard, dof, budget, conformance = _judge_once(
        mean, spread, count, low_nm, high_nm, limits, rounding, asked
    )
    factor = coverage_factor(dof)
    verdict = Verdict(
        verdict=word,
        mean_nm=rounded_mean(travels_nm),
        expanded_uncertainty_nm=math.ceil(factor * standard),
        coverage=COVERAGE,
        coverage_factor=factor,
        dof=dof,
        standard_uncertainty_nm=standard,
        strokes=count,
        low_nm=low_nm,
        high_nm=high_nm,
        conformance_probability=conformance,
        budget=budget,
        next_step=_settled_step(word),
        more_strokes=None,
    )
    if word == "inconclusive":
        return _with_what_settles_it(verdict, mean, spread, limits, rounding, asked)
    return verdict


def _rounding(roundings_nm: Sequence[int | None]) -> float | None:
    """Return the root mean square of what rounding leaves in the travels, None unless every one of them says."""
    known = [nm for nm in roundings_nm if nm is not None]
    if not known or len(known) < len(roundings_nm):
        return None
    return math.sqrt(math.fsum(nm**2 for nm in known) / len(known))


def _settled_step(word: VerdictWord) -> str:
    return {
        "good": "In range.",
        "tight": "Too little clearance. Change a part that opens the pack, then check again.",
        "loose": "Too much clearance. Change a part that closes the pack, then check again.",
        "inconclusive": "",
    }[word]


def _with_what_settles_it(
    verdict: Verdict,
    mean: float,
    spread: float,
    limits: MeasurementLimits,
    rounding: float | None,
    asked: Callable[[int], float],
) -> Verdict:
    """Say how many more strokes would settle it if they repeat like these, or why no number would."""
    low, high, count = verdict.low_nm, verdict.high_nm, verdict.strokes
    for total in range(count + 1, MOST_STROKES + 1):
        if _judge_once(mean, spread, total, low, high, limits, rounding, asked)[0] != "inconclusive":
            more = total - count
            text = f"Too close to call: about {more} more {'stroke' if more == 1 else 'strokes'} should settle it."
            return replace(verdict, next_step=text, more_strokes=more)
    level = asked(count)
    edge = "lower" if mean - low < high - mean else "upper"
    fixed = _budget(mean, 0.0, MOST_STROKES, limits, rounding)
    instrument = math.sqrt(math.fsum(line.standard_nm**2 for line in fixed))
    # What the indicator alone may contribute for a mean this far from the limit (JCGM 106, one-sided guard band).
    needed = abs(mean - (low if edge == "lower" else high)) / coverage_factor(math.inf, 2 * level - 1)
    # Without any scatter, would this mean settle it? Then it is the strokes that differ too much.
    if _judge_once(mean, 0.0, MOST_STROKES, low, high, limits, rounding, lambda _: level)[0] != "inconclusive":
        text = (
            f"More strokes cannot settle it: they differ by too much (standard deviation {spread / 1000:.1f} um). "
            "Find out why, such as a loose stand, unsteady air or a sticking piston, then check again."
        )
    elif needed >= instrument:
        text = (
            f"More strokes cannot settle it: the indicator itself is uncertain by {instrument / 1000:.1f} um, "
            "too much for a range this narrow. Use a finer indicator."
        )
    elif needed > limits.resolution_nm / 50:
        text = (
            f"More strokes cannot settle it: the indicator itself is uncertain by {instrument / 1000:.1f} um and the "
            f"{edge} limit asks for {needed / 1000:.1f} um. Use a finer indicator, or move the pack off the limit."
        )
    else:
        text = (
            f"More strokes cannot settle it: the travel lies on the {edge} limit. "
            "Change a part to bring the pack well inside its range."
        )
    return replace(verdict, next_step=text)
