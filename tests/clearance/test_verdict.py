"""The verdict against the guides' printed values, certified data and two independent uncertainty packages."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path

import GTC
import numpy as np
import pytest
import scipy.stats
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from capture.clearance.budget import BudgetLine, effective_dof
from capture.clearance.verdict import COVERAGE, MOST_STROKES, MeasurementLimits, Verdict, judge

LOW, HIGH = 800_000, 1_400_000
MICRON = MeasurementLimits(1_000)
NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def judged(travels: list[int], low: int = LOW, high: int = HIGH, limits: MeasurementLimits = MICRON) -> Verdict:
    verdict = judge(travels, low, high, limits)
    assert verdict is not None
    return verdict


def part(verdict: Verdict, source: str) -> BudgetLine:
    return next(line for line in verdict.budget if line.source == source)


def strokes_like(mean: int, spread: float, count: int) -> list[int]:
    """Whole-nanometre travels of this mean and, to half a nanometre, this sample standard deviation."""
    pairs = count // 2
    off = round(spread * math.sqrt((count - 1) / (2 * pairs)))
    return [mean - off] * pairs + [mean] * (count % 2) + [mean + off] * pairs


def off_the_grid(travels: list[int]) -> list[int]:
    """These travels, none a whole display step: as strokes measure them whose levels noise has averaged."""
    return [travel if travel % 10 else travel + 1 for travel in travels]


# Type A and type B parts

# JCGM 100, 4.4.3, table 1: twenty temperatures in degrees Celsius (from memory), here in hundredths.
TEMPERATURES = [
    9690, 9818, 9825, 9861, 9903, 9949, 9956, 9974, 9989, 10007,
    10033, 10042, 10068, 10095, 10111, 10120, 10157, 10184, 10236, 10272,
]  # fmt: skip


def test_the_guides_twenty_temperatures_give_its_mean_and_standard_deviation() -> None:
    verdict = judged([value * 1_000 for value in TEMPERATURES])
    repeatability = part(verdict, "repeatability")
    # JCGM 100, 4.4.3: mean 100.145, s 1.489, s of the mean 0.333 (from memory).
    assert verdict.mean_nm == 10_014_500
    assert repeatability.standard_nm * math.sqrt(20) / 1e5 == pytest.approx(1.489, abs=0.0005)
    assert repeatability.standard_nm / 1e5 == pytest.approx(0.333, abs=0.0005)
    assert repeatability.dof == 19


def test_the_display_step_enters_once_for_each_of_a_travels_two_readings() -> None:
    # JCGM 100, F.2.2.1: d/sqrt(12) = 0.29 d for one reading; a travel is the difference of two.
    resolution = part(judged([1_100_000] * 5, limits=MeasurementLimits(12_700)), "resolution")
    assert resolution.standard_nm == pytest.approx(math.sqrt(2) * 12_700 / math.sqrt(12), rel=1e-12)
    assert resolution.standard_nm / math.sqrt(2) == pytest.approx(0.29 * 12_700, rel=0.01)
    assert math.isinf(resolution.dof)


def test_the_makers_error_limit_is_a_rectangular_half_width() -> None:
    # JCGM 100, 4.3.7: u = a/sqrt(3).
    line = part(judged([1_100_000] * 5, limits=MeasurementLimits(1_000, 20_000)), "maximum error")
    assert line.standard_nm == pytest.approx(20_000 / math.sqrt(3), rel=1e-12)


def test_a_plunger_up_to_ten_degrees_off_reads_up_to_1_54_percent_long_and_is_corrected_by_half_of_that() -> None:
    # Geometry: 1/cos(10 deg) - 1 = 1.54 %, that is 0.77 thousandths on 50.
    travel, long = 50 * 25_400, 0.77 * 25_400
    verdict = judged([round(travel + long)] * 5, limits=MeasurementLimits(1_000, misalignment=math.radians(10)))
    half_width = part(verdict, "misalignment").standard_nm * math.sqrt(3)
    assert half_width / 25_400 == pytest.approx(0.77 / 2, abs=0.005)
    # From the travel read straight to the one read at ten degrees, and no further to either side.
    assert verdict.mean_nm - half_width == pytest.approx(travel, abs=150)
    assert verdict.mean_nm + half_width == pytest.approx(travel + long, abs=150)


@pytest.mark.parametrize("play", [1_000, 3_000, 5_000])
def test_a_travel_that_lost_to_the_plungers_play_is_corrected_by_half_of_it(play: int) -> None:
    # The plunger turns round at both ends of a stroke; what it loses lies between nothing and all of its play.
    limits = MeasurementLimits(1_000, hysteresis_nm=play)
    truth = 1_100_000
    for lost in (0.0, 0.5, 0.9, 1.0):
        shown = round(truth - lost * play)
        verdict = judged([shown - 300, shown, shown + 300], limits=limits)
        assert verdict.mean_nm == shown + play // 2
        assert abs(verdict.mean_nm - truth) <= verdict.expanded_uncertainty_nm
        # JCGM 100, 4.3.7: the square of a term that is a to either side of its mean is a squared.
        assert part(verdict, "hysteresis").standard_nm == pytest.approx(play / 2)
    # JCGM 100, F.2.4.5: uncorrected, 0.9 of the play lost is outside any interval of a steady reading.
    alone = judged([round(truth - 0.9 * play)] * 3, limits=MeasurementLimits(100))
    assert abs(alone.mean_nm - truth) > alone.expanded_uncertainty_nm


@pytest.mark.parametrize(("play", "scatter"), [(1_000, 300), (5_000, 300), (20_000, 300), (3_000, 1_500)])
def test_whatever_the_play_is_up_to_what_was_set_the_interval_holds_the_clearance(play: int, scatter: int) -> None:
    # JCGM 101, 6.4.9: the strokes are drawn, and what is held is counted.
    rng, limits, checks = random.Random(play + scatter), MeasurementLimits(100, hysteresis_nm=play), 600
    worlds: list[Callable[[], float]] = [lambda: 0.0, lambda: 1.0, lambda: 0.9, rng.random]
    held = [0] * len(worlds)
    for check in range(checks):
        shown = [round(1_100_000 + rng.gauss(0, scatter)) for _ in range(5)]
        verdict = judged(shown, limits=limits)
        for number, world in enumerate(worlds):
            # What all strokes lose alike moves the mean and nothing else; now and then that is tried.
            lost = round(play * world())
            if check % 50 == 0:
                moved = judged([travel - lost for travel in shown], limits=limits)
                assert moved.mean_nm == verdict.mean_nm - lost
                assert moved.expanded_uncertainty_nm == pytest.approx(verdict.expanded_uncertainty_nm, abs=1)
            held[number] += abs(verdict.mean_nm - lost - 1_100_000) <= verdict.expanded_uncertainty_nm
    # Two standard errors of a binomial proportion below what is asked (NIST/SEMATECH e-Handbook, 7.2.4).
    assert min(held) / checks >= 0.93 - 2 * math.sqrt(0.93 * 0.07 / checks)


def test_what_is_not_known_of_the_indicator_is_not_in_the_budget() -> None:
    assert [line.source for line in judged([1_100_000, 1_101_000]).budget] == ["repeatability", "resolution"]


# Whole budgets

TRAVELS = st.lists(st.integers(900_000, 1_300_000), min_size=2, max_size=12)
INDICATORS = st.builds(
    MeasurementLimits, st.sampled_from([1_000, 2_540, 10_000, 12_700]), st.integers(0, 30_000), st.floats(0, 0.3)
)


@given(TRAVELS, INDICATORS)
def test_the_budget_is_that_of_an_independent_uncertainty_package(
    travels: list[int], limits: MeasurementLimits
) -> None:
    assume(len(set(travels)) > 1)
    verdict = judged(travels, limits=limits)
    # The independent reference is the package GTC (Measurement Standards Laboratory of New Zealand): the same inputs
    # to GTC.type_a.estimate and GTC.ureal, its own propagation.
    mean = GTC.type_a.estimate(travels)
    top = GTC.ureal(0, GTC.type_b.uniform(limits.resolution_nm / 2))
    rest = GTC.ureal(0, GTC.type_b.uniform(limits.resolution_nm / 2))
    error = GTC.ureal(0, GTC.type_b.uniform(limits.max_error_nm)) if limits.max_error_nm else 0
    half = mean.x * (1 - math.cos(limits.misalignment)) / 2
    tilt = GTC.ureal(-half, GTC.type_b.uniform(half)) if half else 0
    travel = mean + top - rest + error + tilt
    assert verdict.standard_uncertainty_nm == pytest.approx(travel.u, rel=1e-9)
    assert verdict.dof == pytest.approx(travel.df, rel=1e-9)
    assert verdict.mean_nm == pytest.approx(travel.x, abs=1.001)
    # GTC's interval is Welch and Satterthwaite's (JCGM 100, G.4.1): the same where several terms of like size add up.
    if verdict.dof > 30 and max(line.standard_nm for line in verdict.budget) < 0.6 * travel.u:
        interval = GTC.rp.k_factor(travel.df) * travel.u
        assert verdict.expanded_uncertainty_nm == pytest.approx(interval, rel=0.05, abs=2)


@given(TRAVELS, INDICATORS)
def test_the_combined_uncertainty_is_that_of_a_second_package(travels: list[int], limits: MeasurementLimits) -> None:
    # The independent reference is the package `uncertainties` (ufloat): linear propagation of independent inputs.
    # The standard deviation of the strokes is SciPy's, scipy.stats.tstd.
    verdict = judged(travels, limits=limits)
    count = len(travels)
    mean = sum(travels) / count
    reading = limits.resolution_nm / math.sqrt(12)
    travel = mean + ufloat(0, reading) - ufloat(0, reading)
    excess = mean * (1 - math.cos(limits.misalignment)) / 2
    spread = scipy.stats.tstd(travels) if len(set(travels)) > 1 else 0.0
    for part_nm in (spread / math.sqrt(count), limits.max_error_nm / math.sqrt(3), excess / math.sqrt(3)):
        if part_nm:  # the package warns about a part of nothing
            travel += ufloat(0, part_nm)
    assert verdict.standard_uncertainty_nm == pytest.approx(travel.s, rel=1e-9)


def test_degrees_of_freedom_are_unlimited_where_every_part_has_them() -> None:
    assert math.isinf(effective_dof([BudgetLine("resolution", 3.0, math.inf, "")]))
    # One part with few degrees of freedom and alone: those are the result's.
    assert effective_dof([BudgetLine("repeatability", 3.0, 4, "")]) == pytest.approx(4, rel=1e-12)


def nist(name: str) -> tuple[list[list[int]], float, float, float]:
    """A NIST StRD file: groups (in units of 1e-12), certified F, within mean square, residual deviation."""
    lines = (NIST / name).read_text(encoding="ascii").splitlines()
    within = next(line for line in lines if line.startswith("Within")).split()
    between = next(line for line in lines if line.startswith("Between")).split()
    at = next(index for index, line in enumerate(lines) if line.strip().startswith("Standard Deviation"))
    groups: dict[str, list[int]] = {}
    for line in lines[60:]:
        if line.strip():
            group, value = line.split()
            groups.setdefault(group, []).append(picos(value))
    return list(groups.values()), float(between[-1]), float(within[-1]), float(lines[at].split()[-1])


def picos(text: str) -> int:
    whole, _, decimals = text.partition(".")
    assert len(decimals) <= 12
    return int(whole + decimals.ljust(12, "0"))


@pytest.mark.parametrize(
    "name",
    ["SiRstv.dat", "AtmWtAg.dat", *(f"SmLs0{n}.dat" for n in range(1, 7))],
)
def test_means_and_spreads_reproduce_nists_certified_analysis_of_variance(name: str) -> None:
    # NIST StRD, analysis of variance: the certified values are in the files that SciPy ships. The variance between
    # groups is scipy.stats.tvar's.
    groups, certified_f, certified_within, certified_deviation = nist(name)
    means, sums_of_squares = [], []
    for group in groups:
        verdict = judged(group)
        means.append(verdict.mean_nm)
        variance = part(verdict, "repeatability").standard_nm ** 2 * len(group)
        sums_of_squares.append(variance * (len(group) - 1))
    within = math.fsum(sums_of_squares) / sum(len(group) - 1 for group in groups)
    (size,) = {len(group) for group in groups}
    between = size * scipy.stats.tvar([mean - means[0] for mean in means])
    assert within / 1e24 == pytest.approx(certified_within, rel=1e-6)
    assert math.sqrt(within) / 1e12 == pytest.approx(certified_deviation, rel=1e-6)
    assert between / within == pytest.approx(certified_f, rel=1e-6)


# Decision rules


@pytest.mark.parametrize("travels", [[], [1_100_000]])
def test_fewer_than_two_strokes_give_no_verdict(travels: list[int]) -> None:
    assert judge(travels, LOW, HIGH, MICRON) is None


@pytest.mark.parametrize("limits", [MICRON, MeasurementLimits(12_700), MeasurementLimits(10_000, 15_000)])
def test_identical_strokes_are_judged_by_a_guard_band_that_five_in_a_hundred_are_beyond(
    limits: MeasurementLimits,
) -> None:
    # JCGM 106, 8.3.2: a guard band that 5 % of what the travel may be lies beyond. Drawn as JCGM 101 draws it: two
    # readings' rounding and the indicator's error, rectangular; wide by three standard errors of the quantile.
    draws = np.random.default_rng(1).uniform(-0.5, 0.5, (3, 1_000_000))
    total = limits.resolution_nm * (draws[0] + draws[1]) + 2 * limits.max_error_nm * draws[2]
    band = float(np.quantile(total, 0.95))
    inside, outside = math.ceil(band * 1.003), math.floor(band * 0.997)
    words = {
        LOW - inside: "tight",
        LOW - outside: "inconclusive",
        LOW: "inconclusive",
        LOW + outside: "inconclusive",
        LOW + inside: "good",
        (LOW + HIGH) // 2: "good",
        HIGH - inside: "good",
        HIGH - outside: "inconclusive",
        HIGH: "inconclusive",
        HIGH + outside: "inconclusive",
        HIGH + inside: "loose",
    }
    assert {mean: judged([mean] * 5, limits=limits).verdict for mean in words} == words


MEASURED = (
    st.lists(st.integers(700_000, 1_500_000), min_size=2, max_size=8)
    | st.builds(strokes_like, st.integers(700_000, 1_500_000), st.floats(0, 60_000), st.integers(2, 12))
).map(off_the_grid)


@given(MEASURED, INDICATORS)
def test_a_pack_as_far_beyond_one_limit_is_judged_as_at_the_other(
    travels: list[int], limits: MeasurementLimits
) -> None:
    limits = MeasurementLimits(limits.resolution_nm, limits.max_error_nm)  # the cosine error grows with the travel
    here = judged(travels, limits=limits)
    mirrored = judged([LOW + HIGH - travel for travel in travels], limits=limits)
    assume(not any(abs(p - COVERAGE) < 1e-9 for p in (here.conformance_probability, chance_outside(here))))
    assert {"tight": "loose", "loose": "tight"}.get(here.verdict, here.verdict) == mirrored.verdict
    assert here.conformance_probability == pytest.approx(mirrored.conformance_probability, abs=1e-9)
    assert here.more_strokes == mirrored.more_strokes or here.verdict == "inconclusive"


def chance_outside(verdict: Verdict) -> float:
    return 1 - verdict.conformance_probability


def chances(travels: list[int], verdict: Verdict) -> tuple[float, float]:
    """The chances of lying below and above the range, by integrating SciPy's own distributions over one another."""
    mean = sum(travels) / len(travels)
    (scatter,) = [line for line in verdict.budget if line.source == "repeatability"]
    nodes, weights = np.polynomial.legendre.leggauss(120)
    offsets, masses = np.zeros(1), np.ones(1)
    for line in verdict.budget:
        if line.source == "repeatability":
            continue
        if line.distribution == "triangular":
            half = math.sqrt(6) * line.standard_nm
            up, over = (nodes + 1) / 2, weights / 2
            at, mass = np.concatenate([-half * up, half * up]), np.tile(over * (1 - up), 2)
        else:
            at, mass = math.sqrt(3) * line.standard_nm * nodes, weights / 2
        offsets, masses = np.add.outer(offsets, at).ravel(), np.multiply.outer(masses, mass).ravel()
    scale = max(scatter.standard_nm, 1e-6)

    def below(x: float) -> float:
        # The independent reference: SciPy's own t distribution, scipy.stats.t.cdf.
        return float(masses @ scipy.stats.t.cdf((x - offsets) / scale, scatter.dof))

    return below(LOW - mean), below(mean - HIGH)


@settings(deadline=None)
@given(MEASURED, st.builds(MeasurementLimits, st.sampled_from([1_000, 10_000, 12_700]), st.integers(0, 30_000)))
def test_a_verdict_is_given_exactly_where_it_is_right_with_95_percent(
    travels: list[int], limits: MeasurementLimits
) -> None:
    verdict = judged(travels, limits=limits)
    below, above = chances(travels, verdict)
    inside = 1 - below - above
    # How far Gauss's nodes go astray where next to nothing scatters.
    near = 5e-3 if part(verdict, "repeatability").standard_nm < 500 else 5e-5
    assume(all(abs(p - 0.95) > near for p in (below, above, inside)))
    right = {"tight": below, "loose": above, "good": inside}
    assert verdict.verdict == next((word for word, p in right.items() if p >= 0.95), "inconclusive")
    assert verdict.conformance_probability == pytest.approx(inside, abs=near)


@given(st.integers(2, 30), st.integers(500_000, 2_000_000), INDICATORS)
def test_identical_strokes_never_hide_the_display_step(count: int, travel: int, limits: MeasurementLimits) -> None:
    # Every stroke showing the same digits says only that all lie in one display step (JCGM 100, F.2.2.1).
    verdict = judged([travel] * count, limits=limits)
    # Two readings' rounding is a triangle: 95 % of it lies within (1 - sqrt(0.05)) d (JCGM 101, 6.4.5).
    assert verdict.expanded_uncertainty_nm >= (1 - math.sqrt(0.05)) * limits.resolution_nm - 1
    assert math.isinf(verdict.dof)


# What settles an inconclusive verdict


@given(st.sampled_from([LOW, HIGH]), st.integers(-80_000, 80_000), st.floats(0.5, 2.0), st.integers(2, 8))
def test_making_as_many_more_strokes_as_asked_settles_it(limit: int, off: int, scatter: float, count: int) -> None:
    mean = limit + off
    travels = off_the_grid(strokes_like(mean, scatter * abs(off), count))
    verdict = judged(travels)
    more = verdict.more_strokes
    assume(more is not None)
    assert more is not None and verdict.verdict == "inconclusive"
    assert f"about {more} more stroke" in verdict.next_step and count + more <= MOST_STROKES
    exact = part(verdict, "repeatability").standard_nm * math.sqrt(count)
    after = judged(off_the_grid(strokes_like(mean, exact, count + more)))
    near = min(abs(p - 0.95) for p in (*chances(travels, after), after.conformance_probability))
    assert after.verdict != "inconclusive" or near < 1e-3  # travels are whole nanometres
    if more > 1:
        before = judged(off_the_grid(strokes_like(mean, exact, count + more - 1)))
        near = min(abs(p - 0.95) for p in (*chances(travels, before), before.conformance_probability))
        assert before.verdict == "inconclusive" or near < 1e-3


@pytest.mark.parametrize(
    ("travels", "limits", "reason"),
    [
        ([HIGH] * 5, MICRON, "lies on the upper limit"),
        ([LOW + 1, LOW - 1, LOW], MICRON, "lies on the lower limit"),
        ([HIGH - 10_000] * 5, MeasurementLimits(1_000, 20_000), "Check it against a master"),
        ([HIGH - 2_000] * 5, MeasurementLimits(1_000, 20_000), "Use a finer indicator, or move the pack"),
        ([1_100_000] * 5, MeasurementLimits(420_000), "too much for a range this narrow"),
        ([100_000, 2_100_000], MICRON, "they differ by too much"),
        ([HIGH - 20_000 - 300_000, HIGH - 20_000 + 300_000], MICRON, "they differ by too much"),
    ],
)
def test_it_says_why_more_strokes_cannot_help(travels: list[int], limits: MeasurementLimits, reason: str) -> None:
    verdict = judged(travels, limits=limits)
    assert verdict.verdict == "inconclusive" and verdict.more_strokes is None
    assert verdict.next_step.startswith("More strokes cannot settle it") and reason in verdict.next_step


@pytest.mark.parametrize(
    ("travel", "word", "step"),
    [(700_000, "tight", "opens the pack"), (1_100_000, "good", "In range"), (1_500_000, "loose", "closes the pack")],
)
def test_a_settled_verdict_says_what_to_do(travel: int, word: str, step: str) -> None:
    verdict = judged([travel] * 3)
    assert verdict.verdict == word and step in verdict.next_step and verdict.more_strokes is None


def test_the_rounding_that_is_left_is_what_the_strokes_say_and_all_of_it_where_one_does_not() -> None:
    limits = MeasurementLimits(10_000)
    travels = [1_100_000, 1_101_000, 1_099_000]

    def resolution(*left: int | None) -> float:
        verdict = judge(travels, 800_000, 1_400_000, limits, left)
        assert verdict is not None
        return next(line.standard_nm for line in verdict.budget if line.source == "resolution")

    whole = 10_000 / math.sqrt(6)  # JCGM 100, F.2.2.1, for two readings
    assert resolution() == pytest.approx(whole)
    assert resolution(300, None, 300) == pytest.approx(whole)
    assert resolution(300, 400, 0) == pytest.approx(math.sqrt((300**2 + 400**2) / 3))
    assert resolution(4_082, 4_082, 4_082) == pytest.approx(whole)


def test_strokes_that_all_read_the_same_keep_an_uncertainty() -> None:
    verdict = judge([1_100_000] * 5, 800_000, 1_400_000, MeasurementLimits(10_000), [4_082] * 5)
    assert verdict is not None
    assert verdict.expanded_uncertainty_nm == pytest.approx((1 - math.sqrt(0.05)) * 10_000, rel=0.001)
