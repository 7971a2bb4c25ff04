"""What was not read is inferred with an uncertainty that holds: a leak's beginning, a squeeze-out's end, a turn."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.optimize import curve_fit

from capture.strokes.followed import decay, leak_followed_back, tail_followed
from capture.strokes.stroke import Stroke
from tests.support.waveforms import SECOND, Waveform

MM = 1_000_000
INCH = 25_400_000


@pytest.mark.parametrize("part", [0.0, 0.01, 0.3, 1.0, 2.5, 7.0, 15.0, 40.0])
def test_a_decay_is_that_of_the_mathematical_library(part: float) -> None:
    # The independent reference is the C library's exponential, Python's math.exp.
    assert decay(round(part * SECOND), SECOND) / 2**24 == pytest.approx(math.exp(-part), abs=3e-7)


def test_a_tail_that_is_plain_is_followed_as_least_squares_follow_it() -> None:
    """The independent reference is scipy.optimize.curve_fit of the same shape.

    The finder's grid of time constants need not hold the true one.
    """
    generator = random.Random(9)
    for _ in range(20):
        tau = generator.uniform(0.1, 0.3)
        times = [round(at * SECOND / 100) for at in range(100)]
        levels = [round(9e5 - 4e4 * math.exp(-at / SECOND / tau) + generator.gauss(0, 700)) for at in times]
        followed = tail_followed(times, levels, 700, 0)
        assert followed is not None
        (end, *_), covariance = curve_fit(
            lambda t, end, gap, tau: end - gap * np.exp(-t / tau), np.array(times) / SECOND, levels, (9e5, 4e4, 0.2)
        )
        own = math.sqrt(covariance[0][0])
        assert followed.level_nm == pytest.approx(end, abs=3 * math.hypot(own, followed.standard_nm))
        assert own / 3 < followed.standard_nm < 3 * own + 1_000  # the grid may pass the true time constant by


def leaking(rate_hz: int, inch_per_s: float, plateau_s: float, seed: int) -> list[Stroke]:
    """Strokes of 0.065 in whose seal loses travel while they are held.

    A bad seal shows 0.002 in/s and more in a hold of 1.5 s: common practice.
    """
    generator = random.Random(seed)
    wave = Waveform(rate_hz=rate_hz, resolution_nm=12_700, noise_nm=4_000, unit="in", seed=seed)
    wave.rest(2 + generator.random() / rate_hz)
    for _ in range(4):
        hold_s, began = generator.uniform(0.9, 1.6), wave.t_s - generator.random() / rate_hz
        while (since := wave.t_s - began) < hold_s:
            wave.sample(min(since / 0.06 * 0.065, 0.065 - inch_per_s * max(0, since - 0.06 - plateau_s)) * INCH)
        wave.toward(0, generator.uniform(1, 2), 0.02)
    return wave.find()


@pytest.mark.parametrize("rate_hz", [10, 50, 100])
@pytest.mark.parametrize("inch_per_s", [0.003, 0.010, 0.020, 0.030])
@pytest.mark.parametrize("plateau_s", [0.0, 0.2])
def test_the_peak_of_a_leaking_pack_is_the_peak_or_its_uncertainty_says_so(
    rate_hz: int, inch_per_s: float, plateau_s: float
) -> None:
    for stroke in (stroke for seed in range(5) for stroke in leaking(rate_hz, inch_per_s, plateau_s, seed)):
        assert "leak" in stroke.flags and stroke.inferred_nm is not None
        assert abs(stroke.peak_travel_nm - 0.065 * INCH) < 12_700 / 4 + 3 * stroke.inferred_nm
        assert stroke.fall_nm_per_s == pytest.approx(inch_per_s * INCH, rel=0.2)


@pytest.mark.parametrize(("sunk_um", "tau_s"), [(35, 0.4), (1_000, 2.4)], ids=["down to where it holds", "and on"])
def test_a_leak_that_a_slow_stream_shows_but_the_top_of_is_followed_back_or_in_doubt(
    sunk_um: float, tau_s: float
) -> None:
    """Ten readings a second, of which one at most shows the highest travel; what leaks down ever more slowly."""
    for seed in range(6):
        wave = Waveform(rate_hz=10, resolution_nm=1_000, noise_nm=900, seed=seed).rest(2 + seed / 60)
        for _ in range(3):
            began, top = wave.t_s - wave.random.random() / 20, 1.6 * MM
            while (since := wave.t_s - began) < 2.5:
                wave.sample(
                    min(since / 0.1, 1) * (top - sunk_um * 1_000 * (1 - math.exp(-max(0, since - 0.1) / tau_s)))
                )
            wave.toward(0, 1.5, 0.03)
        for stroke in wave.find():
            assert "leak" in stroke.flags
            assert abs(stroke.peak_travel_nm - top) <= 2 * math.hypot(stroke.inferred_nm or 0, 1_500)


def test_a_plateau_before_the_leak_tells_the_peak_to_a_quarter_of_a_step() -> None:
    errors = [stroke.peak_travel_nm - 0.065 * INCH for seed in range(5) for stroke in leaking(100, 0.010, 0.3, seed)]
    assert all(abs(error) < 12_700 / 4 for error in errors)


@pytest.mark.parametrize("rate_hz", [10, 20, 100])
def test_a_leak_of_two_thousandths_a_second_is_found_and_none_where_nothing_leaks(rate_hz: int) -> None:
    found = lost = 0
    for seed in range(30):
        for leak in (0.002, 0.0):
            wave = Waveform(rate_hz=rate_hz, resolution_nm=12_700, noise_nm=4_000, unit="in", seed=seed).rest(2)
            wave.toward(0.05 * INCH, 0.15, 0.02).line_to((0.05 - 1.5 * leak) * INCH, 1.5)
            (stroke,) = wave.toward(0, 2, 0.02).find()
            if leak:
                found += "leak" in stroke.flags
                assert stroke.fall_nm_per_s == pytest.approx(leak * INCH, rel=0.4)
            else:
                lost += "leak" in stroke.flags
                assert stroke.fall_nm_per_s is not None and stroke.fall_nm_per_s < 0.0005 * INCH
    assert (found, lost) == (30, 0)


@pytest.mark.parametrize("seed", range(12))
def test_a_piston_pushed_and_pulled_by_hand_has_no_hold_and_its_highest_travel_is_read(seed: int) -> None:
    """Rise, a turn, fall, 100 Hz, to 36 mm: within 3 % of the highest median of five readings, and no leak or creep."""
    generator = random.Random(seed)
    noise_nm = generator.uniform(0, 25_000)
    wave = Waveform(rate_hz=100, resolution_nm=10_000, noise_nm=noise_nm, seed=seed, rest_nm=5 * MM).rest(2)
    out_s, back_s = generator.uniform(0.25, 1.2), generator.uniform(0.25, 1.2)
    top, sharp = generator.uniform(12, 36) * MM, generator.uniform(0.8, 1.5)
    first = len(wave.samples)
    for seconds, way in ((out_s, 1), (back_s, -1)):
        for step in range(round(100 * seconds)):
            part = step / (100 * seconds)
            part = part if way > 0 else 1 - part
            wave.sample(top * (10 * part**3 - 15 * part**4 + 6 * part**5) ** sharp)
    values = [reading.value_nm - wave.rest_nm for _, reading in wave.samples[first:]]
    highest = max(sorted(values[at : at + 5])[2] for at in range(len(values) - 4))
    (stroke,) = wave.rest(1.5).find()
    assert stroke.peak_travel_nm == pytest.approx(highest, rel=0.03)
    assert "short_hold" in stroke.flags and not {"leak", "creep"} & set(stroke.flags)
    assert not stroke.accepted


def test_a_squeeze_out_of_which_little_was_seen_is_inferred_with_an_uncertainty_that_holds_or_does_not_count() -> None:
    """Three hundredths of the travel with a time constant of 0.6 s, let go after 0.35 to 0.6 s."""
    outside = counted = 0
    for seed in range(60):
        generator = random.Random(seed)
        hold_s, travel, noise_nm = generator.uniform(0.35, 0.6), generator.uniform(0.8, 2.5) * MM, 900
        wave = Waveform(rate_hz=100, resolution_nm=1_000, noise_nm=noise_nm, seed=seed).rest(2)
        began = wave.t_s
        while (since := wave.t_s - began) < hold_s:
            wave.sample(travel * (0.97 * (1 - math.exp(-since / 0.015)) + 0.03 * (1 - math.exp(-since / 0.6))))
        (stroke,) = wave.toward(0, 1.5, 0.02).find()
        if stroke.accepted:
            assert stroke.inferred_nm is not None
            counted += 1
            outside += abs(stroke.peak_travel_nm - travel) > 2 * (stroke.inferred_nm + 1_000)
    assert counted and outside <= 0.1 * counted


def tailed(
    wave: Waveform, travel: float, holds_s: tuple[float, float], late: float = 0, slow: float = 0, settles_nm: float = 0
) -> list[Stroke]:
    """Six strokes of which so much comes late, and goes slowly, with 0.6 s, over a stand that settles with 3 s."""
    wave.rest(3)
    for _ in range(6):
        top = 0.0
        for out, seconds in ((True, wave.random.uniform(*holds_s)), (False, wave.random.uniform(1, 2))):
            began, part = wave.t_s, late if out else slow
            while (since := wave.t_s - began) < seconds:
                left = (1 - part) * math.exp(-since / 0.015) + part * math.exp(-since / 0.6)
                here = travel * (1 - left) if out else top * left
                top = here if out else top
                wave.sample(here + settles_nm * math.exp(-wave.t_s / 3))
    return wave.find()


@pytest.mark.parametrize(("settles_nm", "slow"), [(20_000, 0.0), (-20_000, 0.0), (0, 0.03)])
def test_a_squeeze_out_is_followed_where_the_stand_settles_or_the_return_is_slow_as_well(
    settles_nm: float, slow: float
) -> None:
    wave = Waveform(rate_hz=50, resolution_nm=1_000, noise_nm=500, seed=4)
    strokes = tailed(wave, 1.4 * MM, (0.7, 1.4), 0.03, slow, settles_nm)
    assert len(strokes) == 6 and all(stroke.accepted for stroke in strokes)
    for stroke in strokes:
        assert stroke.inferred_nm is not None
        assert abs(stroke.peak_travel_nm - 1.4 * MM) < 2 * (stroke.inferred_nm + 1_000)


def test_levels_that_go_the_other_way_are_followed_nowhere() -> None:
    times, rising = [at * SECOND // 10 for at in range(20)], [at * 1_000 for at in range(20)]
    assert leak_followed_back(times, rising, 500, 0, -SECOND) is None
    assert tail_followed(times, rising[::-1], 500, 0) is None
    assert tail_followed(times[:3], rising[:3], 500, 0) is None
