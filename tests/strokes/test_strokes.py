"""What the stroke finder promises, on waveforms drawn from formulas."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.levels import bends_of, noise_of_bends, rounded_mean, rounding_left, successive_noise
from capture.strokes.stroke import FLAGS, counts
from drivers.reading import CUT_SHORT, Reading
from tests.load.erratic_streams import erratic_strokes, search
from tests.support.waveforms import SECOND, Waveform

MM = 1_000_000


@pytest.mark.parametrize("rate_hz", [4, 10, 20, 50, 100, 1000])
@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("resolution_nm", [10_000, 12_700, 2_540, 1_000])
def test_every_stroke_is_found_at_every_rate_resolution_and_mounting(
    rate_hz: int, direction: int, resolution_nm: int
) -> None:
    wave = Waveform(rate_hz=rate_hz, resolution_nm=resolution_nm, direction=direction, noise_nm=1_000)
    wave.rest(2)
    for _ in range(5):
        wave.stroke(1.1 * MM, hold_s=1.5, rest_s=1.5)
    strokes = wave.find()
    assert [stroke.flags for stroke in strokes] == [()] * 5
    assert [stroke.n for stroke in strokes] == [1, 2, 3, 4, 5]
    mean = sum(stroke.peak_travel_nm for stroke in strokes) / 5
    assert abs(mean - 1.1 * MM) < resolution_nm / 2 + 1_500
    assert all(stroke.peak_travel_nm > 0 for stroke in strokes)


@settings(max_examples=60, deadline=None)
@given(
    rate_hz=st.sampled_from([10, 20, 50, 100]),
    travel_nm=st.integers(150_000, 3_000_000),
    noise=st.floats(0, 1),
    direction=st.sampled_from([1, -1]),
    rest_nm=st.integers(-3 * MM, 9 * MM),
    seed=st.integers(0, 10_000),
    batch=st.integers(1, 5),
)
def test_a_stroke_well_above_the_noise_is_neither_missed_nor_doubled(
    rate_hz: int, travel_nm: int, noise: float, direction: int, rest_nm: int, seed: int, batch: int
) -> None:
    wave = Waveform(
        rate_hz=rate_hz,
        direction=direction,
        rest_nm=rest_nm,
        noise_nm=noise * min(20_000, travel_nm / 15),
        seed=seed,
    )
    wave.rest(3)
    for _ in range(3):
        wave.stroke(travel_nm, hold_s=1.5, rest_s=1.5)
    strokes = wave.find(batch=batch)
    assert len(strokes) == 3
    for stroke in strokes:
        assert abs(stroke.held_travel_nm - travel_nm) < wave.resolution_nm + 2.5 * wave.noise_nm


def test_rise_is_the_transition_duration_of_a_first_order_step() -> None:
    # IEEE Std 181: 10 % to 90 % of an ideal first-order step takes 2.197 tau (ln 9).
    wave = Waveform(rate_hz=1000, resolution_nm=1_000).rest(1).stroke(1.1 * MM, tau_s=0.05)
    (stroke,) = wave.find()
    assert stroke.rise_ns == pytest.approx(2.197 * 0.05 * SECOND, rel=0.02)


def test_held_travel_is_the_state_level_not_the_overshoot() -> None:
    # IEEE Std 181: the state level is the histogram's mode; an overshoot on the way is not part of it.
    wave = Waveform(rate_hz=100, resolution_nm=1_000).rest(1)
    wave.toward(1.3 * MM, 0.06, 0.01).toward(1.1 * MM, 1.2, 0.01).toward(0, 1, 0.03)
    (stroke,) = wave.find()
    assert abs(stroke.held_travel_nm - 1.1 * MM) < 2_000
    assert abs(stroke.peak_travel_nm - 1.1 * MM) < 10_000


def test_a_burst_of_noise_at_rest_is_no_stroke() -> None:
    wave = Waveform(rate_hz=50, noise_nm=2_000).rest(2)
    wave.noise_nm = 15_000
    wave.rest(5)
    wave.noise_nm = 2_000
    wave.rest(2)
    assert wave.find() == []


def test_slow_drift_of_the_stand_is_no_stroke_and_does_not_bias_the_next() -> None:
    wave = Waveform(rate_hz=20).rest(2).line_to(80_000, 60)
    wave.rest_nm += 80_000
    wave._travel = 0.0
    wave.stroke(1.1 * MM, hold_s=1.2)
    (stroke,) = wave.find()
    assert abs(stroke.peak_travel_nm - 1.1 * MM) < 10_000


def test_ten_minutes_of_rest_find_nothing() -> None:
    assert Waveform(rate_hz=50, noise_nm=6_000).rest(600).find() == []


Trouble = Callable[[Waveform], object]


def _with_trouble(trouble: Trouble, **settings: object) -> list[tuple[str, ...]]:
    wave = Waveform(rate_hz=50, noise_nm=1_500).rest(2).stroke(1.1 * MM)
    trouble(wave)
    wave.stroke(1.1 * MM)
    return [stroke.flags for stroke in wave.find(**settings)]


def test_one_wild_reading_is_a_glitch_and_not_a_peak() -> None:
    wave = Waveform(rate_hz=50).rest(1)
    wave.toward(1.1 * MM, 0.5, 0.02).wild(wave.rest_nm + 4 * MM).toward(1.1 * MM, 0.5, 0.02).toward(0, 1, 0.03)
    (stroke,) = wave.find()
    assert stroke.flags == ("glitch",)
    assert stroke.accepted
    assert abs(stroke.peak_travel_nm - 1.1 * MM) < 5_000


def test_a_wild_reading_at_rest_is_no_stroke() -> None:
    wave = Waveform(rate_hz=50).rest(1)
    for _ in range(5):
        wave.wild(wave.rest_nm + 2 * MM).rest(0.5)
    assert wave.find() == []


def test_two_wild_readings_in_a_row_that_no_plunger_could_show_are_no_stroke() -> None:
    reach = (0, 12_700_000)
    wave = Waveform(rate_hz=10).rest(2)
    wave.wild(wave.rest_nm + 18 * MM).wild(wave.rest_nm + 70_000).rest(2)
    assert wave.find(plunger_range=reach) == []


def test_two_wild_readings_in_a_row_while_held_do_not_cut_the_stroke_in_two() -> None:
    wave = Waveform(rate_hz=10, direction=-1, rest_nm=7 * MM).rest(2).toward(0.4 * MM, 0.6, 0.01)
    wave.wild(14 * MM).wild(wave.rest_nm - 150_000).toward(0.4 * MM, 1, 0.01).toward(0, 1.5, 0.01)
    (stroke,) = wave.find(plunger_range=(0, 12_700_000))
    assert "glitch" in stroke.flags and abs(stroke.peak_travel_nm - 0.4 * MM) < 10_000


def test_a_reading_that_lost_a_digit_is_no_movement() -> None:
    wave = Waveform(rate_hz=20).rest(2)
    short = [Reading(200_000, "mm", (CUT_SHORT,))] * 3
    finder = StrokeFinder(FinderSettings(wave.resolution_nm))
    found = [stroke for t_ns, reading in wave.samples for stroke in finder.feed(t_ns, [reading, *short])]
    assert [*found, *finder.finish()] == []


@pytest.mark.parametrize(("rate_hz", "seed"), [(rate_hz, seed) for rate_hz in (4, 50, 1000) for seed in range(6)])
def test_a_stroke_of_seven_times_the_noise_is_one_stroke(rate_hz: int, seed: int) -> None:
    wave = Waveform(rate_hz=rate_hz, noise_nm=25_000, seed=seed).rest(4)
    for _ in range(3):
        wave.stroke(175_000, hold_s=1.8, rest_s=2.0)
    strokes = wave.find()
    assert len(strokes) == 3
    assert not any({"no_return", "leak"} & set(stroke.flags) for stroke in strokes)


def test_a_piston_that_stays_out_does_not_return() -> None:
    wave = Waveform(rate_hz=50).rest(1).toward(1.1 * MM, 1, 0.03).toward(0.5 * MM, 2, 0.03)
    assert [stroke.flags for stroke in wave.find()] == [("no_return",)]


@pytest.mark.parametrize("rate_hz", [10, 50, 1000])
def test_a_piston_that_sticks_above_half_its_way_back_does_not_return_and_is_no_leak(rate_hz: int) -> None:
    wave = Waveform(rate_hz=rate_hz).rest(1).toward(1.1 * MM, 1, 0.03).toward(0.68 * MM, 1.5, 0.03)
    wave.toward(1.1 * MM, 1, 0.03).toward(0, 1.5, 0.03)
    first, second = wave.find()
    assert first.flags == ("no_return",)
    assert second.flags == () and abs(second.peak_travel_nm - 1.1 * MM) < 10_000


def test_a_long_bounce_before_the_hold_is_no_release() -> None:
    wave = Waveform(rate_hz=100).rest(1).toward(1.6 * MM, 0.15, 0.01).toward(1.1 * MM, 1.5, 0.01).toward(0, 1, 0.03)
    (stroke,) = wave.find()
    assert "no_return" not in stroke.flags
    assert abs(stroke.held_travel_nm - 1.1 * MM) < 10_000


def test_a_stand_knocked_in_mid_stroke_moves_the_base() -> None:
    wave = Waveform(rate_hz=50).rest(1).toward(1.1 * MM, 1, 0.03)
    wave.rest_nm += 100_000
    wave.toward(0, 1.5, 0.03).stroke(1.1 * MM)
    first, second = wave.find()
    assert first.flags == ("base_moved",) and not first.accepted
    assert second.flags == () and abs(second.peak_travel_nm - 1.1 * MM) < 10_000


def test_a_plunger_at_its_end_is_out_of_reach() -> None:
    flags = _with_trouble(lambda wave: None, plunger_range=(0, 3_100_000))
    assert flags == [("out_of_reach",)] * 2


def test_travel_that_still_grows_when_released_creeps() -> None:
    assert _with_trouble(lambda w: w.toward(0.8 * MM, 0.1, 0.02).line_to(1.1 * MM, 1.0).toward(0, 1, 0.03))[1] == (
        "creep",
    )


def test_travel_that_falls_away_while_held_leaks_and_its_peak_still_counts() -> None:
    def leak(wave: Waveform) -> None:
        wave.toward(1.1 * MM, 0.4, 0.02).line_to(0.85 * MM, 1.0).toward(0, 1, 0.03)

    wave = Waveform(rate_hz=50).rest(2)
    leak(wave)
    (stroke,) = wave.find()
    assert stroke.flags == ("leak",)
    assert stroke.accepted
    assert stroke.creep_nm < 0
    assert abs(stroke.peak_travel_nm - 1.1 * MM) < 15_000
    assert not wave.find(measure="held")[0].accepted


def test_a_tap_on_the_valve_is_a_short_hold() -> None:
    flags = _with_trouble(lambda wave: wave.toward(1.1 * MM, 0.15, 0.02).toward(0, 1, 0.02))
    assert "short_hold" in flags[1] and flags[0] == flags[2] == ()


def test_two_readings_in_a_hold_are_sparse() -> None:
    wave = Waveform(rate_hz=4).rest(3).stroke(1.1 * MM, hold_s=0.5, rest_s=2)
    (stroke,) = wave.find()
    assert "sparse" in stroke.flags and not stroke.accepted


@pytest.mark.parametrize("rate_hz", [5, 20, 100])
def test_an_indicator_zeroed_while_the_pack_is_held_is_noticed_and_the_next_stroke_is_right(rate_hz: int) -> None:
    wave = Waveform(rate_hz=rate_hz).rest(2).toward(1.1 * MM, 1, 0.03)
    wave.zero()
    wave.toward(1.1 * MM, 1, 0.03).toward(0, 1.5, 0.03).stroke(1.1 * MM, hold_s=1.5)
    first, second = wave.find()
    assert first.flags == ("rezeroed",)
    assert second.flags == () and abs(second.peak_travel_nm - 1.1 * MM) < 10_000


def test_a_unit_switched_in_mid_stroke_is_noticed() -> None:
    def switch(wave: Waveform) -> None:
        wave.toward(1.1 * MM, 0.6, 0.03)
        wave.unit = "in"
        wave.toward(1.1 * MM, 0.6, 0.03).toward(0, 1, 0.03)

    assert _with_trouble(switch) == [(), ("rezeroed",), ()]


def test_a_silent_port_in_mid_stroke_is_a_gap() -> None:
    assert _with_trouble(
        lambda w: w.toward(1.1 * MM, 0.5, 0.03).silence(2).toward(1.1 * MM, 0.5, 0.03).toward(0, 1, 0.03)
    ) == [(), ("gap",), ()]


def test_a_silent_port_at_rest_is_no_fault_of_a_stroke() -> None:
    assert _with_trouble(lambda wave: wave.silence(3).rest(1)) == [(), ()]


def test_a_port_lost_and_back_at_once_still_marks_the_stroke() -> None:
    wave = Waveform(rate_hz=50).rest(1).toward(1.1 * MM, 0.5, 0.03)
    lost_at = len(wave.samples)
    wave.toward(1.1 * MM, 0.5, 0.03).toward(0, 1, 0.03)
    finder = StrokeFinder(FinderSettings(10_000))
    found = []
    for index, (t_ns, reading) in enumerate(wave.samples):
        if index == lost_at:
            finder.stream_lost()
        found += finder.feed(t_ns, [reading])
    assert [stroke.flags for stroke in found] == [("gap",)]


def test_rapid_cycling_separates_the_strokes() -> None:
    wave = Waveform(rate_hz=50).rest(1)
    for _ in range(10):
        wave.stroke(1.1 * MM, hold_s=0.5, rest_s=0.15, tau_s=0.015)
    strokes = wave.rest(1).find()
    assert len(strokes) == 10
    assert all(abs(stroke.peak_travel_nm - 1.1 * MM) < 10_000 for stroke in strokes)


def test_a_trigger_lets_a_smaller_stroke_count() -> None:
    wave = Waveform(rate_hz=50, resolution_nm=1_000).rest(1)
    lead = len(wave.samples)
    wave.stroke(34_000)

    def run(triggered: bool) -> int:
        finder = StrokeFinder(FinderSettings(1_000))
        found = []
        for index, (t_ns, reading) in enumerate(wave.samples):
            if triggered and index == lead:
                finder.trigger(t_ns, True)
            if triggered and index == lead + 50:
                finder.trigger(t_ns, False)
            found += finder.feed(t_ns, [reading])
        return len(found + finder.finish())

    assert run(triggered=True) == 1
    assert run(triggered=False) == 0


def test_a_stream_that_ends_in_mid_stroke_says_it_did_not_return() -> None:
    wave = Waveform(rate_hz=50).rest(1).toward(1.1 * MM, 1, 0.03)
    assert [stroke.flags for stroke in wave.find()] == [("no_return",)]


def test_the_state_follows_the_pack() -> None:
    wave = Waveform(rate_hz=50).rest(1).stroke(1.1 * MM)
    finder = StrokeFinder(FinderSettings(10_000))
    states = []
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
        if not states or states[-1] is not finder.state:
            states.append(finder.state)
    assert [state.value for state in states] == ["unknown", "rest", "moving", "applied", "returning", "rest"]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 3 * SECOND), st.lists(st.integers(-50 * MM, 50 * MM), max_size=6)),
        max_size=120,
    )
)
def test_no_readings_whatever_break_the_finder(chunks: list[tuple[int, list[int]]]) -> None:
    finder = StrokeFinder(FinderSettings(10_000, (0, 12_700_000)))
    t_ns = 0
    found = []
    for pause, values in chunks:
        t_ns += pause
        found += finder.feed(t_ns, [Reading(value, "mm") for value in values])
    found += finder.finish()
    assert [stroke.n for stroke in found] == list(range(1, len(found) + 1))
    for stroke in found:
        assert stroke.start_ns <= stroke.end_ns <= t_ns
        assert set(stroke.flags) <= set(FLAGS)
        assert stroke.accepted == counts(stroke.flags)
        assert stroke.rise_ns >= 0


def test_a_day_at_rest_after_a_stroke_is_kept_in_a_small_window() -> None:
    finder = StrokeFinder(FinderSettings(10_000))
    wave = Waveform(rate_hz=100).rest(1).stroke(1.1 * MM)
    for t_ns, reading in wave.samples:
        finder.feed(t_ns, [reading])
    for since in range(1, 20_001):
        finder.feed(t_ns + since * 100_000_000, [reading] * 10)
    assert len(finder._rest.readings) <= 2 * 1024 + 10
    assert len(finder._rest._slow) <= 1024  # of the way home: ten seconds at most


@given(st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=50))
def test_rounded_mean_is_the_nearest_integer(values: list[int]) -> None:
    from fractions import Fraction

    exact = Fraction(sum(values), len(values))
    assert abs(rounded_mean(values) - exact) <= Fraction(1, 2)


def test_the_noise_estimators_recover_sigma() -> None:
    import numpy as np

    # Reference: NumPy's own standard deviation of the same normal deviates.
    values = np.random.default_rng(7).normal(0, 10_000, 20_000)
    integers = [round(value) for value in values]
    assert successive_noise(integers) == pytest.approx(values.std(), rel=0.02)
    assert noise_of_bends(bends_of(integers)) == pytest.approx(values.std(), rel=0.03)


def test_noise_dithers_the_display_and_leaves_less_of_its_rounding() -> None:
    # d / sqrt(12): JCGM 100, F.2.2.1. The sum: Widrow and Kollar, Quantization Noise (from memory).
    assert rounding_left(0, 10_000) == pytest.approx(10_000 / math.sqrt(12), abs=1)
    for noise_nm in range(500, 8_000, 250):
        squares = (math.exp(-((2 * math.pi * k * noise_nm / 10_000) ** 2)) / k**2 for k in range(1, 500))
        left = 10_000 * math.sqrt(math.fsum(squares) / (2 * math.pi**2))
        assert rounding_left(noise_nm, 10_000) == pytest.approx(left, abs=70)


def test_a_still_display_keeps_the_rounding_of_two_readings_and_a_restless_one_does_not() -> None:
    still = Waveform(rate_hz=50).rest(2).stroke(1.1 * MM).stroke(1.1 * MM).find()
    restless = Waveform(rate_hz=50, noise_nm=8_000).rest(2).stroke(1.1 * MM).stroke(1.1 * MM).find()
    assert all(stroke.rounding_nm == pytest.approx(10_000 / math.sqrt(6), abs=300) for stroke in still)
    # A tenth of a step is left of each level however restless the display: 0.1 d / sqrt(3), JCGM 100, 4.3.7.
    assert all(
        stroke.rounding_nm == pytest.approx(0.1 * 10_000 / math.sqrt(3) * math.sqrt(2), abs=30) for stroke in restless
    )


def test_erratic_readings_end_in_strokes_or_in_none_and_never_in_a_failure() -> None:
    """A twentieth of what `python -m tests.load.erratic_streams` tries."""
    assert search(60_000, first=640) == []
    assert isinstance(erratic_strokes(12_209), list)


@pytest.mark.parametrize("seed", [518, 1971, 101_856, 172, 345, 1028, 100_243, 101_434])
def test_streams_that_ended_in_a_failure_or_a_stroke_to_nowhere_do_so_no_more(seed: int) -> None:
    assert search(400, first=seed) == []
