"""How fast, lean and prompt the bench is, measured: `python -m tests.load.benchmark [--quick] [--check] [PART]`.

PART is one of these, or `all`:

    throughput   readings decoded and searched for strokes, per second of this process's CPU time
    offline      the finder's CPU time over that of a NumPy pass with the whole array in view (`tests/load/offline.py`)
    constant     what a reading costs late in a long stream, over what it cost early
    day          a recording at 100 Hz replayed from its file, scaled to 24 hours
    memory       growth over a simulated day at 100 Hz, in a process of its own each: what Python allocated, and RSS
    latency      from the write of the line that completes a stroke to its message at a subscriber: a real pty, the
                 real bench with its recording and its record, a real broker on loopback

`--quick` measures less of everything, to see that it works; `--check` exits with 1 if a bound is missed.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import math
import multiprocessing
import os
import platform
import resource
import statistics
import sys
import tempfile
import threading
import time
import tracemalloc
import tty
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from numpy.typing import NDArray
from paho.mqtt.enums import CallbackAPIVersion

from capture.bench.bench import Bench, BenchSetup
from capture.mqtt.messages import StrokeMessage
from capture.mqtt.settings import BrokerSettings
from capture.recordings.file import read_recording
from capture.recordings.replay import Replay
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.sheet.sheet import load_sheet
from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.simulated_bench import BenchSpec, Chunk
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from capture.simulation.technician import Technician
from capture.strokes.finder import FinderSettings, StrokeFinder
from drivers.reading import Reading
from tests.load.offline import offline
from tests.support.broker import Mosquitto

INDICATOR = {
    "driver": "line",
    "unit": "mm",
    "resolution": "0.001 mm",
    "range": ["0 mm", "12.7 mm"],
    "max_error": "0.004 mm",
}
RATE_HZ = 100
MIB = 1 << 20
WARM_UP_S = 600
PIECE = 4096

LEAST_THROUGHPUT = 200_000.0
MOST_GROWTH_MIB = 5.0
MOST_LATENCY_MS = 20.0
MOST_OF_OFFLINE = 3.5

#: The bench's time runs this much faster than the wall clock, so that 200 strokes take about a minute. The daemon
#: then takes 800 lines a second, more than an indicator sends it: the figures are on the safe side.
SPEED = 8.0


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value; `least` and `most` are its bounds, if it has any."""

    what: str
    value: float
    unit: str
    least: float | None = None
    most: float | None = None

    @property
    def ratio(self) -> float | None:
        """How many times better than its bound; below 1 the bound is missed."""
        if self.least is not None:
            return self.value / self.least
        if self.most is not None:
            return self.most / self.value if self.value > 0 else math.inf
        return None

    def row(self) -> str:
        bound = "" if self.ratio is None else f"{'>=' if self.most is None else '<'} {self.least or self.most:,.0f}"
        ratio = "" if self.ratio is None else f"{self.ratio:.1f}"
        missed = "  MISSED" if self.ratio is not None and self.ratio < 1 else ""
        digits = 0 if self.value >= 1000 else 2
        return f"{self.what:<48} {self.value:>12,.{digits}f} {self.unit:<11} {bound:>10} {ratio:>7}{missed}\n"


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of a simulated stream, to be repeated; its end joins its beginning."""

    chunks: list[Chunk]
    length_ns: int
    strokes: int

    def repeated(self, times: int) -> Iterator[Chunk]:
        for number in range(times):
            offset_ns = number * self.length_ns
            for t_ns, data in self.chunks:
                yield t_ns + offset_ns, data


def simulated(strokes: int, technician: Technician, rest_s: float = 0.0) -> Block:
    """Return a check of `strokes` strokes and then `rest_s` of rest, one line a chunk."""
    spec = BenchSpec(IndicatorSpec(rate_hz=RATE_HZ, resolution_nm=1_000), technician=technician)
    physics = PackPhysics()
    bench = SimulatedBench(spec, physics, seed=7)
    chunks = [*bench.check(physics, strokes, seated=True), *bench.rest(round(rest_s * 1e9))]
    return Block(chunks, bench.t_ns, strokes)


def in_pieces(chunks: Iterable[Chunk], size: int) -> Iterator[Chunk]:
    """Yield the same bytes cut every `size`, each piece when its last byte came."""
    waiting, t_ns = b"", 0
    for t_ns, data in chunks:
        waiting += data
        while len(waiting) >= size:
            yield t_ns, waiting[:size]
            waiting = waiting[size:]
    if waiting:
        yield t_ns, waiting


def stream() -> IndicatorStream:
    driver, settings, _ = indicator_from(dict(INDICATOR))
    return IndicatorStream(driver, settings)


# -- throughput ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Throughput:
    """How fast a stream was measured, and what was found in it."""

    readings: int
    strokes: int
    cpu_s: float

    @property
    def per_second(self) -> float:
        return self.readings / self.cpu_s


def feed_all(chunks: Iterable[Chunk]) -> Throughput:
    """Decode `chunks` and find their strokes."""
    line = stream()
    readings = strokes = t_ns = 0
    began = time.process_time()
    for t_ns, data in chunks:
        some, found = line.feed(t_ns, data)
        readings += len(some)
        strokes += len(found)
    strokes += len(line.finish(t_ns))
    return Throughput(readings, strokes, time.process_time() - began)


def throughput(quick: bool) -> list[Figure]:
    """A technician who never rests: about half of all readings belong to strokes, far more than in a shop's day."""
    block = simulated(20, Technician())
    times = math.ceil((50_000 if quick else 2_000_000) / len(block.chunks))
    figures = []
    for what, chunks, least in (
        (f"chunks of {PIECE} bytes", list(in_pieces(block.repeated(times), PIECE)), LEAST_THROUGHPUT),
        ("chunks of one line", block.repeated(times), None),
    ):
        found = feed_all(chunks)
        if found.readings != times * len(block.chunks) or found.strokes != times * block.strokes:
            raise RuntimeError(f"{what}: {found} of {times * block.strokes} strokes; the figure would mean nothing")
        figures.append(Figure(f"throughput, {what}", found.per_second, "readings/s", least=least))
    return figures


# -- against a pass over the whole array -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shift:
    """A stretch of a shop's day as arrays: a stroke every forty seconds, noise of one and a half display steps."""

    times_ns: NDArray[np.int64]
    values_nm: NDArray[np.int64]
    strokes: int


def shift(minutes: int) -> Shift:
    rng = np.random.default_rng(1)
    count = minutes * 60 * RATE_HZ
    travel = np.zeros(count)
    press = np.concatenate((1 - np.exp(-np.arange(150) / 3), np.exp(-np.arange(50) / 3)))
    starts = range(20 * RATE_HZ, count - 40 * RATE_HZ, 40 * RATE_HZ)
    for start in starts:
        travel[start : start + len(press)] = 1_100_000 * press
    shown = np.rint((2_000_000 + travel + 1_500 * rng.standard_normal(count)) / 1_000).astype(np.int64) * 1_000
    return Shift((np.arange(count) + 1) * (1_000_000_000 // RATE_HZ), shown, len(starts))


def against_offline(quick: bool) -> list[Figure]:
    """The finder over readings that lie there already, beside NumPy over the same; the best of three runs each."""
    day = shift(20 if quick else 120)
    known = {value: Reading(value, "mm") for value in np.unique(day.values_nm).tolist()}
    readings = [known[value] for value in day.values_nm.tolist()]
    times = day.times_ns.tolist()

    def streaming(size: int) -> float:
        finder, found = StrokeFinder(FinderSettings(1_000)), 0
        began = time.process_time()
        for start in range(0, len(readings), size):
            some = readings[start : start + size]
            found += len(finder.feed(times[start + len(some) - 1], some))
        taken = time.process_time() - began
        if found != day.strokes:
            raise RuntimeError(f"{found} of {day.strokes} strokes found; the figure would mean nothing")
        return taken

    def whole() -> float:
        began = time.process_time()
        found = len(offline(day.times_ns, day.values_nm, RATE_HZ, 1_000))
        taken = time.process_time() - began
        if found != day.strokes:
            raise RuntimeError(f"{found} of {day.strokes} strokes found offline; the figure would mean nothing")
        return taken

    least = min(whole() for _ in range(3))
    return [
        Figure(
            f"finder / NumPy, {size} readings a chunk",
            min(streaming(size) for _ in range(3)) / least,
            "times",
            most=most,
        )
        for size, most in ((400, MOST_OF_OFFLINE), (40, None), (1, None))
    ]


def constant_cost(quick: bool) -> list[Figure]:
    """What a reading costs late in a long stream, over what it cost early: nothing is searched that grows."""
    block = simulated(8, Technician(), rest_s=30.0)
    line = stream()
    times = 40 if quick else 400
    took = []
    for number in range(times):
        offset_ns = number * block.length_ns
        began = time.process_time()
        for t_ns, data in block.chunks:
            line.feed(t_ns + offset_ns, data)
        took.append(time.process_time() - began)
    part = times // 4
    return [Figure("cost of a reading, last quarter / first", sum(took[-part:]) / sum(took[:part]), "times", most=1.3)]


def a_day(quick: bool) -> list[Figure]:
    """A recording at 100 Hz, one line a reading, replayed from its file; scaled to a day."""
    some = shift(10 if quick else 120)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "day.jsonl"
        header = {"recording": 2, "started": "2026-03-02T07:00:00Z", "bench": "bay-1", "indicator": INDICATOR}
        with path.open("w", encoding="utf-8") as file:
            file.write(json.dumps(header) + "\n")
            for t_ns, value in zip(some.times_ns.tolist(), some.values_nm.tolist(), strict=True):
                file.write(json.dumps({"ns": t_ns, "indicator": f"{value / 1e6:+.3f}\r\n"}) + "\n")
        began = time.process_time()
        found = sum(1 for _ in Replay(path).strokes())
        taken = time.process_time() - began
    if found != some.strokes:
        raise RuntimeError(f"{found} of {some.strokes} strokes replayed; the figure would mean nothing")
    return [Figure("a day at 100 Hz replayed, one line a reading", taken * 86_400e9 / some.times_ns[-1], "s", most=60)]


# -- memory ----------------------------------------------------------------------------------------------


def _rss_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def grow(hours: float, traced: bool) -> float:
    """Measure `hours` of a stream; return by how much memory grew at most after the warm-up, MiB.

    `traced` looks at what Python holds, at every allocation; otherwise at the process, once a simulated minute.
    """
    block = simulated(8, Technician(), rest_s=30.0)
    line = stream()
    warm_up = math.ceil(WARM_UP_S * 1e9 / block.length_ns)
    times = warm_up + math.ceil(hours * 3600e9 / block.length_ns)
    if traced:
        tracemalloc.start()
    before = peak = strokes = 0
    for number in range(times):
        if number == warm_up:
            tracemalloc.reset_peak()
            before = peak = tracemalloc.get_traced_memory()[0] if traced else _rss_bytes()
        offset_ns = number * block.length_ns
        for t_ns, data in block.chunks:
            strokes += len(line.feed(t_ns + offset_ns, data)[1])
        if not traced:
            peak = max(peak, _rss_bytes())
    if traced:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    if strokes != times * block.strokes:
        raise RuntimeError(f"{strokes} of {times * block.strokes} strokes were found; the figure would mean nothing")
    return (peak - before) / MIB


def memory(quick: bool) -> list[Figure]:
    """The day's stream twice, each in a fresh process: what runs before must not hide what grows here."""
    hours = 0.5 if quick else 24.0
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as processes:
        allocated, resident = processes.map(grow, (hours, hours), (True, False))
    return [
        Figure(f"memory, {hours:g} h, peak growth allocated", allocated, "MiB", most=MOST_GROWTH_MIB),
        Figure(f"memory, {hours:g} h, peak growth of RSS", resident, "MiB", most=MOST_GROWTH_MIB),
    ]


# -- latency ---------------------------------------------------------------------------------------------

_SHEET = """
[sheet]
name = "Benchmark"
revision = "1"
source = "Invented; holds for no machine"

[[packs]]
name = "pack"
range = ["0.50 mm", "5.00 mm"]
strokes = {strokes}
seat_strokes = {seat}
"""

Written = tuple[list[int], list[int], bytes]
"""Of each write the byte it ended at and when it began, ns; and all that was written."""
Arrivals = dict[tuple[int, int], int]
"""When the message of a check's stroke arrived, ns."""


def shop_floor(broker_port: int, strokes: int, connection: Connection) -> None:
    """The process on the other side: plays lines into a pty when told to, and takes the messages as a board would."""
    arrivals: Arrivals = {}
    subscribed = threading.Event()

    def arrived(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        now_ns = time.monotonic_ns()
        stroke = StrokeMessage.from_wire(bytes(message.payload))
        arrivals.setdefault((stroke.check, stroke.n), now_ns)

    board = paho.Client(CallbackAPIVersion.VERSION2, client_id="board")
    board.on_message = arrived
    board.on_subscribe = lambda *_: subscribed.set()
    board.connect("127.0.0.1", broker_port)
    board.subscribe("strokelog/v1/+/+/stroke", qos=1)
    board.loop_start()
    master, slave = os.openpty()
    tty.setraw(slave)
    # Some strokes more than the check needs, should one not count.
    block = simulated(strokes + 5, Technician(rest_s=0.7, hold_s=0.9))
    if not subscribed.wait(10):
        raise RuntimeError("the broker did not confirm the subscription within 10 s")
    connection.send(os.ttyname(slave))
    while connection.recv() == "play":
        connection.send(_play(block, master, lambda: connection.poll()))
        connection.recv()
    connection.send(arrivals)
    board.disconnect()
    board.loop_stop()
    os.close(master)
    os.close(slave)


def _play(block: Block, master: int, told_to_stop: Callable[[], bool]) -> Written:
    """Write the block's lines when they are due, until told to stop or the end of the block."""
    ends: list[int] = []
    times: list[int] = []
    everything = bytearray()
    began_ns = time.monotonic_ns()
    for t_ns, data in block.chunks:
        wait_s = (began_ns + t_ns / SPEED - time.monotonic_ns()) / 1e9
        if wait_s > 0:
            time.sleep(wait_s)
        if told_to_stop():
            break
        everything += data
        ends.append(len(everything))
        times.append(time.monotonic_ns())
        os.write(master, data)
    return ends, times, bytes(everything)


def completed(recording: Path, written: Written) -> dict[int, int]:
    """Return when the write of the line that completed each stroke of a recording began, ns.

    Where several lines arrived together the first of them is taken, so a latency is never measured too short.
    """
    ends, times, everything = written
    line = stream()
    at: dict[int, int] = {}
    taken = 0
    for entry in read_recording(recording)[1]:
        if entry.source != "indicator":
            continue
        if everything[taken : taken + len(entry.data)] != entry.data:
            raise RuntimeError(f"{recording} does not hold what was written to the port from byte {taken} on")
        for stroke in line.feed(entry.t_ns, entry.data)[1]:
            at[stroke.n] = times[bisect_right(ends, taken)]
        taken += len(entry.data)
    return at


async def measure_checks(
    folder: Path, broker_port: int, checks: int, strokes: int, seat: int
) -> tuple[list[Written], Arrivals]:
    """Let a bench measure `checks` checks; return what was written to its port in each, and what it published."""
    here, there = multiprocessing.Pipe()
    process = multiprocessing.get_context("spawn").Process(
        target=shop_floor, args=(broker_port, strokes + seat, there), daemon=True
    )
    process.start()
    there.close()
    try:
        pty = await asyncio.to_thread(here.recv)
        bench = Bench(_setup(folder, pty, broker_port, strokes, seat))
        running = asyncio.create_task(bench.run())
        try:
            await _when(lambda: bench.view.broker == "up" and bench.view.indicator == "up", running)
            written = [await _check(bench, here, running) for _ in range(checks)]
        finally:
            running.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await running
        here.send("end")
        arrivals: Arrivals = await asyncio.to_thread(here.recv)
        process.join(5)
    finally:
        if process.is_alive():
            process.terminate()
        here.close()
    return written, arrivals


def _setup(folder: Path, pty: str, broker_port: int, strokes: int, seat: int) -> BenchSetup:
    sheet_path = folder / "sheet.toml"
    sheet_path.write_text(_SHEET.format(strokes=strokes, seat=seat))
    driver, settings, _ = indicator_from(dict(INDICATOR))
    indicator: dict[str, Any] = dict(INDICATOR)
    return BenchSetup(
        bench="benchmark",
        port=pty,
        driver=driver,
        settings=settings,
        indicator=indicator,
        sheet=load_sheet(sheet_path),
        sheet_toml=sheet_path.read_text(),
        unit_serial="0",
        technician="benchmark",
        data_dir=folder,
        record_path=folder / "record.sqlite",
        broker=BrokerSettings(url=f"mqtt://127.0.0.1:{broker_port}"),
        speed=SPEED,
    )


async def _when(true: Callable[[], bool], running: asyncio.Task[None]) -> None:
    async with asyncio.timeout(15):
        while not true():
            if running.done():
                running.result()
            await asyncio.sleep(0.01)


async def _check(bench: Bench, shop: Connection, running: asyncio.Task[None]) -> Written:
    """Measure one check to its verdict; return what was written to the port from its first byte on."""
    await bench.start_check(0)
    shop.send("play")
    finished = asyncio.create_task(bench.finished.wait())
    await asyncio.wait({finished, running}, return_when=asyncio.FIRST_COMPLETED, timeout=120)
    if running.done():
        running.result()
    shop.send("stop")
    written: Written = await asyncio.to_thread(shop.recv)
    if not finished.done():
        finished.cancel()
        raise RuntimeError(f"no verdict after {len(written[0])} lines and {len(bench.view.strokes)} strokes")
    await asyncio.sleep(0.3)  # what is still in the pty must not become the next check's first bytes
    return written


def measure_latencies(folder: Path, checks: int, strokes: int, seat: int) -> list[float]:
    """Return the latency of every stroke's message, ms, in the order the strokes were made."""
    broker = Mosquitto(folder)
    broker.start()
    try:
        written, arrivals = asyncio.run(measure_checks(folder, broker.port, checks, strokes, seat))
    finally:
        broker.stop()
    recordings = sorted(folder.glob("recordings/*/*.jsonl"), key=lambda path: path.stat().st_mtime_ns)
    latencies = []
    for check, (recording, port) in enumerate(zip(recordings, written, strict=True), start=1):
        for n, at_ns in completed(recording, port).items():
            if (check, n) not in arrivals:
                raise RuntimeError(f"the message of stroke {n} of check {check} did not arrive")
            latencies.append((arrivals[check, n] - at_ns) / 1e6)
    return latencies


def percentile(values: Sequence[float], percent: float) -> float:
    """Return the nearest-rank percentile."""
    return sorted(values)[max(0, math.ceil(percent / 100 * len(values)) - 1)]


def latency(quick: bool) -> list[Figure]:
    """Strokes one after the other, in checks of as many as a sheet may ask for."""
    checks, strokes, seat = (2, 3, 1) if quick else (5, 30, 20)
    with tempfile.TemporaryDirectory(prefix="strokelog-benchmark-") as folder:
        took = measure_latencies(Path(folder), checks, strokes, seat)
    what = f"latency of {len(took)} strokes"
    return [
        Figure(f"{what}, median", statistics.median(took), "ms"),
        Figure(f"{what}, p99", percentile(took, 99), "ms", most=MOST_LATENCY_MS),
        Figure(f"{what}, longest", max(took), "ms"),
    ]


# -- the command -----------------------------------------------------------------------------------------

PARTS: dict[str, Callable[[bool], list[Figure]]] = {
    "throughput": throughput,
    "offline": against_offline,
    "constant": constant_cost,
    "day": a_day,
    "memory": memory,
    "latency": latency,
}


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Measure the bench against its bounds.")
    parser.add_argument("part", nargs="?", default="all", choices=[*PARTS, "all"])
    parser.add_argument("--quick", action="store_true", help="measure less of everything")
    parser.add_argument("--check", action="store_true", help="exit with 1 if a bound is missed")
    options = parser.parse_args(arguments)
    sys.stdout.write(f"Python {platform.python_version()}, {platform.machine()}, {os.cpu_count()} processors\n\n")
    sys.stdout.write(f"{'figure':<48} {'value':>12} {'':<11} {'bound':>10} {'ratio':>7}\n")
    missed = False
    for name, part in PARTS.items():
        if options.part in (name, "all"):
            for figure in part(options.quick):
                sys.stdout.write(figure.row())
                sys.stdout.flush()
                missed |= figure.ratio is not None and figure.ratio < 1
    sys.stdout.write("\nA ratio says how many times better than its bound a figure is.\n")
    return 1 if missed and options.check else 0


if __name__ == "__main__":
    sys.exit(main())
