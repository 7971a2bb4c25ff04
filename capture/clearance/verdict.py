"""Strokes and a range in; mean, uncertainty and a verdict out.

Theory. The clearance is the mean travel of the accepted strokes, corrected for what is known to be one-sided (JCGM 100,
6.3.1 and F.2.4.5: by the middle of what it may be). What is not known of it is, as JCGM 100 (the GUM) says, what the
strokes show (type A, 4.2) and what is known of the indicator (type B, 4.3):

    repeatability   s / sqrt(n), n - 1 degrees of freedom                                    JCGM 100, 4.2.3
    resolution      d / sqrt(12) for each of the two readings a travel is made of            F.2.2.1
                    It does not shrink with n: where every stroke shows the same digits,
                    their rounding errors are the same too. Noise dithers the display and leaves
                    less of it, down to a tenth of a step; how much, every stroke says (`levels.rounding_left`).
                    Two equal rectangles: a triangle
    maximum error   a / sqrt(3), the maker's limit as a rectangular half-width               4.3.7
    reading         a needle is read by an eye that may stand beside it: for each of the two readings a rectangle of the
                    half-width that the settings give, half a division where they give none (common practice)
    misalignment    a plunger at any angle up to A shows up to L (1 - cos A) too much in a reading L, since it shows the
                    travel / cos A (geometry). Corrected by half, and as much to either side
    hysteresis      a plunger with play H shows a place higher or lower by H, by which side it came from. Whatever it
                    loses where it turns round, at the rest or in the hold, a travel is short by 0 to H, and never long.
                    Corrected by half. What is left is no rectangle: a plunger has the play it has in every check, and
                    one that has all of what was set lies at the rectangle's edge, beyond 95 % of it. So the play is
                    taken to be at one end or the other, each as likely; of all between the two that has the widest
                    interval, and whatever the play is, 95 of 100 intervals hold the clearance: P(|e + x| <= U) over an
                    error e of one peak is least for x at an end

Where the gauge was checked against a master, what was found stands for the maker's limit (`gauge.error_found`).

Each line has a distribution, and together they have theirs (`distribution`, JCGM 101): the expanded uncertainty is the
half-width of the interval that holds 95 % of it, the coverage factor that over the combined standard uncertainty. The
effective degrees of freedom of Welch and Satterthwaite (JCGM 100, G.4.1) are told beside it and decide nothing.

The decision is that of JCGM 106 (7.2 to 8.3): a verdict is given only where the probability of its being right is at
least 95 %. That is a guard band inside each limit; between the bands the verdict is `inconclusive`, and it says what
would settle it.

Travels that are all whole display steps move their mean by whole parts of a step only: by d / n, or by d where all are
the same. What is read at a mean is as likely wherever in such a part the clearance is, so a decision counts the whole
of it, half a part to either side (a continuity correction). Without it a pack on a limit that is a whole step itself,
as limits are, would be called good up to twice as often as the risk allows.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Literal

from capture.clearance.budget import NOT_CHECKED, OF_THE_INDICATOR, BudgetLine, effective_dof, if_checked, spread_of
from capture.clearance.distribution import Distribution
from capture.clearance.gauge.error_found import ErrorFound
from capture.strokes.levels import rounded_mean

__all__ = [
    "COVERAGE",
    "MeasurementLimits",
    "Remark",
    "RemarkCode",
    "Verdict",
    "VerdictWord",
    "judge",
    "one_look",
]

VerdictWord = Literal["good", "tight", "loose", "inconclusive"]
#: What a verdict can say beside itself.
RemarkCode = Literal["leak", "leak_down", "leak_once", "leak_down_once", "air_at_start"]

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
    hysteresis_nm: int = 0
    """The play of the plunger: how much it may lose where it turns round."""
    found: ErrorFound | None = None
    """What a check against masters says of its error; None where none holds."""
    reading_error_nm: int = 0
    """How far each reading may be off by the eye that read it, beside its rounding."""


@dataclass(frozen=True, slots=True)
class Remark:
    """A finding that a verdict carries beside its word, and that is no less important."""

    code: RemarkCode
    text: str


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
    remarks: tuple[Remark, ...] = ()

    @property
    def seal(self) -> tuple[Remark, ...]:
        """What its strokes show of the seal."""
        return tuple(remark for remark in self.remarks if remark.code.startswith("leak"))

    @property
    def air_at_start(self) -> bool:
        """Whether the check may have begun while the air was on."""
        return any(remark.code == "air_at_start" for remark in self.remarks)

    @property
    def leaks(self) -> bool:
        """Whether its strokes show that the seal leaks; one stroke alone does not."""
        return any(remark.code in ("leak", "leak_down") for remark in self.remarks)

    @property
    def needs_a_master(self) -> bool:
        """Whether it is inconclusive for want of a check of the gauge: with one that finds no error it would not be."""
        checked = if_checked(self.budget) if self.verdict == "inconclusive" else None
        if checked is None:
            return False
        below, above = _chances(spread_of(checked), self.mean_nm, self.low_nm, self.high_nm)
        return max(below, above, 1 - below - above) >= COVERAGE

    @property
    def limit_known(self) -> bool:
        """Whether anything is known of the indicator's own error: the maker's limit, or what a check found."""
        return any(line.source in OF_THE_INDICATOR - {"hysteresis"} for line in self.budget)

    @property
    def scattered(self) -> bool:
        """Whether its strokes differ so much that not even the middle of the range could be called good by them:
        nothing follows for parts then."""
        if self.verdict != "inconclusive":
            return False
        half = (self.high_nm - self.low_nm) / 2
        with_it, without = (1 - 2 * spread.below(-half) for spread in (self.spread, self.without_scatter))
        return bool(with_it < self.coverage <= without)

    @property
    def spread(self) -> Distribution:
        """How what is not known of the clearance is distributed about the mean."""
        return spread_of(self.budget)

    @property
    def without_scatter(self) -> Distribution:
        """The same if the strokes repeated exactly: what is left however many of them are made."""
        return spread_of(line for line in self.budget if line.source != "repeatability")


@dataclass(frozen=True, slots=True)
class _Strokes:
    """What the strokes show, and how sure one asks to be after how many. Lengths nm."""

    mean: float
    """Not corrected."""
    spread: float
    """Standard deviation of a stroke."""
    count: int
    rounding: float | None
    inferred: float | None
    grid: float
    """What the mean moves by where all travels are whole display steps; else 0."""

    def one_sided(self, limits: MeasurementLimits) -> tuple[float, float]:
        """Return half of what misalignment may add to the mean, and half of what play may take from it."""
        known = self._found(limits)
        left = 1.0 if known is None else known.play_left(abs(self.mean))
        return abs(self.mean) * (1 - math.cos(limits.misalignment)) / 2, left * limits.hysteresis_nm / 2

    def _found(self, limits: MeasurementLimits) -> ErrorFound | None:
        """Return what was found of the gauge's error, where it stands for the maker's limit."""
        found = limits.found
        return found if found is not None and found.serves(abs(self.mean)) else None

    def corrected(self, limits: MeasurementLimits) -> float:
        """Return the best estimate of the clearance."""
        long, short = self.one_sided(limits)
        found = self._found(limits)
        known = 0.0 if found is None else found.correction(abs(self.mean))
        return self.mean + short + math.copysign(1.0, self.mean) * (known - long)

    def budget(self, limits: MeasurementLimits) -> tuple[BudgetLine, ...]:
        """Return the budget."""
        count = self.count
        whole = math.sqrt(2) * limits.resolution_nm / math.sqrt(12)
        basis = "two readings, d/sqrt(12)"
        if self.rounding is not None and self.rounding < 0.99 * whole:
            whole, basis = self.rounding, "two levels, d/sqrt(12) dithered by their noise"
        lines = [
            BudgetLine("repeatability", self.spread / math.sqrt(count), count - 1, f"s/sqrt(n) of {count} strokes"),
            BudgetLine("resolution", whole, math.inf, basis, "triangular"),
        ]
        if limits.reading_error_nm:
            eye = math.sqrt(2) * limits.reading_error_nm / math.sqrt(3)
            basis = f"the eye at the needle, {limits.reading_error_nm / 1000:g} um either way in each of two readings"
            lines.append(BudgetLine("reading", eye, math.inf, basis, "triangular"))
        if self.inferred:
            basis = "what the strokes could not read: drift, tails and leaks followed to their ends"
            lines.append(BudgetLine("inferred", self.inferred, math.inf, basis))
        long, short = self.one_sided(limits)
        most, why = float(limits.max_error_nm), NOT_CHECKED
        if (found := self._found(limits)) is not None:
            lines += (BudgetLine(*line) for line in found.lines(abs(self.mean)))
            most = 0.0
        elif limits.found is not None:
            most, why = max(most, float(limits.found.widened_nm)), limits.found.why_not
        for source, half_width, basis in (
            ("maximum error", most, why),
            ("misalignment", long, "cosine error 0 to L(1 - cos A), corrected by half"),
        ):
            if half_width:
                lines.append(BudgetLine(source, half_width / math.sqrt(3), math.inf, basis, "rectangular"))
        if short:
            basis = "play of the plunger 0 or H, corrected by half"
            lines.append(BudgetLine("hysteresis", short, math.inf, basis, "two points"))
        return tuple(lines)

    def decide(self, low_nm: int, high_nm: int, limits: MeasurementLimits, asked: float) -> VerdictWord:
        """Return what can be said with the probability asked for."""
        half = self.grid / (2 * self.count) if self.spread else self.grid / 2
        spread, mean = spread_of(self.budget(limits)), self.corrected(limits)
        below, above = _chances(spread, mean, round(low_nm - half), round(high_nm + half))
        if below >= asked:
            return "tight"
        if above >= asked:
            return "loose"
        inner = sum(_chances(spread, mean, round(low_nm + half), round(high_nm - half))) if half else below + above
        return "good" if 1 - inner >= asked else "inconclusive"


def _chances(spread: Distribution, mean: float, low_nm: int, high_nm: int) -> tuple[float, float]:
    """Return the probabilities that the clearance is below and above the range.

    Rounded, so that another machine's last digits cannot make another verdict.
    """
    below, above = spread.below((low_nm - mean, mean - high_nm)).tolist()
    return round(below, 9), round(above, 9)


def one_look(count: int) -> float:
    """Return how sure a verdict must be that is looked at once, however many strokes it rests on."""
    return COVERAGE


def judge(
    travels_nm: Sequence[int],
    low_nm: int,
    high_nm: int,
    limits: MeasurementLimits,
    roundings_nm: Sequence[int | None] = (),
    asked: Callable[[int], float] = one_look,
    inferred_nm: Sequence[int | None] = (),
) -> Verdict | None:
    """Judge accepted travels (nm) against the range; None with fewer than two, which show no repeatability.

    `roundings_nm` is what rounding leaves in each travel (`Stroke.rounding_nm`); where a stroke does not say, or with
    none given, all of it is left. `inferred_nm` is the standard uncertainty of what was followed and not read
    (`Stroke.inferred_nm`); strokes err alike in it, so it does not shrink with their number. `asked` says how sure the
    verdict must be after so many strokes: 95 % where it is looked at once; where more may follow, see `stopping`.
    """
    count = len(travels_nm)
    if count < 2:
        return None
    mean = math.fsum(travels_nm) / count
    shown = _Strokes(
        mean,
        math.sqrt(math.fsum((travel - mean) ** 2 for travel in travels_nm) / (count - 1)),
        count,
        _root_mean_square(roundings_nm),
        _root_mean_square([nm or 0 for nm in inferred_nm]),
        _grid(travels_nm, limits.resolution_nm),
    )
    budget = shown.budget(limits)
    spread = spread_of(budget)
    below, above = _chances(spread, shown.corrected(limits), low_nm, high_nm)
    word = shown.decide(low_nm, high_nm, limits, asked(count))
    expanded = spread.half_width(COVERAGE)
    verdict = Verdict(
        verdict=word,
        mean_nm=rounded_mean(travels_nm) + round(shown.corrected(limits) - mean),
        expanded_uncertainty_nm=math.ceil(expanded),
        coverage=COVERAGE,
        coverage_factor=expanded / spread.standard_nm if spread.standard_nm else 1.0,
        dof=effective_dof(budget),
        standard_uncertainty_nm=spread.standard_nm,
        strokes=count,
        low_nm=low_nm,
        high_nm=high_nm,
        conformance_probability=max(0.0, 1 - below - above),
        budget=budget,
        next_step=_settled_step(word),
        more_strokes=None,
    )
    return _with_what_settles_it(verdict, shown, limits, asked) if word == "inconclusive" else verdict


def _grid(travels_nm: Sequence[int], resolution_nm: int) -> float:
    """Return the display step where all travels are whole steps, else 0: then averaging has left the grid."""
    off = not resolution_nm or any(travel % resolution_nm for travel in travels_nm)
    return 0.0 if off else float(resolution_nm)


def _root_mean_square(told_nm: Sequence[int | None]) -> float | None:
    """Return the root mean square of what the strokes say, None unless every one of them does."""
    known = [nm for nm in told_nm if nm is not None]
    if not known or len(known) < len(told_nm):
        return None
    return math.sqrt(math.fsum(nm**2 for nm in known) / len(known))


def _settled_step(word: VerdictWord) -> str:
    return {
        "good": "In range; nothing to change.",
        "tight": "Too little clearance. Change a part that opens the pack, then check again.",
        "loose": "Too much clearance. Change a part that closes the pack, then check again.",
        "inconclusive": "",
    }[word]


def _with_what_settles_it(
    verdict: Verdict, shown: _Strokes, limits: MeasurementLimits, asked: Callable[[int], float]
) -> Verdict:
    """Say how many more strokes would settle it if they repeat like these, or why no number would."""
    low, high, count = verdict.low_nm, verdict.high_nm, verdict.strokes

    def settled(total: int, spread: float = shown.spread) -> bool:
        like_these = replace(shown, count=total, spread=spread)
        return like_these.decide(low, high, limits, asked(total) if spread else level) != "inconclusive"

    level = asked(count)
    totals = [total for total in range(count + 1, MOST_STROKES + 1) if asked(total) < 1]
    for _, equal in groupby(totals, key=asked):
        # As sure as one asks to be in all of these, more strokes are as good or better.
        run = list(equal)
        if settled(run[-1]):
            more = run[bisect_left(run, True, key=settled)] - count
            text = f"Too close to call: about {more} more {'stroke' if more == 1 else 'strokes'} should settle it."
            return replace(verdict, next_step=text, more_strokes=more)
    mean = shown.corrected(limits)
    edge = "lower" if mean - low < high - mean else "upper"
    distance = abs(mean - (low if edge == "lower" else high))
    fixed = verdict.without_scatter
    instrument = fixed.standard_nm
    # What the indicator alone may contribute for a mean this far from the limit (JCGM 106, one-sided guard band).
    guard = fixed.quantile(level) if level < 1 else math.inf
    needed = instrument * distance / guard if guard else math.inf
    # Without any scatter, would this mean settle it? Then it is the strokes that differ too much.
    if settled(MOST_STROKES, 0.0):
        text = (
            "More strokes cannot settle it: they differ by too much "
            f"(standard deviation {shown.spread / 1000:.1f} um). "
            "Find out why, such as a loose stand, unsteady air or a sticking piston, then check again."
        )
    elif verdict.needs_a_master:
        text = (
            f"More strokes cannot settle it: the indicator may be off by {limits.max_error_nm / 1000:g} um, as its "
            "maker says. Check it against a master: where it is found in order, a new check of the pack should settle "
            "it."
        )
    elif distance >= guard:
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
