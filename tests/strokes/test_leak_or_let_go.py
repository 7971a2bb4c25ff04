"""What sinks evenly from the top of its hold on leaks, however fast; what stood level and then went was let go."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import Reading
from tests.load import troubled_levels

STEP_NM = 1_000
Floats = NDArray[np.float64]


def found_in(times_s: Floats, shown_nm: Floats) -> list[Stroke]:
    values = np.rint(shown_nm / STEP_NM).astype(int) * STEP_NM
    finder, strokes = StrokeFinder(FinderSettings(STEP_NM)), []
    for at, value in zip((times_s * 1e9).astype(int).tolist(), values.tolist(), strict=True):
        strokes += finder.feed(at, [Reading(value, "mm")])
    return strokes + finder.finish()


@pytest.mark.parametrize("seed", range(6))
def test_a_seal_that_loses_a_fifth_of_the_travel_a_second_leaks_though_the_pack_comes_home_slowly(seed: int) -> None:
    """It fills in a tenth of a second and empties in half a one, evenly, as through a narrow port."""
    rng = np.random.default_rng([91, seed])
    travel, leak = rng.uniform(1.2e6, 2.4e6), rng.uniform(0.19, 0.24)
    fills_s, empties_s = rng.uniform(0.12, 0.17), rng.uniform(0.45, 0.6)
    times, t, x = np.arange(0.01, 27, 0.02), 2.0, np.zeros(1_350)
    for _ in range(6):
        hold = rng.uniform(1.2, 1.9)
        since = times - t
        rising = np.clip(since / fills_s, 0, 1) - leak * np.clip(since - fills_s, 0, hold)
        gone = np.clip((since - fills_s - hold) / empties_s, 0, None)
        x = np.maximum(x, np.where(since < 0, 0, travel * np.maximum(0, rising - gone)))
        t += hold + 2.2
    strokes = found_in(times, 5e6 + x + 400 * rng.standard_normal(len(x)))
    assert len(strokes) == 6
    for stroke in strokes:
        assert stroke.flags == ("leak",)
        assert stroke.fall_nm_per_s == pytest.approx(leak * travel, rel=0.02)
        assert abs(stroke.peak_travel_nm - travel) <= 2 * (stroke.inferred_nm or 0) + STEP_NM


@pytest.mark.parametrize("seed", range(6))
def test_a_piston_held_level_and_then_let_back_slowly_by_hand_does_not_leak(seed: int) -> None:
    """Let back within half a second to two, faster now and slower then, to its seat."""
    rng = np.random.default_rng([92, seed])
    travel, rate = rng.uniform(2e7, 3.5e7), float(rng.choice((50, 100)))
    times, t = np.arange(0.5 / rate, 36, 1 / rate), 2.0
    x = np.zeros_like(times)
    for _ in range(6):
        hold, back_s, bends, ends = rng.uniform(2.5, 3), rng.uniform(0.5, 2), rng.uniform(0.5, 1), rng.uniform(1, 2)
        since = times - t
        part = np.clip((since - 0.5 - hold) / back_s, 0, 1)
        let_back = bends * part + (1 - bends) * part**2 + 0.05 * np.sin(np.pi * part) * np.sin(3 * np.pi * part)
        pushed = np.where(since < 0.5, np.sin(np.clip(since, 0, 0.5) * np.pi) ** ends, 1 - np.clip(let_back, 0, 1))
        x = np.maximum(x, np.where(since < 0, 0, travel * pushed))
        t += hold + back_s + 1.2
    strokes = found_in(times, 5e6 + x)
    assert len(strokes) == 6
    for stroke in strokes:
        assert stroke.flags == ()
        assert stroke.fall_nm_per_s == 0
        assert stroke.peak_travel_nm == pytest.approx(travel, abs=STEP_NM)


@pytest.mark.parametrize("seed", [36, 162, 249, 338])
def test_a_piston_pushed_quickly_and_let_back_slowly_by_hand_without_a_hold_has_none(seed: int) -> None:
    """Its top is round, and what it loses before it seems to be let go is too little to be an even fall."""
    check = troubled_levels.draw("no hold", np.random.default_rng([97, seed]))
    finder, strokes = StrokeFinder(FinderSettings(check.resolution_nm)), []
    for at, value in zip((check.t_s * 1e9).astype(int).tolist(), check.values_nm.tolist(), strict=True):
        strokes += finder.feed(at, [Reading(value, "mm")])
    strokes += finder.finish()
    assert [stroke.flags for stroke in strokes] == [("short_hold",)] * len(check.strokes)


@pytest.mark.parametrize("seed", [7, 14, 17, 33, 36, 49])
def test_a_leak_of_two_thousandths_an_inch_a_second_is_found_in_noise_of_a_display_step(seed: int) -> None:
    """Twenty readings a second of 0.01 mm in a hold of 1.5 s; what the noise of few readings makes of a rest is no
    stand that moves."""
    rng, leak, travel = np.random.default_rng([5, seed]), 50_800, 2_000_000
    noise = rng.uniform(8_000, 14_000)
    times = np.arange(0, 27, 0.05) + rng.uniform(0, 0.05)
    x = np.zeros_like(times)
    for number in range(6):
        since = times - 2.5 - 4 * number - rng.uniform(0, 0.1)
        pressed = travel * (1 - np.exp(-np.clip(since, 0, None) / 0.02)) - leak * np.clip(since, 0, 1.5)
        x = np.where(since < 0, x, pressed * np.exp(-np.clip(since - 1.5, 0, None) / 0.03))
    finder, strokes = StrokeFinder(FinderSettings(10_000)), []
    for at, value in zip(times, np.rint((5e6 + x + noise * rng.standard_normal(len(x))) / 10_000), strict=True):
        strokes += finder.feed(round(at * 1_000_000_000), [Reading(int(value) * 10_000, "mm")])
    strokes += finder.finish()
    assert ["leak" in stroke.flags for stroke in strokes] == [True] * 6


@pytest.mark.parametrize("seed", range(5))
def test_a_pack_that_fills_in_half_a_second_and_leaks_more_slowly_than_it_is_let_go_leaks(seed: int) -> None:
    """It comes in three steps as its oil does, and sinks as slowly as a seal lets it: no hand let it back."""
    rng = np.random.default_rng([94, seed])
    travel, leak = rng.uniform(1.6e6, 2.4e6), rng.uniform(450_000, 600_000)
    times, t = np.arange(0, 24, 0.01) + rng.uniform(0, 0.01), 1.5
    x = np.zeros_like(times)
    for _ in range(5):
        hold = rng.uniform(1.6, 2.3)
        since = times - t
        filling = sum(np.clip((since - at) / 0.08, 0, 1) / 3 for at in (0, 0.2, 0.4))
        pressed = travel * filling - leak * np.clip(np.minimum(since, hold) - 0.48, 0, None)
        x = np.where(since < 0, x, np.maximum(0, pressed - 9e6 * np.clip(since - hold, 0, None)))
        t += hold + 2
    strokes = found_in(times, 5e6 + x + 300 * rng.standard_normal(len(x)))
    assert [stroke.flags for stroke in strokes] == [("leak",)] * 5
    assert [stroke.fall_nm_per_s for stroke in strokes] == pytest.approx([leak] * 5, rel=0.02)


@pytest.mark.parametrize("travel_nm", [4_000_000, 5_000_000])
def test_what_stood_level_and_went_home_ever_faster_within_a_second_was_let_back_by_hand(travel_nm: int) -> None:
    """Some millimetres a second: no seal loses so much, and a leak ends with a release, many times as fast."""
    times = np.arange(0.01, 9, 0.005)
    pushed, back = np.clip((times - 2) / 0.4, 0, 1), np.clip((times - 5.5) / 1.0, 0, 1)
    shown = travel_nm * (10 * pushed**3 - 15 * pushed**4 + 6 * pushed**5) * (1 - back**2)
    (stroke,) = found_in(times, 5e6 + shown)
    assert stroke.flags == ()
    assert abs(stroke.peak_travel_nm - travel_nm) <= STEP_NM


@pytest.mark.parametrize("held_s", [0, 1.5])
@pytest.mark.parametrize("faster", [30, 150])
def test_what_a_hand_lets_go_ever_faster_does_not_leak(faster: float, held_s: float) -> None:
    """From some tenths of a millimetre a second on, so many times as fast at the end; after a hold, or at once."""
    times = np.arange(0.01, 8, 0.02)
    pushed, part = np.clip((times - 2) / 0.14, 0, 1), np.clip((times - 2.14 - held_s) / 1.5, 0, 1)
    let_go = (faster**part - 1) / (faster - 1)
    (stroke,) = found_in(times, 5e6 + 4e6 * (10 * pushed**3 - 15 * pushed**4 + 6 * pushed**5 - let_go))
    assert "leak" not in stroke.flags and stroke.fall_nm_per_s == 0
    assert ("short_hold" not in stroke.flags) == stroke.accepted == bool(held_s)
    assert abs(stroke.peak_travel_nm - 4_000_000) <= (STEP_NM if held_s else 3e-2 * 4e6)


def test_a_seal_that_fails_half_way_through_a_hold_leaks() -> None:
    times = np.arange(0.01, 8, 0.01)
    held = 2e6 * np.clip((times - 2) / 0.05, 0, 1) - 3e5 * np.clip(times - 3, 0, 1)
    (stroke,) = found_in(times, 5e6 + np.maximum(0, held - 4e7 * np.clip(times - 4, 0, 1)))
    assert stroke.flags == ("leak",)
    assert stroke.peak_travel_nm == pytest.approx(2_000_000, abs=2 * STEP_NM)
