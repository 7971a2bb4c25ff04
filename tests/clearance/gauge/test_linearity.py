"""A gauge read up and down over its range: line, lack of fit; and plans and tables of studies."""

from __future__ import annotations

import pytest

from capture.clearance.gauge.linearity import error_between, linearity
from capture.clearance.gauge.study import Row, StudyError, plan, studied

MASTERS = (200_000, 600_000, 1_000_000, 1_400_000, 1_800_000)
SCATTER = (-300.0, 0.0, 300.0)


def test_a_gauge_with_a_scale_that_is_off_is_a_line() -> None:
    found = linearity([(nm, [nm * 1.002 + s for s in SCATTER]) for nm in MASTERS])
    assert found.line.slope == pytest.approx(0.002) and found.line.intercept == pytest.approx(0, abs=1e-6)
    assert found.fits and found.local_nm == pytest.approx(0, abs=1e-6)


def test_a_worn_tooth_shows_as_lack_of_fit_and_as_a_local_error() -> None:
    worn = {1_000_000: 5000.0}
    found = linearity([(nm, [nm + worn.get(nm, 0) + s for s in SCATTER]) for nm in MASTERS])
    assert not found.fits
    assert found.local_nm == pytest.approx(5000)


def test_between_two_masters_the_error_is_in_between() -> None:
    table = [(1_000_000, 4000.0), (2_000_000, 8000.0)]
    assert error_between(table, 500_000) == 2000
    assert error_between(table, 1_500_000) == 6000
    assert error_between(table, 2_500_000) == 8000
    assert error_between(table, -5) == 0


@pytest.mark.parametrize("count", [2, 4])
def test_fewer_than_five_masters_are_no_linearity(count: int) -> None:
    with pytest.raises(ValueError, match="expected 5 or more"):
        linearity([(nm, [nm, nm]) for nm in MASTERS[:count]])


def test_a_plan_has_every_measurement_once_in_an_order_that_its_seed_gives() -> None:
    cells = plan(["p1", "p2", "p3"], ["Ana", "Bo"], 2, seed=5)
    assert len(cells) == len(set(cells)) == 12
    assert cells == plan(["p1", "p2", "p3"], ["Ana", "Bo"], 2, seed=5) != plan(["p1", "p2", "p3"], ["Ana", "Bo"], 2, 6)
    with pytest.raises(StudyError, match="two or more"):
        plan(["p1"], ["Ana", "Bo"], 2, 1)


def test_a_table_with_a_hole_is_no_crossed_study() -> None:
    rows = [Row(part, who, 1.0 + trial) for part in "ab" for who in "xy" for trial in range(2)]
    assert studied(rows).pooled
    with pytest.raises(StudyError, match=r"part 'b' was measured 1 times by 'y'; expected 2"):
        studied(rows[:-1])
    with pytest.raises(StudyError, match="once by each"):
        studied(rows[::2])
