"""Measures what it costs a bench to catch up a broker that was away for a shift: `python -m tests.load.catch_up`.

A real broker, a real record on disk, and a bench that keeps on measuring: the time to keep a stroke and the lag of the
event loop, with nothing to send and while the backlog is sent. It prints both, their ratio and the rate.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from tests.mqtt.test_publisher import Bench
from tests.support.broker import Mosquitto, until
from tests.support.samples import AT, open_job, start_check, stroke, stroke_message, verdict_message

STROKE_EVERY_S = 0.1
TICK_S = 0.005
EVERY_NTH_A_VERDICT = 8


@dataclass(slots=True)
class Pace:
    """What a bench felt during one phase. Milliseconds."""

    keep_ms: list[float] = field(default_factory=list)
    """From a stroke's end to its commit, as the daemon waits for it."""
    lag_ms: list[float] = field(default_factory=list)
    """How late the event loop was to what it had to do."""


@dataclass(frozen=True, slots=True)
class CatchUp:
    """What one run found."""

    idle: Pace
    busy: Pace
    messages: int
    seconds: float
    in_order: bool
    lost: int


def at(share: float, values: list[float]) -> float:
    """Return the value that `share` of all values do not exceed."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


@contextlib.asynccontextmanager
async def _measuring(bench: Bench, check: int, first: int, pace: Pace) -> AsyncIterator[Callable[[], int]]:
    """Keep strokes numbered from `first`; gives the number of the next one."""
    number = first
    measuring = True

    async def measure() -> None:
        nonlocal number
        while measuring:
            keep = partial(bench.store.add_stroke, check, stroke(number), seat=False, at=AT)
            message = stroke_message(number)
            begun = time.perf_counter()
            await bench.run(partial(keep, messages=[message]))
            pace.keep_ms.append(1e3 * (time.perf_counter() - begun))
            number += 1
            await asyncio.sleep(STROKE_EVERY_S)

    async def tick() -> None:
        while True:
            due = time.perf_counter() + TICK_S
            await asyncio.sleep(TICK_S)
            pace.lag_ms.append(max(0.0, 1e3 * (time.perf_counter() - due)))

    keeping, ticking = asyncio.create_task(measure()), asyncio.create_task(tick())
    try:
        yield lambda: number
    finally:
        measuring = False  # never cancelled: a stroke that is being kept is kept, and has to be counted
        await keeping
        ticking.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await ticking


def _subscriber(port: int, file: Path) -> subprocess.Popen[bytes]:
    """An independent subscriber in a process of its own, so that it costs the bench nothing."""
    command = f"stdbuf -oL mosquitto_sub -h 127.0.0.1 -p {port} -q 1 -c -i supervisor -t strokelog/#"
    with file.open("wb") as out:
        return subprocess.Popen(command.split(), stdout=out)


def _arrived(file: Path) -> list[str]:
    """The ids of the strokes and verdicts that arrived, each once, in order."""
    lines = file.read_bytes().split(b"\n")[:-1]
    payloads = (json.loads(line) for line in lines)
    return list(dict.fromkeys(one["id"] for one in payloads if "check" in one))


async def catch_up(folder: Path, messages: int, idle_s: float) -> CatchUp:
    """Queue `messages` while the broker is away, and measure while it takes them."""
    (folder / "mosquitto").mkdir()
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    file = folder / "arrived"
    supervisor = _subscriber(broker.port, file)
    bench = Bench(folder / "record.sqlite")
    check = start_check(bench.store, open_job(bench.store))
    idle, busy = Pace(), Pace()
    try:
        async with bench.publishing(broker.port, keep_acknowledged_s=60) as publisher:
            await until(lambda: publisher.state.link == "up" and file.stat().st_size)  # it has seen the status
            async with _measuring(bench, check, 1, idle) as following:
                await asyncio.sleep(idle_s)  # the length of the phase itself, not a wait for something
            first = following()
            broker.stop()
            await until(lambda: publisher.state.link == "down")
            queued = [
                verdict_message() if n % EVERY_NTH_A_VERDICT == 0 else stroke_message(n)
                for n in range(1_000_000, 1_000_000 + messages)
            ]
            await bench.run(partial(bench.store.put_outbox, queued, at=AT))
            broker.start()
            await until(lambda: publisher.state.link == "up", 40)
            begun = time.monotonic()
            async with _measuring(bench, check, first, busy) as following:
                await until(lambda: publisher.state.waiting == 0, 600)
            seconds = time.monotonic() - begun
            made = messages + following() - 1
            publisher.notify()
            with contextlib.suppress(AssertionError):
                await until(lambda: len(_arrived(file)) >= made, 30)
    finally:
        supervisor.terminate()
        supervisor.wait()
        broker.stop()
        bench.store.close()
        bench.thread.shutdown()
    arrived, expected = _arrived(file), [out.id for out in queued]
    wanted = set(expected)
    in_order = [one for one in arrived if one in wanted] == expected
    return CatchUp(idle, busy, messages, seconds, in_order, made - len(arrived))


def _line(name: str, idle: list[float], busy: list[float]) -> str:
    cells = []
    for label, of in (("median", statistics.median), ("99 %", lambda v: at(0.99, v)), ("most", max)):
        before, after = of(idle), of(busy)
        cells.append(f"{label} {before:.2f} -> {after:.2f} ms (x{after / max(before, 0.01):.1f})")
    return f"{name:16} {', '.join(cells)}\n"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--idle", type=float, default=10.0, help="Seconds to measure with nothing to send.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = asyncio.run(catch_up(Path(folder), options.messages, options.idle))
    sys.stdout.write(
        f"{found.messages} messages caught up in {found.seconds:.1f} s, {found.messages / found.seconds:.0f} a second; "
        f"{found.lost} lost, order {'kept' if found.in_order else 'BROKEN'}\n"
    )
    sys.stdout.write(_line("keeping a stroke", found.idle.keep_ms, found.busy.keep_ms))
    sys.stdout.write(_line("event loop late", found.idle.lag_ms, found.busy.lag_ms))
    if found.lost or not found.in_order:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
