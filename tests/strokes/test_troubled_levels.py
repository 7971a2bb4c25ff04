"""How good the numbers are under trouble: page and pictures say what was measured, and that still holds."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from scipy.stats import fisher_exact

from capture.clearance.remarks import remarks_on
from capture.clearance.verdict import MeasurementLimits
from tests.load.troubled_levels import METHODS, OWN, TROUBLES, draw, falls_short, found_in, measure
from tests.support.draw_troubles import FIGURES, GUIDE_PAGE, PICTURES, page, pictures
from tests.support.sheets import pack, sheet

PACK = sheet(pack("any")).packs[0]
TOLD: dict[str, Any] = json.loads(FIGURES.read_text())
ANEW = "python -m tests.load.troubled_levels --checks 400 --seed 12 --json fixtures/pictures/troubles.json, then "
ANEW += "python -m tests.support.draw_troubles"
#: So unlikely a difference between the short run and the stored figures is no chance.
CHANCE = 1e-4


def test_page_and_pictures_say_what_is_in_the_stored_figures() -> None:
    assert tuple(TOLD["troubles"]) == TROUBLES
    assert GUIDE_PAGE.read_text() == page(TOLD), ANEW
    for name, picture in pictures(TOLD).items():
        assert (PICTURES / name).read_text() == picture, (name, ANEW)


def test_the_page_names_every_row_that_falls_short_and_no_other() -> None:
    short = page(TOLD).partition("fall short today")[2].partition("## ")[0]
    named = {line[2:].partition(":")[0] for line in short.splitlines() if line.startswith("- ")}
    assert named == {trouble for trouble, figures in TOLD["troubles"].items() if falls_short(trouble, figures)}


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_short_run_agrees_with_the_stored_figures_within_chance(trouble: str) -> None:
    run, stored = measure(20, 31, [trouble])[trouble], TOLD["troubles"][trouble]

    def alike(hits: int, of: int, then: int, of_then: int) -> bool:
        # Fisher's exact test of two proportions is SciPy's, scipy.stats.fisher_exact.
        return float(fisher_exact([[hits, of - hits], [then, of_then - then]])[1]) > CHANCE

    for method in METHODS:
        now, then = run[method], stored[method]
        assert alike(now["covered"], now["judged"], then["covered"], then["judged"]), ANEW
        assert alike(now["good"], 2 * now["judged"], then["good"], 2 * then["judged"]), ANEW
    assert alike(run["remarked"], run["checks"], stored["remarked"], stored["checks"]), ANEW
    now, then = run["strokelog"], stored["strokelog"]
    if then["bias"] is not None:
        # The spread of twenty checks is not known well where few are far off: that of the stored ones is.
        error = then["bias_se"] * (stored["checks"] / run["checks"]) ** 0.5
        assert now["bias"] == pytest.approx(then["bias"], abs=5 * error), ANEW


@pytest.mark.parametrize(("trouble", "checks"), [("wander", (16, 21, 194, 200, 219, 246)), ("vibration", (432, 580))])
def test_a_stand_that_goes_up_and_down_while_a_pack_is_held_is_hardly_ever_said_to_leak(
    trouble: str, checks: tuple[int, ...]
) -> None:
    said = 0
    for number in checks:
        check = draw(trouble, np.random.default_rng([5, TROUBLES.index(trouble), number]))
        counted = [stroke for stroke in found_in(check) if stroke.accepted]
        said += bool(remarks_on(counted, PACK, MeasurementLimits(check.resolution_nm), "mm"))
    assert said <= 1


@pytest.mark.parametrize("trouble", OWN)
def test_a_check_is_the_same_for_the_same_seed_and_its_strokes_are_in_its_readings(trouble: str) -> None:
    check, again = (draw(trouble, np.random.default_rng(3)) for _ in range(2))
    assert np.array_equal(check.values_nm, again.values_nm)
    for apply_s, release_s, travel in check.strokes:
        held = check.values_nm[(check.t_s > apply_s) & (check.t_s < release_s)]
        rest = check.values_nm[(check.t_s < apply_s) & (check.t_s > apply_s - 0.3)]
        furthest = np.abs(held - np.median(rest)).max()
        assert furthest == pytest.approx(travel, abs=0.04 * travel + 5 * check.noise_nm + 2 * check.resolution_nm)


def test_a_finder_that_reads_long_falls_short_and_is_said_to() -> None:
    figures = json.loads(json.dumps(TOLD["troubles"]["calm"]))
    assert falls_short("calm", figures) == []
    figures["strokelog"] |= {"bias": 0.9, "covered": figures["strokelog"]["judged"] // 2}
    assert falls_short("calm", figures) == ["bias", "coverage too low"]
    assert len(found_in(draw("calm", np.random.default_rng(1)))) == 6
