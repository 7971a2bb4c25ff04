"""A base that moves evenly between two rests moves no travel; one that steps does as it did."""

from __future__ import annotations

import math
import random

import pytest

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
    while (now := wave._t_s) < t:
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


def test_a_stand_that_settles_biases_no_travel_by_three_tenths_of_a_step() -> None:
    errors = [error for seed in range(12) for error in drifting(lambda t: 20_000 * math.exp(-t / 3), seed)]
    assert abs(sum(errors) / len(errors)) < 0.3


def test_a_stand_that_wanders_lengthens_no_travel_since_neither_rest_nor_hold_is_cut_where_it_stands_below() -> None:
    figures = measure(60, 5, ["wander"])["wander"]["strokelog"]
    assert abs(figures["bias"]) < 0.4
    assert figures["counted"] > 0.85 * figures["strokes"]
    assert figures["covered"] > 0.93 * figures["judged"] and figures["good"] <= 0.05 * 2 * figures["judged"]
