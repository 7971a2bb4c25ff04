"""The chart of a gauge's mornings: what it alarms at, what it does not, and how soon."""

from __future__ import annotations

import numpy as np
import pytest

from capture.clearance.gauge.chart import LEAST_MORNINGS, Chart, Charted, Point, chart, day_to_day
from capture.clearance.gauge.spread import Spread


def mornings(errors: list[float], sd: float = 600.0, rounding: float = 0.0, phase: int = 0) -> list[Point]:
    return [Point(error, Spread(sd, 2), 3, rounding, phase) for error in errors]


def drawn(count: int, seed: int, sd: float = 1000.0) -> list[float]:
    return [float(one) for one in np.random.default_rng(seed).normal(2000, sd, count)]


def outside(charted: list[Charted]) -> list[int]:
    return [index for index, one in enumerate(charted) if one.word in ("level", "spread")]


def test_twelve_mornings_are_needed_before_anything_is_said() -> None:
    charted = chart(mornings([*drawn(11, 1), 99_000, *drawn(1, 2)]))
    assert all(one.word == "too few" for one in charted[:LEAST_MORNINGS])
    assert charted[LEAST_MORNINGS].limits is not None


def test_a_gauge_that_was_dropped_is_found_the_next_morning() -> None:
    errors = drawn(40, 3)
    charted = chart(mornings([*errors, errors[-1] + 15_000, errors[-1] + 15_200]))
    assert outside(charted[:40]) == []
    assert [one.word for one in charted[40:]] == ["level", "level"]
    assert [one.alarm for one in charted[40:]] == [False, True]  # again, with wiped faces, before it is believed


def test_a_stick_in_the_plunger_shows_in_the_spread() -> None:
    points = mornings(drawn(30, 4))
    sticky = Point(2000, Spread(4000, 2), 3, 0.0)
    assert chart([*points, sticky])[-1].word == "spread"


def test_a_coarse_display_does_not_alarm_by_its_digits() -> None:
    """0.01 mm: the error is 0 on all mornings and then a third of a step, one reading of three being the next digit."""
    points = mornings([0.0] * 20, sd=0.0, rounding=4082)
    assert chart([*points, Point(3333.0, Spread(5774, 2), 3, 4082)])[-1].word == "in control"
    # Without that floor any other digit would be outside.
    assert chart([*mornings([0.0] * 20, sd=0.0), Point(3333.0, Spread(0, 2), 3, 0.0)])[-1].word == "level"


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


def alarms(rng: np.random.Generator, count: int, shift_from: int = 10**9) -> list[int]:
    """The mornings on which a gauge alarms, those of one cause counted once: half of its variance the day's, and a
    check outside made again at once."""
    made = Chart()
    found: list[int] = []
    for morning in range(count):
        day = float(rng.normal(0, 700)) + (1000 if morning >= shift_from else 0)
        newest = made.add(mornings([day + float(rng.normal(0, 700))], sd=1000.0)[0])
        if newest.word == "level":
            newest = made.add(mornings([day + float(rng.normal(0, 700))], sd=1000.0)[0])
        if newest.alarm and (not found or morning > found[-1] + 10):
            found.append(morning)
            if morning >= shift_from:
                break
    return found


def test_false_alarms_are_rarer_than_one_in_400_mornings() -> None:
    """Counted over 300 gauges of a year each."""
    rng = np.random.default_rng(17)
    found = sum(len(alarms(rng, 250)) for _ in range(300))
    assert found <= 300 * 250 / 400


def test_a_shift_of_one_standard_deviation_is_found_within_twelve_mornings_on_average() -> None:
    rng = np.random.default_rng(9)
    taken = []
    for _ in range(150):
        found = [morning for morning in alarms(rng, 200, shift_from=120) if morning >= 120]
        taken.append((found[0] if found else 200) - 119)
    assert sum(taken) / len(taken) <= 12


def test_day_to_day_is_half_the_mean_square_of_successive_differences() -> None:
    """Von Neumann's ratio: of white noise it is the standard deviation itself."""
    assert day_to_day(mornings(drawn(4000, 11))).sd == pytest.approx(1000, rel=0.05)
    assert day_to_day([*mornings([0.0]), *mornings([9000.0], phase=1)]) == Spread(0.0, 0)
