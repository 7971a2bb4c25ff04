"""Many gauges' charts at once say what the chart of one gauge says."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from capture.clearance.gauge.chart import Chart, Point
from capture.clearance.gauge.spread import mean_of, sd_of
from tests.load.gauge_alarms import ManyCharts

_GAUGES, _MORNINGS = 30, 200
Floats = NDArray[np.float64]


def _read(
    day: Floats, rng: np.random.Generator, looks: list[Floats]
) -> Callable[[NDArray[np.bool_]], tuple[Floats, Floats]]:
    def read(which: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        sticks = 1 + 4 * (rng.random(_GAUGES) < 0.03)
        three = day + rng.normal(0, 1.2 * sticks, (3, _GAUGES))
        looks.append(three)
        return three.mean(axis=0), three.var(axis=0, ddof=1)

    return read


def test_many_charts_alarm_where_each_by_itself_does() -> None:
    """Gauges that stick now and then, and shift by three standard deviations after 150 mornings."""
    rng = np.random.default_rng(5)
    many, ones = ManyCharts(_GAUGES), [Chart() for _ in range(_GAUGES)]
    seen = {"level": 0, "spread": 0}
    for morning in range(_MORNINGS):
        looks: list[Floats] = []
        level, spread = many.morning(_read(rng.normal(3.0 * (morning > 150), 0.7, _GAUGES), rng, looks))
        for gauge, one in enumerate(ones):
            for look in looks:
                read = [float(nm) for nm in look[:, gauge]]
                told = one.add(Point(mean_of(read), sd_of(read), 3, 0.0))
                if told.word != "look again":
                    break
            assert (told.word == "level", told.word == "spread") == (level[gauge], spread[gauge])
            if told.alarm:
                seen[told.word] += 1
    assert min(seen.values()) > 3
