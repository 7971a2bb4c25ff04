"""A short year of a bench, counted; the long one is `python -m tests.load.gauge_year`."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import poisson

from tests.load.gauge_year import ALONE, DROP, MORNINGS, Counted, Situation, year


@pytest.fixture(scope="module")
def counted() -> Counted:
    return year(1, packs=2)


def test_verdicts_hold_the_truth_all_year(counted: Counted) -> None:
    """JCGM 101, 7.7: 95 of 100 intervals; of a quarter's 240, two standard deviations of a count are three in 100."""
    assert all(share >= 0.92 for share in counted.coverage)
    assert 0.93 <= sum(counted.coverage) / 4 <= 0.985


def test_a_drop_in_june_is_found_the_next_morning_and_every_pack_after_it_is_in_doubt(counted: Counted) -> None:
    assert counted.drop_found_after == 1
    assert counted.measured_after_drop == counted.in_doubt > 0 and counted.missed == 0


def test_nobody_is_called_for_nothing_all_year(counted: Counted) -> None:
    """With one false alarm in 400 mornings, of a thousand years one has more than this."""
    assert counted.false_alarms <= poisson.isf(0.001, MORNINGS / 400) == 4


def test_far_fewer_packs_stay_inconclusive(counted: Counted) -> None:
    for width in (400_000, 100_000):
        assert counted.share(Situation(width, True)) < 0.5 * counted.share(Situation(width, False))
    assert counted.mean_guard(with_check=True) < 0.5 * counted.mean_guard(with_check=False)


def test_a_drop_so_large_that_the_block_is_taken_for_another_is_found_too() -> None:
    found = year(2, packs=1, gauge=replace(ALONE, drop=90_000.0), mornings=DROP + 3)
    assert found.drop_found_after == 1 and found.missed == 0
