"""A pack that leaks into its range, or leaks once, is never called good without a word, whether replayed or live."""

from __future__ import annotations

import asyncio
import json
import random
from dataclasses import replace
from pathlib import Path

import pytest

from capture.bench.bench import Bench
from capture.output.json_forms import verdict_json
from capture.record import Store
from capture.recordings.file import RecordingWriter
from capture.recordings.replay import Replay
from capture.sheet.sheet import Sheet
from capture.simulation.physics import PackPhysics
from tests.bench.test_live import ended, setup_for, simulated
from tests.support.sheets import HEAD, pack, sheet
from tests.support.waveforms import Waveform

GOLDEN = Path(__file__).resolve().parents[2] / "fixtures" / "recordings"
INCH = 25_400_000
INDICATOR = {"driver": "line", "unit": "in", "resolution": "0.0005 in"}


def loose(measure: str) -> str:
    keys = f'strokes = 5\nseat_strokes = 1\nmeasure = "{measure}"'
    return pack("low", limits='["0.040 in", "0.060 in"]', keys=keys)


def recorded(path: Path, rate_hz: int, inch_per_s: float, hold_s: tuple[float, float] = (0.6, 1.6)) -> Path:
    """Ten strokes of 0.065 in whose seal loses travel while they are held, as an indicator sends them.

    A range of 0.040 to 0.060 in, five strokes after one that settles the pack, and 0.002 in/s and more from a bad seal
    are common practice.
    """
    draw = random.Random(rate_hz)
    wave = Waveform(rate_hz=rate_hz, resolution_nm=12_700, noise_nm=4_000, unit="in", seed=rate_hz)
    wave.rest(2)
    for _ in range(10):
        hold, began, plateau = draw.uniform(*hold_s), wave.t_s, draw.choice((0.0, 0.2))
        while (since := wave.t_s - began) < hold:
            wave.sample(min(since / 0.06 * 0.065, 0.065 - inch_per_s * max(0, since - 0.06 - plateau)) * INCH)
        wave.toward(0, draw.uniform(1, 2), 0.02)
    told = {"recording": 2, "started": "2026-03-02T07:30:00Z", "bench": "bay-1", "indicator": INDICATOR}
    with RecordingWriter(path, told) as recording:
        for at_ns, reading in wave.samples:
            recording.stream(at_ns, "indicator", f"{reading.value_nm / INCH:+.4f} in\r\n".encode())
        recording.seal()
    return path


@pytest.mark.parametrize("measure", ["peak", "held"])
@pytest.mark.parametrize("rate_hz", [10, 50])
@pytest.mark.parametrize("inch_per_s", [0.003, 0.010, 0.020, 0.030])
def test_a_loose_pack_that_leaks_into_its_range_is_never_good(
    tmp_path: Path, measure: str, rate_hz: int, inch_per_s: float
) -> None:
    """Range to 0.060 in, true peak 0.065 in: in a hold of 1.6 s at 0.003 to 0.030 in/s it ends well inside."""
    of = sheet(loose(measure)).pack("low")
    replay = Replay(recorded(tmp_path / "leaking.jsonl", rate_hz, inch_per_s), of, stop_when_settled=True)
    kept = list(replay.strokes())
    assert len(kept) >= 6
    if replay.verdict is None:
        # Each stroke says why it does not count.
        assert measure == "held" and all(one.seat or "leak" in one.stroke.flags for one in kept)
    else:
        told = verdict_json(of, replay.verdict, [])
        assert told["verdict"] != "good" and [remark["code"] for remark in told["remarks"]] == ["leak"]


def test_a_pack_whose_third_stroke_leaked_is_not_called_good_without_a_word() -> None:
    for keys in ("strokes = 4", 'strokes = 4\nmeasure = "held"'):
        replay = Replay(
            GOLDEN / "line-10hz-mm-leak.jsonl", sheet(pack("low", keys=f"{keys}\nseat_strokes = 0")).pack("low")
        )
        kept = list(replay.strokes())
        assert [one.stroke.n for one in kept if "leak" in one.stroke.flags] == [3]
        assert replay.verdict is not None
        assert [remark.code for remark in replay.verdict.remarks] == ["leak_once"]


async def test_at_the_bench_a_loose_pack_that_leaks_is_loose_or_undecided_and_said_to_leak(tmp_path: Path) -> None:
    leaking = PackPhysics(clearance_nm=1_651_000)
    toml = HEAD + pack("low", limits='["1.016 mm", "1.524 mm"]', keys='strokes = 5\nseat_strokes = 1\nmeasure = "peak"')
    of: Sheet = sheet(toml.removeprefix(HEAD))
    async with simulated(tmp_path / "port") as fixture:
        bench = Bench(replace(setup_for(tmp_path), sheet=of, sheet_toml=toml))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        while not bench.finished.is_set():
            await fixture.run_check(leaking, 1, {1: "leak"}, seated=bool(bench.state.strokes))
        await ended(running)
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        (check,) = store.job(1).checks
    assert check.verdict is not None and check.verdict.verdict.verdict != "good"
    assert [remark.code for remark in check.verdict.verdict.remarks] == ["leak"]
    told = json.dumps(verdict_json(of.pack("low"), check.verdict.verdict, []))
    assert "The seal leaks: the travel falls" in told
