"""An indicator that sends one value at a press: rest, applied, rest, and what single readings can and cannot say."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterable
from pathlib import Path
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.clearance.verdict import MeasurementLimits, judge
from capture.recordings.file import RecordingWriter
from capture.recordings.replay import Replay
from capture.recordings.stream import FixtureStream, IndicatorStream
from capture.strokes.finder import FinderSettings
from capture.strokes.machine import Notice, StrokeState
from capture.strokes.single_values import SingleValueFinder
from capture.strokes.stroke import Stroke
from drivers.indicators.registry import find_driver
from drivers.reading import CUT_SHORT, Reading
from drivers.registry import make_settings
from drivers.wirings.ascii import line
from drivers.wirings.registry import find_driver as find_wiring
from tests.support.sheets import pack, sheet

UM, MM, SECOND = 1_000, 1_000_000, 1_000_000_000
SETTINGS = FinderSettings(10 * UM, (0, 12_700 * UM))


def found_in(values_mm: Iterable[float], settings: FinderSettings = SETTINGS) -> list[Stroke]:
    finder, found = SingleValueFinder(settings), []
    for at, value in enumerate(values_mm, 1):
        found += finder.feed(at * SECOND, [Reading(round(value * MM), "mm")])
    return found + finder.finish()


def test_rest_applied_rest_is_a_stroke_whatever_way_the_indicator_is_mounted() -> None:
    up, down = found_in([2.00, 3.10, 2.00, 3.12, 2.00]), found_in([2.00, 0.90, 2.00, 0.88, 2.00])
    assert [one.peak_travel_nm for one in up] == [one.peak_travel_nm for one in down] == [1_100 * UM, 1_120 * UM]
    assert [one.held_travel_nm for one in up] == [1_100 * UM, 1_120 * UM]
    assert all(one.accepted and one.flags == () for one in up + down)
    assert [(one.start_ns // SECOND, one.end_ns // SECOND) for one in up] == [(1, 3), (3, 5)]


def test_a_stand_that_drifts_evenly_costs_the_travel_nothing() -> None:
    (stroke,) = found_in([2.00, 3.11, 2.02])
    assert stroke.peak_travel_nm == 1_100 * UM and stroke.return_error_nm == 20 * UM and stroke.accepted
    # Where between the two rests it lay, nobody saw: a rectangle (JCGM 100, 4.3.7).
    assert stroke.inferred_nm == pytest.approx(20 * UM / math.sqrt(12), abs=1)


def test_rounding_leaves_all_of_a_step_in_each_of_two_values() -> None:
    (stroke,) = found_in([2.00, 3.10, 2.00])
    assert stroke.rounding_nm == pytest.approx(math.sqrt(2) * 10 * UM / math.sqrt(12), abs=1)  # JCGM 100, F.2.2.1
    verdict = judge([1_100 * UM] * 3, 800 * UM, 1_400 * UM, MeasurementLimits(10 * UM), [stroke.rounding_nm] * 3)
    assert verdict is not None
    (line,) = (one for one in verdict.budget if one.source == "resolution")
    assert line.basis == "two readings, d/sqrt(12)"


def test_what_nobody_looked_at_is_not_claimed() -> None:
    (stroke,) = found_in([0.0, 1.1, 0.0])
    assert stroke.rise_ns == stroke.creep_nm == stroke.fall_nm_per_s == 0
    assert not {"short_hold", "sparse", "creep"} & set(stroke.flags)


@pytest.mark.parametrize(
    ("values_mm", "flags"),
    [
        ((2.00, 3.10, 2.30), ("no_return", "base_moved")),  # a quarter of the travel is left: stuck, or slipped
        ((2.00, 3.10, 2.05), ("base_moved",)),
        ((2.00, 3.10, 1.95), ("base_moved",)),
        ((2.00, 3.10, 2.02), ()),
        ((2.00, 3.10, 3.05, 2.00), ("leak",)),  # two values of one hold
        ((2.00, 3.10, 3.09, 2.00), ()),  # a flicker of the display
        ((2.00, 3.05, 3.10, 2.00), ()),  # sent too soon, and again
        ((12.00, 12.68, 12.00), ("out_of_reach",)),
    ],
)
def test_flags_say_what_single_values_can_show(values_mm: tuple[float, ...], flags: tuple[str, ...]) -> None:
    (stroke,) = found_in(values_mm)
    assert stroke.flags == flags and stroke.accepted == (set(flags) <= {"leak"})


def test_of_two_values_in_a_hold_the_peak_is_the_furthest_and_the_held_one_the_last() -> None:
    (stroke,) = found_in([2.00, 3.10, 3.00, 2.00])
    assert (stroke.peak_travel_nm, stroke.held_travel_nm, stroke.creep_nm) == (1_100 * UM, 1_000 * UM, -100 * UM)
    assert stroke.fall_nm_per_s == 100 * UM


def test_a_rest_sent_twice_is_the_newer_one_and_that_is_said() -> None:
    finder = SingleValueFinder(SETTINGS)
    for at, value in enumerate((2_000, 2_010)):
        assert finder.feed(at, [Reading(value * UM, "mm")]) == []
    assert finder.notices == (Notice.SAME,) and finder.state is StrokeState.REST
    finder.feed(3, [Reading(3_110 * UM, "mm")])
    (stroke,) = finder.feed(4, [Reading(2_010 * UM, "mm")])
    assert stroke.released_nm == 2_010 * UM and stroke.peak_travel_nm == 1_100 * UM and finder.notices == ()


def test_a_value_sent_half_way_spoils_its_strokes_and_none_that_counts() -> None:
    strokes = found_in([2.00, 3.10, 2.00, 3.10, 2.50, 3.10, 2.00, 3.10, 2.00])
    assert [one.accepted for one in strokes] == [True, False, False, True]
    assert all(one.peak_travel_nm == 1_100 * UM for one in strokes if one.accepted)


def test_a_check_begun_with_the_air_on_measures_the_same_travel() -> None:
    assert {one.peak_travel_nm for one in found_in([3.10, 2.00, 3.10, 2.00, 3.10])} == {1_100 * UM}


def test_a_value_that_came_damaged_is_said_and_never_measured() -> None:
    finder = SingleValueFinder(SETTINGS)
    finder.feed(1, [Reading(2_000 * UM, "mm")])
    assert finder.feed(2, [Reading(310 * UM, "mm", (CUT_SHORT,))]) == [] and finder.notices == (Notice.DAMAGED,)
    finder.feed(3, [Reading(3_100 * UM, "mm")])
    (stroke,) = finder.feed(4, [Reading(2_000 * UM, "mm")])
    assert stroke.flags == ("glitch",) and stroke.accepted and stroke.peak_travel_nm == 1_100 * UM


def test_a_unit_switched_or_a_port_lost_within_a_stroke_spoils_it_and_no_other() -> None:
    finder = SingleValueFinder(FinderSettings(10 * UM))
    finder.feed(1, [Reading(0, "mm")])
    finder.feed(2, [Reading(1_100 * UM, "in")])
    (switched,) = finder.feed(3, [Reading(0, "in")])
    finder.feed(4, [Reading(1_100 * UM, "in")])
    finder.stream_lost()
    (lost,) = finder.feed(5, [Reading(0, "in")])
    finder.feed(6, [Reading(1_100 * UM, "in")])
    (sound,) = finder.feed(7, [Reading(0, "in")])
    assert (switched.flags, lost.flags, sound.flags) == (("rezeroed",), ("gap",), ())


def test_a_fixture_says_which_values_are_applied_ones_however_small_the_travel() -> None:
    finder = SingleValueFinder(SETTINGS)
    finder.trigger(0, False)
    finder.feed(1, [Reading(2_000 * UM, "mm")])
    finder.trigger(2, True)
    finder.feed(3, [Reading(2_010 * UM, "mm")])
    finder.trigger(4, False)
    (stroke,) = finder.feed(5, [Reading(2_000 * UM, "mm")])
    assert stroke.peak_travel_nm == 10 * UM
    finder.trigger(6, True)
    finder.trigger(7, False)
    assert finder.notices == (Notice.NOT_SENT,)
    finder.trigger(8, True)
    finder.air_unknown()  # the fixture is gone: how far a value lies away says what it is
    finder.feed(9, [Reading(2_000 * UM, "mm")])
    assert finder.state is StrokeState.REST


def test_a_first_value_sent_with_the_valve_open_is_no_rest() -> None:
    finder = SingleValueFinder(SETTINGS)
    finder.trigger(0, True)
    assert finder.feed(1, [Reading(3_100 * UM, "mm")]) == [] and finder.notices == (Notice.AIR_WAS_ON,)
    assert finder.state is StrokeState.STARTING


@given(st.lists(st.integers(-3_000, 3_000), max_size=40), st.lists(st.booleans(), max_size=40))
def test_whatever_is_sent_strokes_are_numbered_in_order_and_their_travels_lie_within_what_was_shown(
    steps: list[int], valve: list[bool]
) -> None:
    finder, found = SingleValueFinder(SETTINGS), []
    for at, step in enumerate(steps):
        if at < len(valve):
            finder.trigger(at, valve[at])
        found += finder.feed(at, [Reading(step * 10 * UM, "mm")])
    assert [one.n for one in found] == list(range(1, len(found) + 1))
    widest = (max(steps) - min(steps)) * 10 * UM if steps else 0
    assert all(-widest <= one.peak_travel_nm <= widest and one.start_ns <= one.end_ns for one in found)


@pytest.mark.parametrize(("noise_steps", "drift_steps"), [(0.0, 0.0), (0.3, 0.0), (1.0, 0.0), (0.3, 0.7), (2.0, 1.0)])
def test_nineteen_of_twenty_stated_intervals_hold_the_true_clearance(noise_steps: float, drift_steps: float) -> None:
    """Coverage of the expanded uncertainty (JCGM 100, 6.2.2), over displays, noises and drifts of the stand."""
    rng, step, held, checks = random.Random(20), 10 * UM, 0, 400
    for _ in range(checks):
        true, rest = rng.uniform(800 * UM, 1_400 * UM), rng.uniform(1.9, 2.1) * MM
        finder, found = SingleValueFinder(SETTINGS), []
        for at in range(11):
            shown = rest + at * drift_steps * step + (true if at % 2 else 0) + rng.gauss(0, noise_steps * step)
            found += finder.feed(at, [Reading(round(shown / step) * step, "mm")])
        verdict = judge(
            [one.peak_travel_nm for one in found], 800 * UM, 1_400 * UM, MeasurementLimits(step),
            [one.rounding_nm for one in found], inferred_nm=[one.inferred_nm for one in found],
        )  # fmt: skip
        assert verdict is not None and len(found) == 5
        held += abs(verdict.mean_nm - true) <= verdict.expanded_uncertainty_nm
    assert held / checks >= 0.94


def test_the_mean_of_many_single_values_has_no_bias() -> None:
    rng, errors = random.Random(4), []
    for _ in range(300):
        true, rest = rng.uniform(800 * UM, 1_400 * UM), rng.uniform(1.9, 2.1) * MM
        shown = [rest + (true if at % 2 else 0) + rng.gauss(0, 5 * UM) for at in range(11)]
        errors += [one.peak_travel_nm - true for one in found_in([round(v / (10 * UM)) * 0.01 for v in shown])]
    assert abs(fmean(errors)) < 0.05 * 10 * UM


SHEET = sheet(pack("low", keys="strokes = 3\nseat_strokes = 1\n"))
INDICATOR = {"driver": "line", "unit": "mm", "resolution": "0.01 mm", "sends": "on-press"}


def test_a_replay_of_single_values_gives_the_strokes_and_the_verdict_of_the_live_stream(tmp_path: Path) -> None:
    path = tmp_path / "pressed.jsonl"
    header = {"recording": 2, "started": "2026-03-02T07:30:00+00:00", "bench": "bay-2", "indicator": INDICATOR}
    driver = find_driver("line")
    live = IndicatorStream(driver, make_settings(driver, {k: v for k, v in INDICATOR.items() if k != "driver"}))
    found: list[Stroke] = []
    writer = RecordingWriter(path, header)
    for at, value in enumerate((2.00, 3.10, 2.00, 3.11, 2.01, 3.11, 2.01, 3.10, 2.00)):
        data = f"{value:+.2f} mm\r\n".encode()
        found += live.feed(writer.stream(at * 4 * SECOND, "indicator", data), data)[1]
    writer.close()
    again = Replay(path, SHEET.packs[0])
    assert [kept.stroke for kept in again.strokes()][1:] == found[1:]
    assert again.counted == 3 and again.verdict is not None and again.verdict.verdict == "good"
    assert json.loads(path.read_text().splitlines()[0])["indicator"]["sends"] == "on-press"


def test_the_air_of_a_fixture_is_judged_for_single_values_too() -> None:
    driver, wiring = find_driver("line"), find_wiring("ascii")
    fixture = FixtureStream(wiring, make_settings(wiring, {}), (130_000, 150_000))
    stream = IndicatorStream(driver, make_settings(driver, {"sends": "on-press"}), fixture=fixture)

    def stroke(at_s: int, pascals: int) -> Stroke:
        stream.feed(at_s * SECOND, b"2.00 mm\r")
        for tenth in range(30):  # what the fixture says ten times a second
            stream.feed_fixture(at_s * SECOND + (tenth + 1) * SECOND // 10, line(f"state open down {pascals}"))
        stream.feed((at_s + 3) * SECOND, b"3.10 mm\r")
        stream.feed_fixture((at_s + 4) * SECOND, line("state shut up 0"))
        (found,) = stream.feed((at_s + 5) * SECOND, b"2.00 mm\r")[1]
        return found

    sound, low = stroke(1, 140_000), stroke(10, 100_000)
    assert (sound.flags, sound.pressure_max_pa, sound.accepted) == ((), 140_000, True)
    assert low.flags == ("pressure",) and not low.accepted


@pytest.mark.parametrize(
    ("driver", "values"),
    [("word24", {}), ("polled-line", {}), ("registers", {"scale": "0.001 mm"})],
)
def test_a_wire_form_that_has_no_single_values_says_why(driver: str, values: dict[str, str]) -> None:
    with pytest.raises(ValidationError, match=r"sends: .*; expected 'stream'"):
        make_settings(find_driver(driver), {**values, "sends": "on-press"})
