"""Sums of t terms, rectangles and normals against closed forms, SciPy's quadrature, printed tables and draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import k1

from capture.clearance.distribution import EXACT, Distribution, Term, normal, rectangle, scaled_t, two_points

MM = 1_000_000


def of(*terms: Term) -> Distribution:
    return Distribution.of(terms)


@pytest.mark.parametrize(
    ("dof", "k95", "k9545"),
    # JCGM 100, table G.2 (from memory).
    [
        (1, 12.71, 13.97),
        (2, 4.30, 4.53),
        (3, 3.18, 3.31),
        (4, 2.78, 2.87),
        (5, 2.57, 2.65),
        (10, 2.23, 2.28),
        (20, 2.09, 2.13),
        (50, 2.01, 2.05),
        (math.inf, 1.960, 2.000),
    ],
)
def test_a_t_term_by_itself_has_the_coverage_factors_of_the_guides_table(dof: float, k95: float, k9545: float) -> None:
    # The table prints two decimals (three for unlimited degrees of freedom).
    assert of(scaled_t(MM, dof)).half_width(0.95) / MM == pytest.approx(k95, abs=0.005)
    assert of(scaled_t(MM, dof)).half_width(0.9545) / MM == pytest.approx(k9545, abs=0.005)


def test_the_conformance_probability_of_the_guides_example() -> None:
    # JCGM 106, 7.4: estimate -5.47, standard uncertainty 0.05, upper limit -5.40: about 0.92 (from memory).
    assert of(normal(0.05)).below(-5.40 - -5.47) == pytest.approx(0.92, abs=0.005)


@pytest.mark.parametrize("dof", [2, 4, 20])
def test_few_strokes_make_the_same_estimate_less_sure(dof: float) -> None:
    # The independent reference is SciPy's own t distribution, scipy.stats.t.cdf.
    assert of(scaled_t(0.5, dof)).below(1.0) == pytest.approx(scipy.stats.t.cdf(2.0, dof), rel=1e-12)
    assert of(scaled_t(0.5, dof)).below(1.0) < of(normal(0.5)).below(1.0)


def test_a_rectangle_holds_95_percent_in_95_percent_of_its_width() -> None:
    # JCGM 101, 6.4.2. A budget's k = 1.96 would be 1.96/sqrt(3) = 1.13 half-widths: beyond where it can be at all.
    assert of(rectangle(20_000)).half_width(0.95) == pytest.approx(19_000, abs=0.5)
    assert of(rectangle(20_000)).below(20_000) == 1 and of(rectangle(20_000)).below(-20_001) == 0


@pytest.mark.parametrize(("a", "b"), [(20_000.0, 5_000.0), (10_000.0, 10_000.0), (20_000.0, 3_333.0)])
def test_two_rectangles_are_a_trapezoid(a: float, b: float) -> None:
    # JCGM 101, 6.4.4 and 6.4.5; the tail beyond x is (a + b - x)^2 / (8 a b) where x >= a - b.
    total = of(rectangle(a), rectangle(b))
    for x in np.linspace(a - b, a + b, 9):
        assert total.below(x) == pytest.approx(1 - (a + b - x) ** 2 / (8 * a * b), abs=1e-5)
    if 0.05 * 4 * a * b <= (2 * b) ** 2:
        assert total.half_width(0.95) == pytest.approx(a + b - math.sqrt(0.2 * a * b), rel=1e-4)


@pytest.mark.parametrize(
    ("scale", "dof", "a", "b"),
    [(1_341, 4, 20_000, 5_000), (20_000, 2.5, 7_000, 3_000), (20_000, 1, 7_000, 3_000), (300, 9, 20_000, 19_000)],
)
def test_a_t_term_and_two_rectangles_are_what_quadrature_says(scale: float, dof: float, a: float, b: float) -> None:
    total = of(scaled_t(scale, dof), rectangle(a), rectangle(b))

    def at(x: float) -> float:
        # The independent reference: SciPy's own t (scipy.stats.t.cdf) over the trapezoid's density, integrated by
        # scipy.integrate.quad.
        def dense(r: float) -> float:
            return float(scipy.stats.t.cdf((x - r) / scale, dof)) * min(a + b - abs(r), 2 * min(a, b)) / (4 * a * b)

        points = sorted({-abs(a - b), abs(a - b), max(-a - b, min(a + b, x))})
        return float(scipy.integrate.quad(dense, -a - b, a + b, points=points, limit=400, epsabs=1e-10)[0])

    for x in (0.0, 3_000.0, 15_000.0, 19_500.0, 26_000.0, 60_000.0, 400_000.0):
        assert total.below(x) == pytest.approx(at(x), abs=2e-5)
        assert total.below(-x) == pytest.approx(1 - at(x), abs=2e-5)


TERMS = st.lists(
    st.builds(scaled_t, st.floats(100, 30_000), st.sampled_from([2.0, 4.0, 9.5, math.inf]))
    | st.builds(rectangle, st.floats(100, 30_000)),
    min_size=1,
    max_size=5,
)


@settings(deadline=None)
@given(TERMS)
def test_what_is_drawn_as_jcgm_101_draws_it_lies_where_it_is_said_to(terms: list[Term]) -> None:
    draws, count = np.random.default_rng(7), 20_000
    total = np.zeros(count)
    for term in terms:
        if term.dof is None:
            total += draws.uniform(-term.scale_nm, term.scale_nm, count)
        elif math.isinf(term.dof):
            total += term.scale_nm * draws.standard_normal(count)
        else:
            total += term.scale_nm * draws.standard_t(term.dof, count)
    sum_of = Distribution.of(terms)
    for probability in (0.5, 0.8, 0.95, 0.975, 0.995):
        found = np.mean(total < sum_of.quantile(probability))
        # Five standard errors of a binomial proportion (NIST/SEMATECH e-Handbook, 7.2.4).
        assert abs(found - probability) < 5 * math.sqrt(probability * (1 - probability) / count)


@settings(deadline=None)
@given(TERMS, st.lists(st.floats(-200_000, 200_000), min_size=2, max_size=8))
def test_it_is_symmetric_grows_and_is_the_same_in_any_order(terms: list[Term], places: list[float]) -> None:
    total = Distribution.of(terms)
    assert total == Distribution.of(reversed(terms)) == EXACT.plus(terms[:1]).plus(terms[1:])
    found = total.below(np.sort(places))
    assert np.all(np.diff(found) >= 0) and np.all((found >= 0) & (found <= 1))
    assert total.below(places[0]) + total.below(-places[0]) == pytest.approx(1, abs=1e-12)
    assert total.standard_nm == pytest.approx(math.sqrt(math.fsum(term.standard_nm**2 for term in terms)))
    assert total.half_width(0.5) < total.half_width(0.95) < total.half_width(0.99)


@settings(deadline=None)
@given(TERMS, TERMS)
def test_more_that_is_not_known_widens_every_interval(terms: list[Term], more: list[Term]) -> None:
    one, both = Distribution.of(terms), Distribution.of([*terms, *more])
    # Far out what a t term of few degrees of freedom has beyond its twentieth scale weighs more than a thin rectangle.
    for coverage, least in ((0.5, 0.9998), (0.95, 0.9998), (0.99, 0.9995)):
        assert both.half_width(coverage) >= one.half_width(coverage) * least


@pytest.mark.parametrize(("coverage", "short"), [(0.5, 1e-5), (0.95, 3e-4), (0.99, 0.035)])
def test_three_t_terms_of_two_degrees_are_as_their_characteristic_functions_say(coverage: float, short: float) -> None:
    # |x| sqrt(2) K1(|x| sqrt(2)) is the characteristic function of a t of two degrees; the sum's distribution is its
    # product's by Gil-Pelaez' inversion. SciPy's Bessel function.
    scales = (16_794.0, 16_794.0, 18_611.0)
    found = Distribution.of([scaled_t(scale, 2) for scale in scales]).half_width(coverage)
    at = np.linspace(1e-12, 1e-3, 400_001)
    arguments = [math.sqrt(2) * scale * at for scale in scales]
    product = np.prod([argument * k1(argument) for argument in arguments], axis=0)

    def within(half: float) -> float:
        return 2 / math.pi * float(np.trapezoid(np.sin(at * half) / at * product, at))

    assert within(found) == pytest.approx(coverage, abs=1e-3)
    assert within(found) <= coverage <= within(found * (1 + short))


def test_the_typical_checks_guard_is_19_5_micrometres() -> None:
    # 0.01 mm display, limit of error 20 um, strokes that scatter by 3 um, five of them. Drawn as JCGM 101 draws it.
    terms = [scaled_t(3_000 / math.sqrt(5), 4), rectangle(5_000), rectangle(5_000), rectangle(20_000)]
    draws, count = np.random.default_rng(3), 1_000_000
    drawn = 3_000 / math.sqrt(5) * draws.standard_t(4, count) + draws.uniform(-20_000, 20_000, count)
    drawn += draws.uniform(-5_000, 5_000, (2, count)).sum(axis=0)
    guard = Distribution.of(terms).quantile(0.95)
    assert guard == pytest.approx(float(np.quantile(drawn, 0.95)), rel=0.003)
    assert guard == pytest.approx(19_600, abs=150)


@pytest.mark.parametrize(("half", "width"), [(500, 0), (1_500, 2_000), (7_000, 300), (40_000, 900)])
def test_two_points_and_noise_are_two_normals(half: float, width: float) -> None:
    # The mean of two normal distributions (SciPy).
    total = of(two_points(half), normal(1_000), rectangle(width)) if width else of(two_points(half), normal(1_000))
    for x in (-9_000.0, -500.0, 0.0, 300.0, 6_500.0, 41_000.0):
        edges = np.linspace(-width, width, 401) if width else np.zeros(1)
        mixed = np.mean([scipy.stats.norm.cdf(x + way - edges, scale=1_000) for way in (half, -half)])
        assert total.below(x) == pytest.approx(mixed, abs=2e-4)
    assert total.standard_nm == pytest.approx(math.sqrt(half**2 + 1_000**2 + width**2 / 3))


def test_two_points_alone_are_at_their_ends() -> None:
    assert of(two_points(3_000)).half_width(0.95) == pytest.approx(3_000, rel=1e-3)
    assert of(two_points(3_000)).below(2_990) == pytest.approx(0.5)


def test_what_is_exactly_known_is_on_one_side_or_the_other() -> None:
    assert (EXACT.below(-1), EXACT.below(0), EXACT.below(1)) == (0, 0.5, 1)
    assert EXACT.half_width(0.95) == 0 and EXACT.standard_nm == 0
    assert of(rectangle(0.0), scaled_t(0.0, 4)) == EXACT


def test_equal_rectangles_in_numbers_are_nearly_normal() -> None:
    # Central limit theorem: forty shims' tolerances, each by itself.
    many = of(*[rectangle(5_000)] * 40)
    assert many.half_width(0.95) == pytest.approx(1.96 * 5_000 * math.sqrt(40 / 3), rel=0.003)


def test_a_density_is_the_slope_of_the_distribution() -> None:
    total = of(scaled_t(2_000, 4), rectangle(7_000))
    for x in (0.0, 5_000.0, -9_000.0):
        assert total.density(x) == pytest.approx((total.below(x + 200) - total.below(x - 200)) / 400, rel=0.02)
    assert of(normal(1_000)).density(0) == pytest.approx(1 / (1_000 * math.sqrt(2 * math.pi)), rel=1e-3)


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.5])
def test_no_quantile_is_asked_of_certainty(probability: float) -> None:
    with pytest.raises(ValueError, match="expected a probability between 0 and 1"):
        of(normal(1)).quantile(probability)


def test_terms_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="degrees of freedom; expected more than none"):
        scaled_t(1.0, 0)
    with pytest.raises(ValueError, match="half-width -1; expected none or more"):
        rectangle(-1)
    with pytest.raises(ValueError, match="no two points"):
        two_points(-1)
