"""The benchmark measures what it says it measures. How fast a shared machine is, no test claims."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import ClassVar

import pytest

from capture.recordings.stream import IndicatorStream, indicator_from
from capture.simulation.technician import Technician
from capture.strokes.stroke import Stroke
from drivers.reading import Reading
from tests.load import benchmark


def test_cutting_a_stream_keeps_its_bytes_and_its_strokes() -> None:
    block = benchmark.simulated(4, Technician())
    pieces = list(benchmark.in_pieces(block.repeated(2), benchmark.PIECE))
    assert b"".join(data for _, data in pieces) == b"".join(data for _, data in block.repeated(2))
    assert all(len(data) == benchmark.PIECE for _, data in pieces[:-1])
    whole, cut = benchmark.feed_all(block.repeated(2)), benchmark.feed_all(pieces)
    assert (whole.readings, whole.strokes) == (cut.readings, cut.strokes) == (2 * len(block.chunks), 8)


def test_throughput_is_measured_for_both_chunk_sizes() -> None:
    in_pieces, in_lines = benchmark.throughput(quick=True)
    assert in_pieces.least == benchmark.LEAST_THROUGHPUT
    assert in_lines.least is None
    assert in_pieces.value > 0 < in_lines.value


def test_half_an_hour_of_readings_does_not_grow() -> None:
    for figure in benchmark.memory(quick=True):
        assert figure.most == benchmark.MOST_GROWTH_MIB
        assert 0 <= figure.value < figure.most


def test_every_stroke_reaches_the_broker_and_is_timed_from_its_last_line(tmp_path: Path) -> None:
    latencies = benchmark.measure_latencies(tmp_path, checks=2, strokes=3, seat=1)
    # Where the machine holds up the lines in a stroke, that one does not count and the bench asks for one more.
    assert len(latencies) >= 8
    assert all(latency_ms > 0 for latency_ms in latencies)


def test_a_percentile_is_the_nearest_rank() -> None:
    assert benchmark.percentile(range(1, 201), 99) == 198
    assert benchmark.percentile([7.0], 99) == 7.0


@pytest.mark.parametrize(("value", "code"), [(benchmark.LEAST_THROUGHPUT * 2, 0), (benchmark.LEAST_THROUGHPUT / 2, 1)])
def test_only_a_missed_bound_that_is_asked_about_fails(
    value: float, code: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    figure = benchmark.Figure("throughput", value, "readings/s", least=benchmark.LEAST_THROUGHPUT)
    monkeypatch.setitem(benchmark.PARTS, "throughput", lambda quick: [figure])
    assert benchmark.main(["throughput", "--check"]) == code
    assert ("MISSED" in capsys.readouterr().out) == bool(code)
    assert benchmark.main(["throughput"]) == 0


class Hoarder(IndicatorStream):
    """A stream that never lets go of anything."""

    kept: ClassVar[list[bytearray]] = []

    def feed(self, t_ns: int, data: bytes) -> tuple[list[Reading], list[Stroke]]:
        self.kept.append(bytearray(1000))
        return super().feed(t_ns, data)


def hoard(traced: bool) -> float:
    driver, settings, _ = indicator_from(dict(benchmark.INDICATOR))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(benchmark, "stream", lambda: Hoarder(driver, settings))
        return benchmark.grow(hours=0.05, traced=traced)


@pytest.mark.parametrize("traced", [True, False])
def test_a_stream_that_keeps_everything_is_seen_to_grow(traced: bool) -> None:
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        assert process.submit(hoard, traced).result() > benchmark.MOST_GROWTH_MIB
