"""Kills the collector, the broker and the database at random moments while benches publish, and counts what is missing.

    python -m tests.load.collector_storm --kills 50 --target collector --database postgresql

A pair is a collector at work and one that stands by; the one at work is killed. Whatever is killed,
every stroke a bench published must be in the database once. `test_collect.py` has short ones.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, Shop, count_strokes, random_pause, stroke_ids, wait_until
from tests.support.postgres import Postgres

#: A broker acknowledges before it saves. It must save sooner than the benches forget what it acknowledged.
DURABLE = ["autosave_interval 1"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was published, and what a database made of it."""

    published: int
    missing: int
    twice: int
    foreign: int

    @property
    def well(self) -> bool:
        return self.published > 0 and not (self.missing or self.twice or self.foreign)


def compare(published: list[str], database: str) -> Outcome:
    """Hold what was published against what the database holds."""
    there = Counter(stroke_ids(database))
    sent = set(published)
    return Outcome(len(sent), len(sent - set(there)), sum(n - 1 for n in there.values()), len(set(there) - sent))


def storm(
    target: str,
    kills: int,
    broker: Mosquitto,
    database: str,
    postgres: Postgres | None,
    *,
    seed: int,
    rate: float = 100,
    within_s: float = 1.5,
) -> Outcome:
    """Kill `target` at `kills` random moments while strokes come in; wait until all is quiet, and compare."""
    moments = random.Random(seed)
    collector = CollectorProcess(broker.port, database)
    collector.wait_up()
    broker.stop()  # in order, so it saves the session there is now: benches are heard from here on
    broker.start()
    shop = Shop(broker.port, benches=50)
    try:
        with shop.applying(rate):
            for _ in range(kills):
                random_pause(within_s, moments)
                if target == "collector":
                    collector.kill()
                    collector = CollectorProcess(broker.port, database)
                elif target == "broker":
                    broker.send_signal(signal.SIGKILL)
                    broker.stop()
                    broker.start()
                else:
                    assert postgres is not None
                    postgres.stop()
                    random_pause(0.5, moments)
                    postgres.start()
        shop.wait_acknowledged()
        with contextlib.suppress(AssertionError):  # the outcome says what is missing
            wait_until(lambda: count_strokes(database) >= len(shop.sent), 60)
        return compare(shop.sent, database)
    finally:
        shop.close()
        collector.stop()


def storm_on_a_pair(
    kills: int, broker: Mosquitto, database: str, *, seed: int, rate: float = 100, within_s: float = 1.5
) -> tuple[Outcome, list[float]]:
    """Kill whichever of two collectors is at work, at `kills` random moments, and let the one that stands by go on.

    Returns what the database made of it, and how long nobody collected each time, seconds.
    """
    moments = random.Random(seed)

    def spare() -> CollectorProcess:
        process = CollectorProcess(broker.port, database, "--standby")
        wait_until(lambda: process.link("broker")["state"] == "standby")
        return process

    at_work = CollectorProcess(broker.port, database)
    at_work.wait_up()
    waiting = spare()
    shop = Shop(broker.port, benches=50)
    gaps_s = []
    try:
        with shop.applying(rate):
            for _ in range(kills):
                random_pause(within_s, moments)
                at_work.kill()
                killed_s = time.monotonic()
                waiting.wait_up()
                gaps_s.append(time.monotonic() - killed_s)
                at_work, waiting = waiting, spare()
        shop.wait_acknowledged()
        with contextlib.suppress(AssertionError):  # the outcome says what is missing
            wait_until(lambda: count_strokes(database) >= len(shop.sent), 60)
        return compare(shop.sent, database), gaps_s
    finally:
        shop.close()
        waiting.stop()
        at_work.stop()


def main() -> int:
    """Run one storm and print its counts; return 1 if a stroke is missing or there twice."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--target", choices=("collector", "pair", "broker", "database"), default="collector")
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="postgresql")
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--rate", type=float, default=50, help="strokes a second")
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        (folder / "mosquitto").mkdir()
        broker = Mosquitto(folder / "mosquitto")
        broker.lines += DURABLE
        postgres = Postgres() if words.database == "postgresql" else None
        url = postgres.url if postgres else f"sqlite:///{folder}/collect.sqlite"
        if postgres:
            os.environ["PGPASSFILE"] = str(postgres.passfile)
            postgres.start()
        broker.start()
        try:
            if words.target == "pair":
                outcome, gaps_s = storm_on_a_pair(words.kills, broker, url, seed=words.seed, rate=words.rate)
                sys.stdout.write(f"nobody collected for {min(gaps_s):.1f} to {max(gaps_s):.1f} s\n")
            else:
                outcome = storm(words.target, words.kills, broker, url, postgres, seed=words.seed, rate=words.rate)
        finally:
            broker.stop()
            if postgres:
                postgres.close()
    how = "immediate shutdown" if words.target == "database" else "kill -9"
    sys.stdout.write(
        f"{words.kills} times {how} of the {words.target}, {words.database}, seed {words.seed}: "
        f"{outcome.published} strokes published, {outcome.missing} missing, {outcome.twice} there twice, "
        f"{outcome.foreign} nobody sent\n"
    )
    return 0 if outcome.well else 1


if __name__ == "__main__":
    sys.exit(main())
