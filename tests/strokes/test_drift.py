"""A base that moves evenly between two rests moves no travel; one that steps does as it did."""

from __future__ import annotations

import math
import random

import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from drivers.reading import Reading
from tests.load.troubled_levels import measure
from tests.support.waveforms import Waveform

MM = 1_000_000


def drifting(base_at: object, seed: int) -> list[float]:
    """Errors of the travels of four strokes over a base that moves, micrometres; one display step is one of them."""
    generator = random.Random(seed)
    wave = Waveform(rate_hz=100, resolution_nm=1_000, noise_nm=900, seed=seed)
    times: list[tuple[float, float]] = []
    t = 3.0
    for _ in range(4):
        times.append((t, t + generator.uniform(0.7, 1.4)))
        t = times[-1][1] + generator.uniform(1.2, 2.2)
    while (now := wave.t_s) < t:
        apply_s, release_s = next((one for one in reversed(times) if one[0] <= now), (math.inf, math.inf))
        travel = 0.0
        if now >= release_s:
            travel = MM * math.exp(-(now - release_s) / 0.02)
        elif now >= apply_s:
            travel = MM * (1 - math.exp(-(now - apply_s) / 0.02))
        wave.sample(travel + base_at(now))  # type: ignore[operator]
    strokes = wave.find()
    assert [stroke.flags for stroke in strokes] == [()] * 4
    return [(stroke.peak_travel_nm - MM) / 1_000 for stroke in strokes]


@pytest.mark.parametrize("um_per_s", [-2.0, -1.0, 0.0, 1.0, 2.0])
def test_a_base_that_drifts_evenly_biases_no_travel_by_a_tenth_of_a_step(um_per_s: float) -> None:
    errors = [error for seed in range(12) for error in drifting(lambda t: um_per_s * 1_000 * t, seed)]
    spread = math.sqrt(sum(error**2 for error in errors) / len(errors))
    assert abs(sum(errors) / len(errors)) < 0.1
    # Noise of 0.9 um in a hundred readings and more, thrice: hold, rest before and rest after.
    assert spread < 0.35


def evenly_drifting(seed: int) -> list[float]:
    """Errors, um, of a 10 Hz display of 0.001 mm over a base that drifts, where a piston comes and goes in a third of a
    second: of each rest a few readings are left."""
    generator = random.Random(seed)
    per_s, way = generator.choice((-1, 1)) * generator.uniform(500, 2_000), generator.choice((-1, 1))
    noise, travel = generator.uniform(50, 500), generator.uniform(0.5, 2) * MM
    moves_s, t = [(1.4, 1)], 1.4
    while len(moves_s) < 12:
        t += generator.uniform(1.8, 4)
        moves_s.append((t, -moves_s[-1][1]))
    finder, strokes = StrokeFinder(FinderSettings(1_000)), []
    for at in range(int(10 * t) + 25):
        now = at / 10 + seed / 1_000
        x = per_s * now + travel * sum(
            up * (1 - math.cos(math.pi * min(1, max(0, (now - since) / 0.32)))) / 2 for since, up in moves_s
        )
        shown = round((5 * MM + way * x + generator.gauss(0, noise)) / 1_000) * 1_000
        strokes += finder.feed(round(now * 1_000_000_000), [Reading(shown, "mm")])
    assert [stroke.accepted for stroke in strokes] == [True] * 6
    return [(stroke.peak_travel_nm - travel) / 1_000 for stroke in strokes]


def test_a_drift_is_taken_out_where_few_readings_are_left_of_a_rest() -> None:
    errors = [error for seed in range(24) for error in evenly_drifting(seed)]
    assert max(map(abs, errors)) < 1.2
    assert math.sqrt(sum(error**2 for error in errors) / len(errors)) < 0.3


def test_a_stand_that_settles_biases_no_travel_by_three_tenths_of_a_step() -> None:
    errors = [error for seed in range(12) for error in drifting(lambda t: 20_000 * math.exp(-t / 3), seed)]
    assert abs(sum(errors) / len(errors)) < 0.3


def test_a_stand_that_wanders_lengthens_no_travel_since_neither_rest_nor_hold_is_cut_where_it_stands_below() -> None:
    figures = measure(60, 5, ["wander"])["wander"]["strokelog"]
    assert abs(figures["bias"]) < 0.4
    assert figures["counted"] > 0.85 * figures["strokes"]
    assert figures["covered"] > 0.93 * figures["judged"] and figures["good"] <= 0.05 * 2 * figures["judged"]
