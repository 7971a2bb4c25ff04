"""A piston that the air throws past its end stands where it came back to, and its seal is sound."""

from __future__ import annotations

import numpy as np
import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import Reading

STEP_NM = 1_000


def sprung(since_s: np.ndarray, half_period_s: float, over: float) -> np.ndarray:
    """The step response of a mass on a spring, damped so that it goes too far by so much of its way (the second-order
    system of any textbook of control: its overshoot is exp(-pi zeta / sqrt(1 - zeta^2)))."""
    damping = -np.log(over) / np.hypot(np.pi, np.log(over))
    damped = np.pi / half_period_s
    decay = damped * damping / np.sqrt(1 - damping**2)
    since_s = np.maximum(since_s, 0)
    return 1 - np.exp(-decay * since_s) * (np.cos(damped * since_s) + decay / damped * np.sin(damped * since_s))


def strokes_of(rng: np.random.Generator, over: float, hold_s: float, leaks: float = 0) -> tuple[list[Stroke], float]:
    """Six strokes held for so long once the overshoot is over, and how far the piston goes."""
    rate, travel = float(rng.choice((50, 100, 200))), rng.uniform(1e6, 3e6)
    half_period, every = rng.uniform(0.06, 0.1), hold_s + 2
    times = np.arange(0.5 / rate, 2 + 6 * every, 1 / rate)
    x = np.zeros_like(times)
    for number in range(6):
        since = times - 2 - number * every
        held = hold_s + 2 * half_period
        pushed = travel * (sprung(since, half_period, over) - leaks * np.clip(since, 0, held))
        x += np.where((since >= 0) & (since < every), pushed * np.clip(1 - (since - held) / 0.1, 0, 1), 0)
    shown = np.rint((7e6 - x + 200 * rng.standard_normal(len(x))) / STEP_NM).astype(int) * STEP_NM
    finder, found = StrokeFinder(FinderSettings(STEP_NM)), []
    for at, value in zip((times * 1e9).astype(int).tolist(), shown.tolist(), strict=True):
        found += finder.feed(at, [Reading(value, "mm")])
    return found + finder.finish(), travel


@pytest.mark.parametrize("seed", range(8))
def test_what_was_reached_in_passing_is_no_travel_and_what_came_back_from_there_no_leak(seed: int) -> None:
    rng = np.random.default_rng([81, seed])
    strokes, travel = strokes_of(rng, over=rng.uniform(0.04, 0.15), hold_s=rng.uniform(0.3, 0.45))
    assert len(strokes) == 6
    for stroke in strokes:
        assert stroke.flags == ()
        assert stroke.peak_travel_nm == pytest.approx(travel, abs=2 * STEP_NM)


def test_of_a_hold_hardly_longer_than_its_overshoot_nothing_is_claimed() -> None:
    rng = np.random.default_rng(82)
    strokes, _ = strokes_of(rng, over=0.1, hold_s=0.1)
    assert [stroke.flags for stroke in strokes] == [("short_hold",)] * 6


def test_a_piston_that_overshoots_and_then_leaks_is_said_to_leak() -> None:
    rng = np.random.default_rng(83)
    strokes, _ = strokes_of(rng, over=0.1, hold_s=1.5, leaks=0.05)
    assert all("leak" in stroke.flags for stroke in strokes)


def test_a_turn_by_hand_goes_through_its_second_half_and_stands_nowhere() -> None:
    """Pushed and let go at once, going faster the longer it goes (powers of the time: common practice)."""
    rng = np.random.default_rng(85)
    times, x, travels = np.arange(0, 123, 0.01), np.zeros(12_300), []
    for number in range(60):
        travels.append(rng.uniform(1.1e6, 1.6e6))
        since, up, down = times - 2 - 2 * number, rng.uniform(0.2, 0.5), rng.uniform(0.15, 0.45)
        rise, fall = np.clip(since / up, 0, 1), np.clip((since - up) / down, 0, 1)
        x += travels[-1] * np.where(since < up, 1 - (1 - rise) ** 1.2, 1 - fall**2.6)
    shown = np.rint((25e6 - x + 7_500 * rng.standard_normal(len(x))) / 10_000).astype(int) * 10_000
    finder, found = StrokeFinder(FinderSettings(10_000)), []
    for at, value in zip((times * 1e9).astype(int).tolist(), shown.tolist(), strict=True):
        found += finder.feed(at, [Reading(value, "mm")])
    found += finder.finish()
    assert [stroke.peak_travel_nm for stroke in found] == pytest.approx(travels, rel=0.04)
