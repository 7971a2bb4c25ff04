"""One pack's check: seat strokes settle the pack, spoiled strokes are asked for again, doubt asks for more."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from capture.clearance.check import Check, CheckState, Finished, StrokeKept
from capture.clearance.remarks import AIR_WAS_ON
from capture.clearance.stroke_by_stroke import HOW_TO
from capture.clearance.verdict import MOST_STROKES, MeasurementLimits, judge
from capture.sheet.sheet import Pack, parse_sheet
from capture.strokes.stroke import Stroke

LIMITS = MeasurementLimits(10_000)


def pack(strokes: int = 4, seat_strokes: int = 1, measure: str = "peak", least: int | None = None) -> Pack:
    text = f"""
        [sheet]
        name = "check"
        revision = "1"
        source = "invented for tests"
        [[packs]]
        name = "low"
        range = ["0.80 mm", "1.40 mm"]
        strokes = {strokes}
        seat_strokes = {seat_strokes}
        measure = "{measure}"
        {f"least_strokes = {least}" if least else ""}
    """
    return parse_sheet(text, "check.toml").pack("low")


def stroke(n: int, travel_nm: int = 1_100_000, *, accepted: bool = True, held_nm: int = 1_050_000) -> Stroke:
    flags = () if accepted else ("creep",)
    return Stroke(n, n * 10**9, n * 10**9 + 1, 0, travel_nm, held_nm, 1, 0, 0, flags, accepted)


def finished(effects: list[StrokeKept | Finished]) -> list[Finished]:
    return [effect for effect in effects if isinstance(effect, Finished)]


def test_seat_strokes_are_kept_and_never_averaged() -> None:
    check = Check(pack(strokes=2, seat_strokes=2), LIMITS)
    assert check.state is CheckState.SEATING
    # The first strokes of a dry or twisted pack read high (common practice).
    for n in (1, 2):
        (kept,) = check.take(stroke(n, 2_000_000))
        assert isinstance(kept, StrokeKept) and kept.seat and not kept.stroke.accepted
    assert check.state is CheckState.COUNTING and check.counted == 0
    check.take(stroke(3))
    (outcome,) = finished(check.take(stroke(4)))
    assert outcome.verdict.mean_nm == 1_100_000 and outcome.verdict.strokes == 2


def test_a_stroke_that_was_cut_seats_nothing_and_is_asked_for_again() -> None:
    check = Check(pack(strokes=2, seat_strokes=1), LIMITS)
    cut = replace(stroke(1, 2_000_000, accepted=False), flags=("gap",))
    (kept,) = check.take(cut)
    assert isinstance(kept, StrokeKept) and not kept.seat and not kept.stroke.accepted
    assert check.state is CheckState.SEATING
    assert check.next_step() == "Seat the pack: apply and release the air, 1 of 1."
    (kept,) = check.take(stroke(2, 2_000_000, accepted=False))  # what a pack does while it settles, seats it
    assert isinstance(kept, StrokeKept) and kept.seat and check.state is CheckState.COUNTING
    check.take(stroke(3))
    (outcome,) = finished(check.take(stroke(4)))
    assert outcome.verdict.strokes == 2


@pytest.mark.parametrize("seats", [0, 1])
def test_a_plunger_near_its_end_asks_for_the_indicator_to_be_moved_and_for_that_stroke_again(seats: int) -> None:
    check = Check(pack(strokes=2, seat_strokes=seats), LIMITS)
    before = check.state
    (kept,) = check.take(replace(stroke(1, accepted=False), flags=("out_of_reach",)))
    assert isinstance(kept, StrokeKept) and not kept.seat and check.state is before
    for way in ("by hand", "hold", "press"):
        said = check.next_step(way)
        assert "Move the indicator" in said and "as stroke 2" in said
        assert "apply" not in said.lower() and "button" not in said


def test_a_display_that_jumped_or_went_over_to_inches_is_asked_about() -> None:
    check = Check(pack(strokes=3, seat_strokes=0), LIMITS)
    check.take(replace(stroke(1, accepted=False), flags=("rezeroed",)))
    assert "did it switch its unit?" in check.next_step() and "apply" not in check.next_step().lower()
    check.take(stroke(2, 1_100_000))
    assert "unit" not in check.next_step()
    check.take(stroke(3, 43_307))  # 1.1 mm read in inches, where the stream names no unit
    assert "did the indicator switch its unit?" in check.next_step()


def test_a_stroke_far_out_of_the_others_is_asked_about_and_the_next_one_asked_for() -> None:
    check = Check(pack(strokes=4, seat_strokes=0), LIMITS)
    for n, travel_nm in enumerate((1_100_000, 1_090_000), start=1):
        check.take(stroke(n, travel_nm))
        assert "leaves it out" not in check.next_step()
    check.take(stroke(3, 7_200_000))
    said = check.next_step()
    assert said.startswith("Stroke 3 went 7.200 mm, those before 1.090 mm: l leaves it out if it was wrong. Stroke 4 (")


def test_what_there_is_to_do_at_a_button_is_said_of_the_button() -> None:
    check = Check(pack(strokes=2, seat_strokes=1), LIMITS)
    assert check.next_step(HOW_TO["press"]) == "Seat the pack: press the button, 1 of 1."
    assert check.next_step(HOW_TO["hold"]) == "Seat the pack: hold the button, then let go, 1 of 1."
    check.take(stroke(1))
    assert check.next_step(HOW_TO["press"]) == "Stroke 2 (0 of 2 counted): press the button."
    assert check.next_step(HOW_TO["hold"]) == "Stroke 2 (0 of 2 counted): hold the button until steady, then let go."


def test_the_stroke_asked_for_has_the_number_that_it_will_have_in_the_list() -> None:
    check = Check(pack(strokes=3, seat_strokes=1), LIMITS)
    for n, accepted in enumerate((True, True, False, True), start=1):
        (kept, *_) = check.take(stroke(n, accepted=accepted))
        assert isinstance(kept, StrokeKept) and kept.stroke.n == n
        assert f"Stroke {n + 1} (" in check.next_step()


def test_a_pack_without_seat_strokes_counts_from_the_first() -> None:
    check = Check(pack(seat_strokes=0), LIMITS)
    assert check.state is CheckState.COUNTING
    check.take(stroke(1))
    assert check.counted == 1


def test_a_spoiled_stroke_is_kept_and_asked_for_again() -> None:
    check = Check(pack(strokes=3, seat_strokes=0), LIMITS)
    check.take(stroke(1))
    (kept,) = check.take(stroke(2, 5_000_000, accepted=False))
    assert isinstance(kept, StrokeKept) and not kept.seat and kept.stroke.n == 2
    assert "Stroke 3 (1 of 3 counted)" in check.next_step()
    check.take(stroke(3))
    assert "does not count" not in check.next_step()
    (outcome,) = finished(check.take(stroke(4)))
    assert (outcome.verdict.strokes, outcome.verdict.mean_nm) == (3, 1_100_000)


def test_the_sheet_says_whether_the_peak_or_the_held_travel_is_judged() -> None:
    means = {}
    for measure in ("peak", "held"):
        check = Check(pack(strokes=2, seat_strokes=0, measure=measure), LIMITS)
        check.take(stroke(1))
        (outcome,) = finished(check.take(stroke(2)))
        means[measure] = outcome.verdict.mean_nm
    assert means == {"peak": 1_100_000, "held": 1_050_000}


def test_an_inconclusive_verdict_asks_for_more_strokes_until_it_is_settled() -> None:
    check = Check(pack(strokes=3, seat_strokes=0), LIMITS)
    for n, travel in enumerate((1_320_000, 1_380_000, 1_350_000), start=1):
        assert not finished(check.take(stroke(n, travel)))
    assert check.state is CheckState.EXTENDING
    assert "more stroke" in check.next_step() and "Apply and release again." in check.next_step()
    n, ended = 3, []
    while not ended and n < 9:
        n += 1
        ended = finished(check.take(stroke(n, 1_350_000)))
    assert ended[0].verdict.verdict == "good" and 3 < ended[0].verdict.strokes < 9
    assert check.state is CheckState.DONE


def test_extending_stops_at_three_times_the_sheets_count() -> None:
    check = Check(pack(strokes=4, seat_strokes=0), LIMITS)
    # Close to the upper limit and scattered: at every look more strokes could settle it in time, until the last.
    hundredths = (126, 131, 143, 137, 132, 130, 142, 140, 134, 139, 135, 144)
    for n, travel in enumerate(hundredths, start=1):
        ended = finished(check.take(stroke(n, travel * 10_000)))
        assert bool(ended) == (n == 12)
        assert check.next_step()
    assert ended[0].verdict.strokes == 12 and ended[0].verdict.verdict == "inconclusive"


def test_no_more_strokes_are_asked_for_where_none_would_help() -> None:
    check = Check(pack(strokes=3, seat_strokes=0), LIMITS)
    check.take(stroke(1, 1_400_000))
    check.take(stroke(2, 1_400_000))
    (outcome,) = finished(check.take(stroke(3, 1_400_000)))
    assert outcome.verdict.verdict == "inconclusive" and outcome.verdict.more_strokes is None
    assert check.next_step() == outcome.verdict.next_step


def test_a_check_ends_early_only_where_the_sheet_allows_it_and_the_verdict_is_settled() -> None:
    clear = Check(pack(strokes=5, seat_strokes=0, least=3), LIMITS)
    assert [bool(finished(clear.take(stroke(n, 1_100_000 + n)))) for n in (1, 2, 3)] == [False, False, True]
    close = Check(pack(strokes=5, seat_strokes=0, least=3), LIMITS)
    for n, travel in enumerate((1_395_000, 1_380_000, 1_392_000), start=1):
        assert not finished(close.take(stroke(n, travel)))
    assert "Stroke 4 (3 of 5 counted)" in close.next_step()


def test_a_verdict_that_would_do_for_one_look_does_not_end_a_check_that_is_looked_at_again() -> None:
    travels = [1_369_000, 1_399_000, 1_384_000, 1_399_000, 1_369_000]
    once = judge(travels, 800_000, 1_400_000, LIMITS)
    assert once is not None and once.verdict == "good" and once.conformance_probability < 0.98
    check = Check(pack(strokes=5, seat_strokes=0), LIMITS)
    for n, travel in enumerate(travels, start=1):
        assert not finished(check.take(stroke(n, travel)))
    assert check.state is CheckState.EXTENDING


def test_where_no_later_look_can_settle_it_this_one_spends_all_the_risk_that_is_left() -> None:
    # 21 um inside the limit: beyond the guard of 19.6 um that 95 % ask for, within the 22 um of 97.5 %. The
    # indicator's 20 um decide, so that going on is hopeless.
    travels = [1_379_000 + off for off in (3_010, -2_990, 10, 3_010, -2_990)]
    rough = MeasurementLimits(10_000, 20_000)
    first = judge(travels, 800_000, 1_400_000, rough, asked=lambda _: 0.975)
    assert first is not None and first.verdict == "inconclusive" and first.more_strokes is None
    check = Check(pack(strokes=5, seat_strokes=0), rough)
    effects = [effect for n, travel in enumerate(travels, start=1) for effect in check.take(stroke(n, travel))]
    (outcome,) = finished(effects)
    assert outcome.verdict.verdict == "good" and 0.95 < outcome.verdict.conformance_probability < 0.975
    assert check.next_step() == "In range; nothing to change."


def test_strokes_after_the_verdict_are_ignored() -> None:
    check = Check(pack(strokes=2, seat_strokes=0), LIMITS)
    check.take(stroke(1))
    check.take(stroke(2))
    verdict = check.verdict
    assert check.state is CheckState.DONE
    assert check.take(stroke(3, 9_000_000)) == []
    assert check.verdict is verdict and check.counted == 2


def test_judging_a_whole_recording_counts_every_stroke() -> None:
    check = Check(pack(strokes=2, seat_strokes=1), LIMITS, stop_when_settled=False)
    for n in range(1, 9):
        assert not finished(check.take(stroke(n, 1_100_000 + n)))
    assert check.counted == 7
    assert check.verdict == judge([1_100_000 + n for n in range(2, 9)], 800_000, 1_400_000, LIMITS)


def test_what_a_check_says_is_the_same_whoever_asked_it_and_when() -> None:
    leaking = replace(stroke(5), flags=("leak",), accepted=False, fall_nm_per_s=900_000)
    asked, unasked = (Check(pack(strokes=6, seat_strokes=1), LIMITS) for _ in range(2))
    for one in (stroke(1), stroke(2), stroke(3), stroke(4, 1_104_000), leaking):
        asked.take(one)
        assert (asked.verdict is None) is (one.n < 3)  # as a screen asks after each stroke
        unasked.take(one)  # as a proof asks, at the end
    assert unasked.verdict == asked.verdict is not None and not asked.verdict.remarks
    for check in (asked, unasked):
        check.tell_air_at_start(AIR_WAS_ON)
    assert unasked.verdict == asked.verdict is not None
    assert {remark.code for remark in asked.verdict.remarks} == {"air_at_start", "leak_once"}


@given(
    st.lists(st.tuples(st.integers(700_000, 1_500_000), st.booleans()), max_size=60),
    st.integers(2, 8),
    st.integers(0, 4),
    st.booleans(),
)
@example([(806_838, True), (806_838, True)], 2, 0, True)
def test_every_stroke_up_to_the_verdict_is_seat_counted_or_rejected_and_only_counted_ones_are_judged(
    shots: list[tuple[int, bool]], wanted: int, seats: int, stop: bool
) -> None:
    check = Check(pack(wanted, seats), LIMITS, stop_when_settled=stop)
    kept: list[StrokeKept] = []
    ended: list[Finished] = []
    for n, (travel, accepted) in enumerate(shots, start=1):
        done = bool(ended)
        effects = check.take(stroke(n, travel, accepted=accepted))
        assert not (done and effects)
        kept += [effect for effect in effects if isinstance(effect, StrokeKept)]
        ended += finished(effects)
        assert check.next_step()
    seat = [one for one in kept if one.seat]
    counted = [one for one in kept if not one.seat and one.stroke.accepted]
    rejected = [one for one in kept if not one.seat and not one.stroke.accepted]
    assert len(seat) == min(seats, len(shots))
    assert check.counted == len(counted)
    assert len(seat) + len(counted) + len(rejected) == len(kept)
    assert [one.stroke.n for one in kept] == list(range(1, len(kept) + 1))
    if not ended:
        assert len(kept) == len(shots)
    travels = [shots[one.stroke.n - 1][0] for one in counted]
    asked = {"asked": check.looks.confidence} if stop else {}
    expected = judge(travels, 800_000, 1_400_000, LIMITS, **asked)
    if ended and expected is not None and expected.verdict == "inconclusive":  # the last look spends all that is left
        left = check.looks.at_last(check.counted)
        last = judge(travels, 800_000, 1_400_000, LIMITS, asked=lambda _: left)
        expected = last if last is not None and last.verdict != "inconclusive" else expected
    assert check.verdict == expected
    assert len(ended) <= 1
    if stop:
        assert check.counted <= min(MOST_STROKES, 3 * wanted)
    if ended:
        assert stop and ended[0].verdict == check.verdict and ended[0].verdict.strokes >= wanted
