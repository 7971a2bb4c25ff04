"""What goes wrong on a bench must not hide a stroke, nor pass for one: streams of `tests/load/hard_streams.py`."""

from __future__ import annotations

import numpy as np
import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice, StrokeState
from tests.load.hard_streams import TROUBLES, Tally, draw, found_in, tally
from tests.support.waveforms import Waveform

MM = 1_000_000


def tallied(trouble: str, checks: int, seed: int = 11) -> Tally:
    result = Tally()
    for check in range(checks):
        stream = draw(trouble, np.random.default_rng([seed, TROUBLES.index(trouble), check]))
        tally(result, stream, found_in(stream)[0])
    return result


@pytest.mark.parametrize("by_inches", [0.005, 0.02, 0.06, 0.088, 0.12, 0.15, 0.2, 0.3])
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("rate_hz", [10, 50])
def test_an_indicator_moved_between_strokes_loses_none_and_the_screen_says_so(
    by_inches: float, way: int, rate_hz: int
) -> None:
    wave = Waveform(rate_hz=rate_hz, noise_nm=3_000).rest(2).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 1)
    wave.rest_nm += round(way * by_inches * 25.4 * MM)
    wave.rest(1.2).stroke(1.1 * MM, 1.5, 1.5).stroke(1.1 * MM, 1.5, 1.5)
    finder = StrokeFinder(FinderSettings(10_000))
    found, said = [], set()
    for t_ns, reading in wave.samples:
        found += finder.feed(t_ns, [reading])
        said |= set(finder.notices)
    assert len(found) == 4 and finder.state is StrokeState.REST
    assert [stroke.peak_travel_nm for stroke in found] == pytest.approx([1.1 * MM] * 4, abs=12_000)
    assert [stroke.accepted for stroke in found] == [True] * 4
    assert said == {Notice.MOVED}
    assert finder.notices == ()


def test_no_stroke_is_lost_and_none_invented_where_the_indicator_is_moved_at_any_time_between_strokes() -> None:
    result = tallied("moved", 40)
    assert (result.false, result.off) == (0, 0)
    assert result.lost <= result.strokes // 50  # moved twice within half a second, or just as the air comes
