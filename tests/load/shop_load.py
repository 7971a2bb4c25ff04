"""A whole shop on one machine: benches, a real broker, a collector and, where there is one, a board; and what it costs.

    python -m tests.load.shop_load                        500 benches, a stroke every 4 s each, 60 s, PostgreSQL
    python -m tests.load.shop_load --database sqlite --seconds 20
    python -m tests.load.shop_load --flood 50000                    how fast a collector catches up

Prints how many strokes were published, are in the database, are missing or there twice, and the share of one core
that each process used (user and system time, as the kernel counts it). Exit code 1 if a stroke is missing or there
twice, or if the board takes more than half a core. The benches are in this process, on a few connections.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import sqlalchemy as sa

from capture.collect.schema import strokes, verdicts
from tests.load.collector_storm import compare
from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, Shop, count_strokes, read, wait_until
from tests.support.postgres import Postgres
from tests.support.terminal import Terminal

EVERY_S = 4.0
STROKES_A_VERDICT = 6  # one that seats the pack and five that count
BOARD_BOUND = 0.5  # of one core


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def busy_s(process: psutil.Process) -> float:
    """Return the processor time of a process and of its children, those that ended included, in seconds."""
    total = 0.0
    for one in [process, *process.children(recursive=True)]:
        try:
            times = one.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += times.user + times.system + times.children_user + times.children_system
    return total


@dataclass(frozen=True, slots=True)
class House:
    """The broker and the database of one run."""

    broker: Mosquitto
    database: str
    processes: dict[str, psutil.Process]


@contextmanager
def house(kind: str) -> Iterator[House]:
    """Start a broker and a database of the kind."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True)))
        broker = Mosquitto(folder)
        broker.start()
        stack.callback(broker.stop)
        mine = psutil.Process()
        processes = {"broker": mine.children()[-1]}
        database = f"sqlite:///{folder}/collect.sqlite"
        if kind == "postgresql":
            server = Postgres()
            stack.callback(server.close)
            server.start()
            os.environ["PGPASSFILE"] = str(server.passfile)
            database = server.url
            processes["postgresql"] = next(one for one in mine.children() if one.name() == "postgres")
        yield House(broker, database, processes)


def run_shift(kind: str, benches: int, seconds: float) -> bool:
    """Let the shop work so long; print the counts and the processor time; return whether all is well."""
    with house(kind) as here, ExitStack() as stack:
        collector = CollectorProcess(here.broker.port, here.database)
        stack.callback(collector.stop)
        collector.wait_up()
        processes = {"collector": psutil.Process(collector.process.pid), **here.processes}
        if importlib.util.find_spec("capture.cli.board") is not None:
            processes["board"] = stack.enter_context(_board(here.broker.port))
        shop = Shop(here.broker.port, benches)
        stack.callback(shop.close)
        for bench in range(benches):
            shop.report(bench)
        before = {name: busy_s(process) for name, process in processes.items()}
        begun = time.monotonic()
        judged = _work(shop, seconds)
        shop.wait_acknowledged()
        wait_until(lambda: count_strokes(here.database) >= len(shop.sent), 60)
        wall = time.monotonic() - begun
        used = {name: (busy_s(process) - before[name]) / wall for name, process in processes.items()}
        outcome = compare(shop.sent, here.database)
        delays, judged_there = _kept(here.database)
    say(f"{benches} benches, a stroke every {EVERY_S:g} s each, {seconds:g} s, mosquitto, {kind}")
    say(
        f"  strokes     {outcome.published} published, {outcome.published - outcome.missing} in the database, "
        f"{outcome.missing} missing, {outcome.twice} there twice, {outcome.foreign} nobody sent"
    )
    say(f"  verdicts    {judged} published, {judged_there} in the database")
    say(
        f"  delay       from the stroke's end to the collector: median {delays[0]:.3f} s, 99 % within {delays[1]:.3f} s"
    )
    for name, share in used.items():
        say(f"  {name:<11} {share:.1%} of one core")
    well = outcome.well and judged == judged_there
    if used.get("board", 0.0) > BOARD_BOUND:
        say(f"  the board takes more than {BOARD_BOUND:.0%} of a core")
        well = False
    return well


@contextmanager
def _board(port: int) -> Iterator[psutil.Process]:
    """A supervisor's board in a real terminal."""
    with Terminal(200, 60) as terminal:
        terminal.run("capture.cli", "board", "--broker", f"mqtt://127.0.0.1:{port}")
        terminal.wait_for("No bench has been heard yet.")
        yield psutil.Process(terminal.children()[0])
        terminal.keys("q")


def _work(shop: Shop, seconds: float) -> int:
    """Publish evenly; return how many verdicts there were."""
    begun, benches, judged = time.monotonic(), len(shop.benches), 0
    for n in range(int(seconds / EVERY_S * benches)):
        wait = begun + n * EVERY_S / benches - time.monotonic()
        if wait > 0:
            time.sleep(wait)
        shop.apply(n % benches)
        if n // benches % STROKES_A_VERDICT == STROKES_A_VERDICT - 1:
            shop.judge(n % benches)
            judged += 1
    return judged


def _kept(database: str) -> tuple[tuple[float, float], int]:
    """Return the median and the 99th percentile of the strokes' delays, in seconds, and how many verdicts there are."""
    ended = read(database, sa.select(strokes.c.at).order_by(strokes.c.id))
    came = read(database, sa.select(strokes.c.received_at).order_by(strokes.c.id))
    judged = read(database, sa.select(sa.func.count()).select_from(verdicts))[0]
    delays = sorted((received - at).total_seconds() for at, received in zip(ended, came, strict=True))
    return (delays[len(delays) // 2], delays[len(delays) * 99 // 100]), judged


def run_flood(kind: str, messages: int) -> bool:
    """Let a broker gather so many strokes while the collector is away; print how fast it catches up."""
    with house(kind) as here:
        collector = CollectorProcess(here.broker.port, here.database)
        collector.wait_up()
        collector.stop()  # its session stays
        shop = Shop(here.broker.port, 500)
        for n in range(messages):
            shop.apply(n % 500)
        shop.wait_acknowledged(120)
        shop.close()
        collector = CollectorProcess(here.broker.port, here.database)
        process = psutil.Process(collector.process.pid)
        wait_until(lambda: count_strokes(here.database) > 0)
        there, begun, used = count_strokes(here.database), time.monotonic(), busy_s(process)
        wait_until(lambda: count_strokes(here.database) >= messages, 300)
        wall, used = time.monotonic() - begun, busy_s(process) - used
        outcome = compare(shop.sent, here.database)
        collector.stop()
    say(
        f"{messages} strokes waiting at the broker, {kind}: {(messages - there) / wall:.0f} a second, "
        f"{used / (messages - there) * 1e6:.0f} us of processor each; {outcome.missing} missing, "
        f"{outcome.twice} there twice"
    )
    return outcome.well


def main() -> int:
    """Run what the words say."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--database", choices=("postgresql", "sqlite"), default="postgresql")
    parser.add_argument("--flood", type=int, metavar="MESSAGES", help="measure the catching up instead")
    words = parser.parse_args()
    if words.flood:
        well = run_flood(words.database, words.flood)
    else:
        well = run_shift(words.database, words.benches, words.seconds)
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
