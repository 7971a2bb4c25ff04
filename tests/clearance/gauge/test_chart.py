"""The chart of a gauge's mornings: what it alarms at, what it does not, and how soon."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson

from capture.clearance.gauge.chart import LEAST_MORNINGS, Charted, Point, chart, day_to_day
from capture.clearance.gauge.spread import Spread
from tests.load.gauge_alarms import MORNINGS, counted_alarms, days_to_find


def mornings(errors: list[float], sd: float = 600.0, rounding: float = 0.0, phase: int = 0) -> list[Point]:
    return [Point(error, Spread(sd, 2), 3, rounding, phase) for error in errors]


def drawn(count: int, seed: int, sd: float = 1000.0) -> list[float]:
    return [float(one) for one in np.random.default_rng(seed).normal(2000, sd, count)]


def outside(charted: list[Charted]) -> list[int]:
    return [index for index, one in enumerate(charted) if one.alarm]


def test_twelve_mornings_are_needed_before_anything_is_said() -> None:
    charted = chart(mornings([*drawn(11, 1), 99_000, *drawn(1, 2)]))
    assert all(one.word == "too few" for one in charted[:LEAST_MORNINGS])
    assert charted[LEAST_MORNINGS].limits is not None


def test_a_gauge_that_was_dropped_is_found_the_next_morning() -> None:
    errors = drawn(40, 3)
    charted = chart(mornings([*errors, errors[-1] + 15_000, errors[-1] + 15_200]))
    assert outside(charted[:40]) == []
    assert [one.word for one in charted[40:]] == ["look again", "level"]
    assert [one.alarm for one in charted[40:]] == [False, True]  # again, with wiped faces, before it is believed


def test_a_stick_in_the_plunger_shows_in_the_spread() -> None:
    points = mornings(drawn(30, 4))
    sticky = Point(2000, Spread(4000, 2), 3, 0.0)
    assert [one.word for one in chart([*points, sticky, sticky])[-2:]] == ["look again", "spread"]
    assert chart([*points, sticky, points[0]])[-1].word == "in control"  # it was the dirt


def test_a_coarse_display_does_not_alarm_by_its_digits() -> None:
    """0.01 mm: the error is 0 on all mornings and then a third of a step, one reading of three being the next digit."""
    points = mornings([0.0] * 20, sd=0.0, rounding=4082)
    assert chart([*points, Point(3333.0, Spread(5774, 2), 3, 4082)])[-1].word == "in control"
    # Without that floor any other digit would be outside.
    digit = Point(3333.0, Spread(0, 2), 3, 0.0)
    assert chart([*mornings([0.0] * 20, sd=0.0), digit, digit])[-1].word == "level"


def test_nothing_is_compared_across_a_repair() -> None:
    before, after = mornings(drawn(30, 5)), mornings([9000 + one for one in drawn(20, 6)], phase=1)
    charted = chart([*before, *after])
    assert all(one.word == "too few" for one in charted[30:42])
    assert outside(charted[42:]) == []


def test_a_morning_outside_has_no_part_in_the_limits_of_later_ones() -> None:
    errors = drawn(40, 7)
    errors[25] += 20_000
    charted = chart(mornings(errors))
    limits = charted[-1].limits
    assert limits is not None and limits.sd_nm < 1600


@pytest.mark.parametrize("repeats", [0.2, 0.5, 0.8])
def test_false_alarms_are_rarer_than_one_in_400_mornings(repeats: float) -> None:
    """Counted over 400 gauges of a year each, so much of whose mornings' variance is the repeats'. Of a rate of one in
    400, a thousandth of all seeds has more; `python -m tests.load.gauge_alarms` counts so many that it needs no such
    bound."""
    counted = counted_alarms(400, np.random.default_rng(17), repeats)
    assert 400 * MORNINGS / counted.of_a_year <= poisson.isf(0.001, 400 * MORNINGS / 400)


@pytest.mark.parametrize("repeats", [0.2, 0.5, 0.8])
def test_a_shift_of_one_standard_deviation_is_found_within_twelve_mornings_on_average(repeats: float) -> None:
    """After 60 mornings, of which 40 are in the limits; within three standard errors of a mean (JCGM 100, 4.2.3)."""
    days = days_to_find(400, 60, np.random.default_rng(9), repeats)
    assert days.mean() <= 12 + 3 * days.std(ddof=1) / 400**0.5


def test_another_look_and_the_first_are_one_morning_whose_value_is_their_mean() -> None:
    errors = drawn(40, 3)
    first, again = mornings([errors[-1] + 6_000]), mornings([2_500.0])
    charted = chart([*mornings(errors), *first, *again, *mornings([2_000.0])])
    assert [one.word for one in charted[40:]] == ["look again", "in control", "in control"]
    assert charted[41].value_nm == (errors[-1] + 6_000 + 2_500) / 2
    before = charted[39].average_nm
    assert charted[41].average_nm == pytest.approx(before + 0.12 * (charted[41].value_nm - before))


def test_an_alarm_stays_until_a_check_is_in_control_again() -> None:
    errors = drawn(40, 3)
    gone = mornings([17_000.0] * 4)
    charted = chart([*mornings(errors), *gone, *mornings([2_000.0])])
    assert [one.alarm for one in charted[40:]] == [False, True, True, True, False]


def test_few_mornings_have_wider_limits() -> None:
    """In units of their own standard deviation: 12, about 40 and about 100 mornings in the limits."""
    charted = chart(mornings(drawn(130, 12)))
    few, some, many = (charted[count].limits for count in (12, 60, 120))
    assert few is not None and some is not None and many is not None
    assert few.mornings == 12 and 30 <= some.mornings <= 40 and 90 <= many.mornings <= 100
    assert few.average_nm / few.sd_nm > some.average_nm / some.sd_nm > many.average_nm / many.sd_nm


def test_day_to_day_is_half_the_mean_square_of_successive_differences() -> None:
    """Von Neumann's ratio: of white noise it is the standard deviation itself."""
    assert day_to_day(mornings(drawn(4000, 11))).sd == pytest.approx(1000, rel=0.05)
    assert day_to_day([*mornings([0.0]), *mornings([9000.0], phase=1)]) == Spread(0.0, 0)
