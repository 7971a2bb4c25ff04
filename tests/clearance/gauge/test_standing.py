"""How a gauge stands after its mornings, and what a verdict takes from its check."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from capture.clearance.gauge.error_found import OF_THE_GAUGE, ErrorFound, found_in
from capture.clearance.gauge.facts import (
    GaugeChecked,
    GaugeEntry,
    GaugeEvent,
    GaugeFact,
    StudyKept,
    body_of,
    gauge_fact_of,
    kind_of,
)
from capture.clearance.gauge.master_check import CheckSettings, checked
from capture.clearance.gauge.masters import Master
from capture.clearance.gauge.standing import mornings_of, standing_of
from capture.clearance.verdict import MeasurementLimits, Verdict, judge
from tests.clearance.gauge.test_master_check import BLOCK, steps

DAY = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
LIMIT = 20_000


def morning(number: int, error_nm: float, day: float, *, step_nm: int = 10_000, block: Master = BLOCK,
            spread_nm: float = 0.0, as_left: bool = False) -> GaugeEntry:  # fmt: skip
    read = [round(block.value_nm + error_nm + off) for off in (-spread_nm, 0, spread_nm)]
    settings = CheckSettings(step_nm, LIMIT)
    check = checked(steps(*read), [block], settings, date(2026, 3, 2))
    fact = GaugeChecked("DI-0413", "bay-1", "early shift", as_left, {"driver": "line"}, step_nm, LIMIT, (block,), check,
                        None, DAY.isoformat(), f"recordings/gauges/{number}.jsonl", "ab" * 32, 100, "1")  # fmt: skip
    return GaugeEntry(number, f"{number:064x}", DAY + timedelta(days=day), fact)


def event(number: int, word: str, day: float) -> GaugeEntry:
    return GaugeEntry(number, "0" * 64, DAY + timedelta(days=day), GaugeEvent("DI-0413", word, "early shift"))


def standing(*entries: GaugeEntry, after_h: float = 1.0, bench: str = "bay-1"):
    return standing_of(entries, "DI-0413", bench, entries[-1].at + timedelta(hours=after_h))


def test_a_bench_without_masters_has_a_gauge_that_was_not_checked() -> None:
    found = standing_of([], "DI-0413", "bay-1", DAY)
    assert (found.word, found.error) == ("not checked", None)


def test_a_check_holds_for_a_day_on_its_own_bench() -> None:
    made = morning(5, 3_000, 0)
    assert standing(made).word == "in order" and standing(made, after_h=23.9).error is not None
    late, elsewhere = standing(made, after_h=24.1), standing(made, bench="bay-2")
    assert (late.word, late.error) == ("not checked", None) and "Check it again" in late.text
    assert elsewhere.word == "not checked"


def test_a_shop_may_say_how_long_a_check_holds() -> None:
    made = morning(5, 3_000, 0)
    later = made.at + timedelta(hours=11)
    for hours, word in ((12, "in order"), (10, "not checked")):
        assert standing_of([made], "DI-0413", "bay-1", later, timedelta(hours=hours)).word == word


@pytest.mark.parametrize("word", ["dropped", "new tip", "battery", "repaired", "stand moved", "back from calibration"])
def test_what_happens_to_a_gauge_ends_what_its_check_said(word: str) -> None:
    found = standing(morning(5, 0, 0), event(6, word, 0.1))
    assert found.error is None and f"{word} since its last check" in found.text
    assert standing(morning(5, 0, 0), event(6, word, 0.1), morning(7, 0, 0)).error is not None


def test_a_gauge_that_is_out_has_its_limit_widened_and_nothing_corrected() -> None:
    found = standing(morning(5, 40_000, 0))
    assert found.word == "out" and found.bad and found.error is not None
    assert found.error.widened_nm > 40_000
    limits = MeasurementLimits(1_000, LIMIT, found=found.error)
    (line,) = [one for one in judged(limits).budget if one.source == "maximum error"]
    assert line.standard_nm == pytest.approx(found.error.widened_nm / math.sqrt(3))
    assert "widened, since check of entry 5" in line.basis
    assert judged(limits).mean_nm == judged(MeasurementLimits(1_000, LIMIT)).mean_nm


def test_two_checks_outside_the_chart_are_out_of_control_though_each_is_within_the_limit() -> None:
    rng = np.random.default_rng(2)
    usual = [morning(n, float(rng.normal(0, 400)), n, step_nm=1_000, spread_nm=300) for n in range(1, 31)]
    once = standing(*usual, morning(31, 6_000, 31, step_nm=1_000, spread_nm=300))
    assert once.word == "in order" and "do it again" in once.text
    twice = standing(*usual, *(morning(31 + n, 6_000, 31, step_nm=1_000, spread_nm=300) for n in range(2)))
    assert twice.word == "out of control" and "Use the spare gauge" in twice.text
    assert "reads 6 um long at 1 mm, usual" in twice.text and twice.error is not None and twice.error.widened_nm


def test_a_gauge_so_far_off_that_its_master_was_taken_for_another_is_out_the_second_time() -> None:
    good, first = morning(5, 0, 0), morning(6, 70_000, 0.5)
    assert first.fact.check.refusal is not None
    assert standing(good, first).word == "in order"  # refused: wipe both faces, take the master named
    again = standing(good, first, morning(7, 72_000, 0.5))
    assert again.word == "out" and "twice" in again.text and again.error is not None
    assert again.error.widened_nm >= 72_000
    assert standing(good, first, morning(7, 0, 0.5)).word == "in order"
    assert standing(good, first, morning(7, 150_000, 0.5)).word == "in order"  # another piece again


def test_after_enough_mornings_their_spread_and_drift_stand_for_the_assumptions() -> None:
    rng = np.random.default_rng(3)
    usual = [morning(n, float(rng.normal(0, 400)), n, step_nm=1_000, spread_nm=300) for n in range(1, 31)]
    early, late = standing(*usual[:3]).error, standing(*usual).error
    assert early is not None and late is not None
    assert (early.drift_nm, early.drift_dof) == (LIMIT / 40, 0)
    assert late.drift_nm < 400 and late.drift_dof == 29  # of 400 nm a morning, the display makes as much
    assert early.repeats_dof == 2 and late.repeats_dof > 20


def test_another_check_standard_begins_another_phase() -> None:
    other = replace(BLOCK, serial="GB-9")
    made = mornings_of([morning(1, 0, 0), morning(2, 0, 1, block=other), morning(3, 0, 2, block=other)], "DI-0413")
    phases = [one.charted.point.phase for one in made]
    assert phases[0] != phases[1] == phases[2]


def judged(limits: MeasurementLimits, travel_nm: int = 1_000_000) -> Verdict:
    found = judge([travel_nm - 1_000, travel_nm, travel_nm, travel_nm + 1_000, travel_nm], 800_000, 1_200_000, limits)
    assert found is not None
    return found


def error(**changes: object) -> ErrorFound:
    plain: dict[str, object] = {
        "entry": 5,
        "sha256": "ab" * 32,
        "table": ((1_000_000, 4_000.0), (2_000_000, 6_000.0)),
        "repeats_nm": 300.0,
        "repeats_dof": 2,
        "rounding_nm": 400.0,
        "master_nm": 250.0,
        "local_nm": 2_000.0,
        "drift_nm": 500.0,
        "drift_dof": 0,
    }
    return ErrorFound(**{**plain, **changes})


def test_a_known_error_that_matters_is_taken_off() -> None:
    """JCGM 100, 6.3.1: a result is corrected for all recognised significant systematic effects."""
    without, with_it = judged(MeasurementLimits(1_000, LIMIT)), judged(MeasurementLimits(1_000, LIMIT, found=error()))
    assert without.mean_nm - with_it.mean_nm == 4_000
    half = judged(MeasurementLimits(1_000, LIMIT, found=error()), 1_500_000)
    assert 1_500_000 - half.mean_nm == 5_000  # half-way between the two masters


def test_a_verdict_that_a_master_would_settle_says_so_and_is_settled_by_one() -> None:
    """16 um inside a limit of 1.1 mm the maker's 20 um leave it open; a check that finds no error leaves few."""
    in_order = error(table=((1_000_000, 0.0), (2_000_000, 0.0)))
    for inside, needed in ((16_000, True), (2_000, False), (40_000, False)):
        travels = [1_100_000 - inside + off for off in (-1_000, 0, 0, 0, 1_000)]
        before = judge(travels, 900_000, 1_100_000, MeasurementLimits(1_000, LIMIT))
        after = judge(travels, 900_000, 1_100_000, MeasurementLimits(1_000, LIMIT, found=in_order))
        assert before is not None and after is not None
        assert before.needs_a_master == needed == ("against a master" in before.next_step)
        assert (before.verdict, after.verdict) != ("inconclusive", "good") or needed
        assert after.verdict == ("inconclusive" if inside == 2_000 else "good") and not after.needs_a_master


def test_an_error_smaller_than_its_uncertainty_is_left_and_added() -> None:
    found = judged(MeasurementLimits(1_000, LIMIT, found=error(table=((1_000_000, 300.0),))))
    assert found.mean_nm == 1_000_000
    (line,) = [one for one in found.budget if one.source == "error not corrected"]
    assert line.standard_nm**2 == pytest.approx(300**2 / 3)


def test_the_budget_is_the_sum_of_squares_of_what_was_found() -> None:
    """JCGM 100, 5.1.2, by hand; the strokes' and the display's own lines are as without a check."""
    plain = judged(MeasurementLimits(1_000)).standard_uncertainty_nm ** 2
    found = judged(MeasurementLimits(1_000, LIMIT, found=error())).standard_uncertainty_nm ** 2
    assert found - plain == pytest.approx(300**2 + 400**2 + 250**2 + 2_000**2 / 3 + 500**2)


def _with_play(ways: list[float], play_nm: float) -> list[float]:
    """Return what a plunger with so much play shows of the places it is moved to: it follows once the play is taken
    up."""
    shown, at = [], ways[0] + play_nm / 2  # let down on to the anvil
    for place in ways:
        at = min(max(at, place - play_nm / 2), place + play_nm / 2)
        shown.append(at)
    return shown


def _travels(nm: int, play_nm: float, times: int) -> list[int]:
    shown = _with_play([0.0, *[float(nm), 0.0] * times], play_nm)
    return [round(there - before) for before, there in zip(shown[::2], shown[1::2], strict=False)]


@pytest.mark.parametrize(("travel", "set_nm"), [(1_400_000, 0), (1_400_000, 9_000), (300_000, 9_000), (700_000, 9_000)])
def test_a_master_slid_under_loses_to_the_plunger_s_play_what_a_pack_s_stroke_does(travel: int, set_nm: int) -> None:
    """So the error found holds it, and what the settings say of the play is not corrected once more: only where the
    travel is shorter than the smallest master, the part that the error in proportion leaves."""
    block = replace(BLOCK, value_nm=1_000_000)
    check = checked(steps(*_travels(1_000_000, 9_000.0, 3)), [block], CheckSettings(1_000, LIMIT), date(2026, 3, 2))
    assert check.masters[0].error_nm == -9_000
    found = error(table=((1_000_000, float(check.masters[0].error_nm)),))
    verdict = judge(_travels(travel, 9_000.0, 5), 0, 2_000_000, MeasurementLimits(1_000, LIMIT, 0.0, set_nm, found))
    assert verdict is not None
    left = 0 if travel >= 1_000_000 else round(4_500 * (1 - travel / 1_000_000))
    assert verdict.mean_nm == pytest.approx(travel - left, abs=100)  # the error is that at what was read
    lines = {line.source: line.standard_nm for line in verdict.budget}
    assert lines.get("hysteresis", 0.0) == pytest.approx(left, abs=50)
    assert abs(verdict.mean_nm - travel) <= verdict.expanded_uncertainty_nm


def test_what_earlier_ways_of_measuring_kept_of_play_is_read_and_left_alone() -> None:
    kept = {"error": {**error().kept(), "play_nm": -3_000.0, "play_known": True}}
    assert found_in(kept) == error()
    line = {"intercept": 0.0, "slope": 0.0, "intercept_sd": 1.0, "slope_sd": 0.0, "residual": {"sd": 1.0, "dof": 3}}
    body = body_of(morning(1, 0, 0).fact) | {"linearity": {
        "line": line, "lack_of_fit_f": None, "lack_of_fit_p": 1.0, "table": [[1_000_000, 0.0]], "local_nm": 0.0,
        "play": {"nm": 2_000.0, "standard_nm": 100.0, "dof": 8},
    }}  # fmt: skip
    fact = gauge_fact_of("gauge_check", body)
    assert isinstance(fact, GaugeChecked) and fact.linearity is not None and fact.linearity.play is not None
    assert body_of(fact)["linearity"]["play"] == body["linearity"]["play"]


def test_masters_say_nothing_of_travels_far_beyond_them() -> None:
    found = judge([4_000_000, 4_001_000], 3_000_000, 5_000_000, MeasurementLimits(1_000, LIMIT, found=error()))
    assert found is not None
    (line,) = [one for one in found.budget if one.source == "maximum error"]
    assert "too small for this travel" in line.basis and found.mean_nm == 4_000_500


def test_without_a_check_the_budget_says_so() -> None:
    (line,) = [one for one in judged(MeasurementLimits(1_000, LIMIT)).budget if one.source == "maximum error"]
    assert line.basis.endswith("not checked against a master")


def test_remounts_are_a_line_of_their_own_once_they_are_known() -> None:
    found = judged(MeasurementLimits(1_000, LIMIT, found=error(remount_nm=3_000.0, remount_dof=5.9)))
    (line,) = [one for one in found.budget if one.source == "remounts"]
    assert (line.standard_nm, line.dof) == (3_000.0, 5.9) and "remounts" not in OF_THE_GAUGE


@pytest.mark.parametrize(("within_nm", "remount_nm"), [(0.0, 2_500.0), (1_500.0, 2_000.0), (2_600.0, 0.0)])
def test_what_a_checks_own_strokes_make_of_a_study_is_not_counted_twice(within_nm: float, remount_nm: float) -> None:
    study = StudyKept("DI-0413", (), 2_000.0, 1_500.0, 2_500.0, 6.0, "foreman", within_nm)
    found = standing(morning(5, 0, 0), GaugeEntry(6, "6" * 64, DAY, study)).error
    assert found is not None
    assert (found.remount_nm, found.remount_dof) == pytest.approx((remount_nm, 6.0 * (remount_nm / 2_500.0) ** 2))


def test_a_check_halves_the_guard_bands_of_a_coarse_display() -> None:
    """0.01 mm, 20 um, s 3 um, five strokes: about 24 um without a check and 12 with one (counted in the simulated year
    too)."""
    travels = [1_000_000, 1_000_000, 1_010_000, 1_000_000, 1_000_000]
    block = standing(morning(5, 0, 0)).error
    assert block is not None
    bands = []
    for found in (None, block):
        verdict = judge(travels, 800_000, 1_200_000, MeasurementLimits(10_000, LIMIT, found=found))
        assert verdict is not None
        bands.append(verdict.expanded_uncertainty_nm)
    assert bands[0] > 1.7 * bands[1]


def test_what_is_kept_of_an_error_comes_back_as_it_was() -> None:
    made = error()
    assert found_in({"serial": "DI-0413", "error": json.loads(json.dumps(made.kept()))}) == made
    assert found_in(None) is None and found_in({"serial": "DI-0413"}) is None
    with pytest.raises(TypeError):
        found_in({"error": "none"})


def test_every_fact_comes_back_from_its_entry_as_it_was() -> None:
    facts: list[GaugeFact] = [morning(5, 1_000, 0).fact, event(6, "dropped", 0).fact]
    for fact in facts:
        assert gauge_fact_of(kind_of(fact), json.loads(json.dumps(body_of(fact)))) == fact
