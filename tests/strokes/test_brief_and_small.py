"""Ten readings a second and fewer: a short hold leaves a row, and a small pack is not taken for noise."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice
from capture.strokes.stroke import Stroke
from drivers.reading import Reading
from tests.support.waveforms import Waveform

UM, MM, SECOND = 1_000, 1_000_000, 1_000_000_000


def check_of(
    rng: np.random.Generator, rate: float, travel_nm: float, noise_nm: float, hold_s: tuple[float, float],
    rest_s: tuple[float, float], step_nm: int, first_s: tuple[float, float] = (1.6, 3.1),
) -> tuple[list[tuple[float, float]], list[Stroke], int]:  # fmt: skip
    """Six strokes after some rest: when they were, what was found, how many nobody saw."""
    spans, t = [], rng.uniform(*first_s) + 6 / rate - 0.6
    for _ in range(6):
        hold = rng.uniform(*hold_s)
        spans.append((t, t + hold))
        t += hold + rng.uniform(*rest_s)
    t_s = (np.arange(int(t * rate)) + rng.uniform()) / rate + 0.05 / rate * rng.standard_normal(int(t * rate))
    x, tau_s = np.zeros_like(t_s), rng.uniform(0.01, 0.05)
    for apply_s, release_s in spans:
        pressed = 1 - np.exp(-np.clip(t_s - apply_s, 0, release_s - apply_s) / tau_s)
        x += travel_nm * np.where(t_s < apply_s, 0, pressed * np.exp(-np.clip(t_s - release_s, 0, None) / tau_s))
    shown = 5 * MM + rng.choice((-1, 1)) * x + noise_nm * rng.standard_normal(len(t_s))
    values = (np.rint(shown / step_nm) * step_nm).astype(int).tolist()
    finder, found = StrokeFinder(FinderSettings(step_nm)), []
    for at, value in zip(np.rint(t_s * SECOND).astype(int).tolist(), values, strict=True):
        found += finder.feed(at, [Reading(value, "mm")])
    unseen = sum(not np.any((t_s > apply_s) & (t_s < release_s + tau_s)) for apply_s, release_s in spans)
    return spans, found + finder.finish(), int(unseen)


def lost_and_false(spans: list[tuple[float, float]], found: list[Stroke]) -> tuple[int, int]:
    left = list(found)
    for apply_s, release_s in spans:
        mine = [s for s in left if s.start_ns < (release_s + 0.25) * SECOND and s.end_ns > (apply_s - 0.1) * SECOND]
        for stroke in mine[:1]:
            left.remove(stroke)
    return len(spans) - (len(found) - len(left)), len(left)


def test_a_hold_of_a_tenth_or_two_of_a_second_leaves_a_row_that_does_not_count() -> None:
    lost = false = strokes = 0
    for seed in range(120):
        rng = np.random.default_rng([41, seed])
        step_nm = int(rng.choice((1_000, 2_540, 10_000)))
        spans, found, unseen = check_of(
            rng, rng.uniform(5, 10), 10 ** rng.uniform(5.6, 6.4), 0.4 * step_nm, (0.10, 0.20), (1.0, 3.0), step_nm
        )
        missed, invented = lost_and_false(spans, found)
        lost, false, strokes = lost + max(0, missed - unseen), false + invented, strokes + len(spans)
        assert not any(stroke.accepted for stroke in found)
    assert false == 0
    # One reading alone, like no other before or after, may be a wild one.
    assert lost * 100 <= strokes


def rests_measured(spans: list[tuple[float, float]], found: list[Stroke]) -> int:
    middles = [(stroke.start_ns + stroke.end_ns) / 2 / SECOND for stroke in found]
    return sum(not any(apply_s - 0.1 <= at <= release_s + 0.15 for apply_s, release_s in spans) for at in middles)


@pytest.mark.parametrize("seed", [(43, 128), (45, 108), (45, 152), (46, 179)])
def test_no_rest_of_a_small_pack_is_measured_as_a_stroke(seed: tuple[int, int]) -> None:
    """Once five of six rests were, since the first apply had passed for the indicator being moved."""
    rng = np.random.default_rng(seed)
    step_nm = int(rng.choice((1_000, 2_540, 10_000)))
    noise_nm = rng.uniform(2, 4) * UM
    spans, found, _ = check_of(rng, 10.0, 100 * UM, noise_nm, (0.5, 1.2), (0.8, 1.6), step_nm)
    assert (rests_measured(spans, found), lost_and_false(spans, found)) == (0, (0, 0))


def test_every_stroke_of_a_small_pack_is_found_though_rests_and_holds_are_short_and_the_display_restless() -> None:
    lost = false = 0
    for seed in range(120):
        rng = np.random.default_rng([43, seed])
        step_nm = int(rng.choice((1_000, 2_540, 10_000)))
        spans, found, _ = check_of(
            rng, 10.0, 100 * UM, rng.uniform(2, 4) * UM, (0.5, 1.2), (0.8, 1.6), step_nm
        )  # fmt: skip
        missed, invented = lost_and_false(spans, found)
        lost, false = lost + missed, false + invented
        assert rests_measured(spans, found) == 0
        assert all(abs(stroke.peak_travel_nm - 100 * UM) < 15 * UM for stroke in found if stroke.accepted)
    assert (lost, false) == (0, 0)


def test_a_small_stroke_a_second_after_the_beginning_is_known_by_the_ten_readings_before_it() -> None:
    lost = false = 0
    for seed in range(60):
        rng = np.random.default_rng([47, seed])
        spans, found, _ = check_of(
            rng, 10.0, 100 * UM, rng.uniform(2, 4) * UM, (0.6, 2.0), (0.6, 2.0), 10 * UM, (0.9, 1.15)
        )  # fmt: skip
        missed, invented = lost_and_false(spans, found)
        lost, false = lost + missed, false + invented + rests_measured(spans, found)
    assert (lost, false) == (0, 0)


def test_no_small_stroke_is_lost_because_its_return_seemed_over_while_it_was_coming_home() -> None:
    """0.13 to 0.16 mm, ten readings a second, noise of about a step: what was still falling passed for a base that had
    moved, and a small stroke after which that moves for a stand that sways."""
    for seed in range(60):
        rng = np.random.default_rng([7, seed])
        step, travel = int(rng.choice((2_540, 5_000))), rng.uniform(1.3e5, 1.6e5)
        noise, way, t, x = rng.uniform(0.7, 1.15) * step, int(rng.choice((-1, 1))), rng.uniform(2, 2.6), [0.0] * 20
        for _ in range(6):
            hold, pause = int(rng.uniform(14, 40)), int(rng.uniform(12, 30))
            rises_s, falls_s = rng.uniform(0.08, 0.14), rng.uniform(0.15, 0.22)
            x += [travel * (1 - math.exp(-(at / 10 + t % 0.1) / rises_s)) for at in range(hold)]
            x += [travel * math.exp(-(at / 10 + t % 0.1) / falls_s) for at in range(pause)]
        finder, found = StrokeFinder(FinderSettings(step)), []
        for number, travelled in enumerate(x):
            shown = round((8e6 + way * travelled + noise * rng.standard_normal()) / step) * step
            found += finder.feed(100_000_000 * number + 30_000_000, [Reading(shown, "mm")])
        found += finder.finish()
        assert len(found) == 6, seed
        assert all(abs(one.released_nm - 8_000_000) < 20_000 for one in found), seed
        assert Notice.AIR_WAS_ON not in finder.notices


@pytest.mark.parametrize("trouble", ["settles", "drifts"])
def test_a_small_first_stroke_on_a_stand_that_moves_is_found_or_said_to_be_lost(trouble: str) -> None:
    """A tenth of a millimetre and a half: each flag such a stand gives made it pass for the stand's own swaying."""
    for seed in range(12):
        rng = np.random.default_rng([53, seed])
        step_nm, rate = int(rng.choice((1_000, 2_540))), float(rng.choice((20, 50)))
        spans = [(at, at + 1.2) for at in (2.5 + 0.1 * seed, 6, 9)]
        t_s = np.arange(int(11 * rate)) / rate
        moves = 20 * UM * np.exp(-t_s / 3) if trouble == "settles" else rng.choice((-2, 2)) * UM * t_s
        x = sum(
            rng.uniform(100, 150) * UM * (1 - np.exp(-np.clip(t_s - a, 0, b - a) / 0.02))
            * np.exp(-np.clip(t_s - b, 0, None) / 0.02) for a, b in spans
        )  # fmt: skip
        shown = np.rint((5 * MM + x + moves + 0.4 * step_nm * rng.standard_normal(len(t_s))) / step_nm) * step_nm
        finder, found = StrokeFinder(FinderSettings(step_nm)), []
        for at, value in zip((t_s * SECOND).astype(int).tolist(), shown.astype(int).tolist(), strict=True):
            found += finder.feed(at, [Reading(value, "mm")])
        assert lost_and_false(spans, [*found, *finder.finish()]) == (0, 0), seed


def test_an_idle_stand_that_goes_to_and_fro_by_thirty_micrometres_makes_no_stroke() -> None:
    """As vibration does that beats with the rate of the display."""
    for seed in (6, 8, 23, 24):
        draw_s, wave = random.Random(seed), Waveform(rate_hz=10, resolution_nm=10_000, noise_nm=4_000, seed=seed)
        hz, far_nm, phase = draw_s.uniform(0.15, 0.35), draw_s.uniform(25_000, 35_000), draw_s.uniform(0, 6)
        for number in range(900):
            wave.sample(far_nm * math.sin(2 * math.pi * hz * number / 10 + phase))
        assert wave.find() == []
