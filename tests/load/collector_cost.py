"""What a collector costs, and how soon a stroke is in PostgreSQL, beside a bare subscriber in the same run.

    python -m tests.load.collector_cost                               2,000 benches, 2,000 strokes a second, 30 s
    python -m tests.load.collector_cost --a-second 500 --seconds 10
    python -m tests.load.collector_cost --alone                       without the bare subscriber beside it

Both hear the same broker and write into the same server. The delay is from when a stroke was made to the commit that
holds it, as the server dates it. Processor time is the kernel's count for each process, a message. Exit code 1 if a
stroke is missing or there twice, if the 99th percentile is over 2 s, or if the collector takes more than 1.5 times the
bare subscriber's user time.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import psutil
import psycopg

from tests.load.bare_subscriber import TABLE, create
from tests.load.shop_load import say
from tests.support.broker import Mosquitto
from tests.support.fleet import ROOT, CollectorProcess, wait_until
from tests.support.postgres import Postgres

LATEST_S = 2.0
DEAREST = 1.5


@dataclass(frozen=True, slots=True)
class Taken:
    """What one subscriber came to: rows, delays in seconds, user and system time in microseconds a message."""

    rows: int
    median_s: float
    late_s: float
    user_us: float
    system_us: float


@dataclass(frozen=True, slots=True)
class Side:
    """A run: how many strokes were sent, and what became of them."""

    sent: int
    seconds: float
    collector: Taken
    bare: Taken | None

    @property
    def times(self) -> float | None:
        """How many times the bare subscriber's user time the collector took."""
        return None if self.bare is None else self.collector.user_us / self.bare.user_us


def run(benches: int, a_second: int, seconds: float, server: Postgres, *, alone: bool = False) -> Side:
    """Let benches apply evenly for so long, into a server that runs and dates commits; ends all else that it starts."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True)))
        broker = Mosquitto(folder)
        broker.start()
        stack.callback(broker.stop)
        collector = CollectorProcess(broker.port, server.url)
        stack.callback(collector.stop)
        collector.wait_up()
        heard = {"collected_strokes": collector.process}
        database = stack.enter_context(psycopg.connect(server.url, autocommit=True))
        if not alone:
            database.execute(create())
            bare = subprocess.Popen(
                [sys.executable, "-m", "tests.load.bare_subscriber", str(broker.port), server.url], cwd=ROOT
            )
            stack.callback(bare.wait)
            stack.callback(bare.terminate)
            heard[TABLE] = bare
            wait_until(lambda: psutil.Process(bare.pid).net_connections())
        before = {table: psutil.Process(process.pid).cpu_times() for table, process in heard.items()}
        begun = time.monotonic()
        sender = [
            sys.executable,
            "-m",
            "tests.load.stroke_sender",
            str(broker.port),
            str(benches),
            str(a_second),
            str(seconds),
        ]
        sent = int(
            subprocess.run(sender, cwd=ROOT, check=True, stdout=subprocess.PIPE, timeout=seconds * 10 + 60).stdout
        )
        took = time.monotonic() - begun

        def count(table: str) -> int:
            found = database.execute(f"SELECT count(*) FROM {table}").fetchone()
            return int(found[0]) if found else 0

        wait_until(lambda: all(count(table) >= sent for table in heard), 120)
        taken = []
        for table, process in heard.items():
            used = psutil.Process(process.pid).cpu_times()
            delay = "extract(epoch FROM pg_xact_commit_timestamp(xmin) - CAST(at AS timestamptz))"
            found = database.execute(
                f"SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY {delay}), "
                f"percentile_cont(0.99) WITHIN GROUP (ORDER BY {delay}), count(DISTINCT id) FROM {table}"
            ).fetchone()
            assert found is not None and found[2] == count(table), "no stroke is there twice"
            user, system = used.user - before[table].user, used.system - before[table].system
            taken.append(Taken(found[2], found[0], found[1], user / sent * 1e6, system / sent * 1e6))
    return Side(sent, took, taken[0], taken[1] if len(taken) > 1 else None)


def tell(side: Side) -> None:
    """Print the figures."""
    a_second = side.sent / side.seconds
    say(f"{side.sent} strokes in {side.seconds:.1f} s, {a_second:.0f} a second; load {os.getloadavg()[0]:.1f}")
    for name, taken in (("collector", side.collector), ("bare subscriber", side.bare)):
        if taken is not None:
            say(
                f"  {name:<16} {taken.rows} rows; in the database after {taken.median_s:.2f} s (median), "
                f"99 % within {taken.late_s:.2f} s; {taken.user_us:.0f} us user, {taken.system_us:.0f} us system each"
            )
    if side.times is not None:
        say(f"  the collector's user time is {side.times:.2f} times the bare subscriber's")


def main() -> int:
    """Run what the words say."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=2000)
    parser.add_argument("--a-second", type=int, default=2000)
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--alone", action="store_true")
    words = parser.parse_args()
    server = Postgres()
    try:
        server.start()
        os.environ["PGPASSFILE"] = str(server.passfile)
        side = run(words.benches, words.a_second, words.seconds, server, alone=words.alone)
    finally:
        server.close()
    tell(side)
    all_there = side.collector.rows == side.sent
    return 0 if all_there and side.collector.late_s <= LATEST_S and (side.times or 0.0) <= DEAREST else 1


if __name__ == "__main__":
    sys.exit(main())
