"""Measures what memory a collector needs to catch up a backlog: `python -m tests.load.collector_memory`.

A real broker keeps the strokes of a shop for a collector that is away; the collector comes back, and its peak resident
size is read from the kernel (proc(5), VmHWM) when all of them are in its database.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, Shop, count_strokes, wait_until

MOST_MIB = 150


@dataclass(frozen=True, slots=True)
class CaughtUp:
    """What one run found."""

    messages: int
    seconds: float
    idle_mib: float
    """With nothing to do, before the backlog."""
    peak_mib: float
    kept: int


def peak_mib(pid: int) -> float:
    """Return the largest resident size that a process had so far."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    raise AssertionError("the kernel tells no VmHWM")


def catch_up(messages: int, folder: Path) -> CaughtUp:
    """Let a broker keep `messages` strokes for a collector, and measure it while it takes them."""
    database = f"sqlite:///{folder}/collect.sqlite"
    kept = folder / "broker"
    kept.mkdir()
    broker = Mosquitto(kept)
    broker.start()
    try:
        first = CollectorProcess(broker.port, database)
        first.wait_up()
        idle = peak_mib(first.process.pid)
        first.stop()
        shop = Shop(broker.port, benches=50)
        try:
            for n in range(messages):
                shop.apply(n % 50)
            shop.wait_acknowledged(600)
        finally:
            shop.close()
        begun = time.monotonic()
        again = CollectorProcess(broker.port, database)
        try:
            wait_until(lambda: count_strokes(database) >= messages, 600)
            seconds, peak = time.monotonic() - begun, peak_mib(again.process.pid)
        finally:
            again.stop()
        return CaughtUp(messages, seconds, idle, peak, count_strokes(database))
    finally:
        broker.stop()


def main() -> int:
    """Run once; return 1 where messages are missing or memory is beyond its limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=120_000)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found = catch_up(chosen.messages, Path(folder))
    sys.stdout.write(json.dumps(asdict(found)) + "\n")
    return 0 if found.kept == found.messages and found.peak_mib < MOST_MIB else 1


if __name__ == "__main__":
    sys.exit(main())
