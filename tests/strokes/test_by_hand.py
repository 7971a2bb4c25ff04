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
