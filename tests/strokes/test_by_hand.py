"""A piston pushed and pulled by hand has no hold: what is measured is the travel that lasted, and none counts."""

from __future__ import annotations

import numpy as np
import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from drivers.reading import Reading

UM, MM, SECOND = 1_000, 1_000_000, 1_000_000_000


@pytest.mark.parametrize("out_s", [0.2, 0.3, 0.7, 1.1])
@pytest.mark.parametrize("back_s", [0.2, 0.3, 0.7, 1.1])
def test_the_peak_of_a_turn_is_the_highest_median_of_five_readings_at_100_hz(out_s: float, back_s: float) -> None:
    for number, power in enumerate((0.7, 1.0, 1.5)):
        rng = np.random.default_rng([7, number])
        t_s = np.arange(0, 3 + out_s + back_s, 0.01)
        s = t_s - 1.5
        x = 20 * MM * np.clip(np.minimum(s / out_s, 1 - (s - out_s) / back_s), 0, 1) ** power
        values = np.rint((40 * MM - x + 5 * UM * rng.standard_normal(len(t_s))) / (10 * UM)).astype(int) * 10 * UM
        travels = np.median(values[:100]) - values
        lasted = np.median(np.lib.stride_tricks.sliding_window_view(travels, 5), axis=1).max()
        finder, found = StrokeFinder(FinderSettings(10 * UM)), []
        for at, value in zip(t_s.tolist(), values.tolist(), strict=True):
            found += finder.feed(round(at * SECOND), [Reading(value, "mm")])
        (stroke,) = found + finder.finish()
        assert stroke.peak_travel_nm == pytest.approx(lasted, rel=0.03), power
        assert not stroke.accepted


@pytest.mark.parametrize(
    ("seconds", "travels_mm"),
    [
        ((0.28, 0.08, 0.3, 0.11, 0.12, 0.14, 0.09, 0.3), (17.7, 17.7, 32.5, 26.4, 26.4, 15.2, 15.2, 0)),
        ((0.18, 0.06, 0.14, 0.16, 0.12, 0.12, 0.08, 0.16), (14, 14, 33, 26, 26, 10, 10, 0)),
        ((0.08, 0.9), (34.8, 0)),
    ],
    ids=["hesitates on the way back", "twice", "is pulled back slowly"],
)
def test_a_hand_that_goes_back_unevenly_holds_nothing_and_leaks_nothing(
    seconds: tuple[float, ...], travels_mm: tuple[float, ...]
) -> None:
    """From each level to the next the smoothest way: 10 u^3 - 15 u^4 + 6 u^5 (Flash and Hogan, 1985; from memory)."""
    t_s, x, began_s, level = np.arange(0, 2.5 + sum(seconds), 0.01), 0.0, 1.5, 0.0
    for lasts_s, to in zip(seconds, travels_mm, strict=True):
        u = np.clip((t_s - began_s) / lasts_s, 0, 1)
        x = x + (to - level) * MM * (u if lasts_s > 0.5 else 10 * u**3 - 15 * u**4 + 6 * u**5)
        began_s, level = began_s + lasts_s, to
    finder, found = StrokeFinder(FinderSettings(10 * UM)), []
    for at, value in zip(t_s.tolist(), np.rint((5 * MM + x) / (10 * UM)).astype(int).tolist(), strict=True):
        found += finder.feed(round(at * SECOND), [Reading(value * 10 * UM, "mm")])
    (stroke,) = found + finder.finish()
    assert "short_hold" in stroke.flags and "leak" not in stroke.flags and not stroke.accepted
    lasted = np.median(np.lib.stride_tricks.sliding_window_view(x, 5), axis=1).max()
    assert stroke.peak_travel_nm == pytest.approx(lasted, rel=0.03)
