"""Kills everything at once with kill -9: daemons, the broker and the collector, `python -m tests.load.all_storm`.

Every stroke that `strokelog run --json` printed must be in its bench's record exactly once, and every stroke of the
records in the collector's database exactly once, whichever of the three died when. The real command, a real broker, a
real collector on PostgreSQL. `load/kill_storm.py` and `load/collector_storm.py` kill one kind at a time.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import sqlite3
import sys
import tempfile
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from capture.collect.schema import strokes
from capture.collect.settings import DatabaseSettings
from tests.load.kill_storm import _drain, _one_life, command, environment, subscribed, write_recording
from tests.load.storm_count import Told
from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, count_strokes
from tests.support.postgres import Postgres

Key = tuple[str, int, int]
"""Job, check and number of a stroke."""


@dataclass
class Outcome:
    """What was killed how often, and what became of the strokes."""

    kills: Counter[str] = field(default_factory=Counter)
    printed: int = 0
    recorded: int = 0
    collected: int = 0
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        killed = ", ".join(f"{name} {count}" for name, count in sorted(self.kills.items()))
        return (
            f"killed: {killed}; strokes: {self.printed} printed, {self.recorded} in the records, {self.collected} "
            f"collected; {len(self.wrong)} missing or there twice"
        )


def recorded(path: Path) -> list[Key]:
    """Every stroke of a bench's record."""
    with closing(sqlite3.connect(path)) as connection:
        query = 'SELECT jobs.uuid, checks.id, strokes.n FROM strokes JOIN checks ON checks.id = strokes."check" '
        return connection.execute(query + "JOIN jobs ON jobs.id = checks.job").fetchall()


def collected(database: str) -> list[Key]:
    """Every stroke in the collector's database."""
    engine = sa.create_engine(DatabaseSettings(url=database).address)
    try:
        with engine.connect() as connection:
            rows = connection.execute(sa.select(strokes.c.job, strokes.c.check, strokes.c.n)).all()
            return [(str(job), check, n) for job, check, n in rows]
    finally:
        engine.dispose()


async def _lives(folder: Path, bench: str, broker: Mosquitto, until: asyncio.Event, seed: str) -> Told:
    told, dice = Told(), random.Random(seed)
    recording = folder / "fast.jsonl"
    write_recording(recording)
    words = command(folder, bench, f"recording:{recording}")
    env = environment(broker, folder)
    while not until.is_set():
        await _one_life(words, env, told, dice)
    return told


async def storm(folder: Path, database: str, kills: int, benches: int, seed: int) -> Outcome:
    """Kill broker and collector `kills` times each, while the daemons of `benches` benches are killed as well."""
    outcome, dice, over = Outcome(), random.Random(seed), asyncio.Event()
    names = [f"bay-{n + 1}" for n in range(benches)]
    for name in names:
        (folder / name).mkdir()
    with subscribed(folder) as (broker, _):
        collector = CollectorProcess(broker.port, database)
        await asyncio.to_thread(collector.wait_up)
        await asyncio.to_thread(broker.stop)  # in order, so it saves the session: benches are heard from here on
        broker.start()
        lives = [asyncio.create_task(_lives(folder / name, name, broker, over, f"{seed} {name}")) for name in names]
        try:
            for target in dice.sample(["broker", "collector"] * kills, 2 * kills):
                await asyncio.sleep(dice.uniform(0.1, 4.0))  # its life, not a wait for something
                outcome.kills[target] += 1
                if target == "broker":
                    broker.crash()
                    await asyncio.sleep(dice.uniform(0.0, 1.0))  # and its absence
                    broker.start()
                else:
                    await asyncio.to_thread(collector.kill)
                    collector = CollectorProcess(broker.port, database)
            over.set()
            told = await asyncio.gather(*lives)
            outcome.kills["daemon"] = sum(one.kills for one in told)
            outcome.printed = sum(len(one.strokes) for one in told)
            await asyncio.to_thread(collector.wait_up)
            for name in names:
                await _drain(folder / name, name, broker)
            rows = [key for name in names for key in recorded(folder / name / "record.sqlite")]
            outcome.recorded = len(rows)
            for _ in range(300):
                if await asyncio.to_thread(count_strokes, database) >= len(rows):
                    break
                await asyncio.sleep(0.1)
            there = Counter(collected(database))
            outcome.collected = sum(there.values())
            outcome.wrong += [f"not collected: {key}" for key in rows if key not in there]
            outcome.wrong += [f"collected {count} times: {key}" for key, count in there.items() if count > 1]
            outcome.wrong += [f"in no record: {key}" for key in there if key not in set(rows)]
            outcome.wrong += [f"recorded twice: {key}" for key, count in Counter(rows).items() if count > 1]
            if outcome.printed > outcome.recorded:
                outcome.wrong.append(f"{outcome.printed} printed, and only {outcome.recorded} recorded")
        finally:
            over.set()
            await asyncio.gather(*lives, return_exceptions=True)
            await asyncio.to_thread(collector.stop)
    return outcome


def run(kills: int, benches: int, seed: int) -> Outcome:
    """Run one storm in a folder of its own."""
    postgres = Postgres()
    os.environ["PGPASSFILE"] = str(postgres.passfile)
    postgres.start()
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            return asyncio.run(storm(Path(folder), postgres.url, kills, benches, seed))
    finally:
        postgres.close()


def main(words: list[str] | None = None) -> int:
    """Print the counts; return 1 if a stroke is missing or there twice."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--kills", type=int, default=50, help="How often the broker, and the collector, are killed.")
    parser.add_argument("--benches", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    options: Any = parser.parse_args(words)
    outcome = run(options.kills, options.benches, options.seed)
    sys.stdout.write(f"{outcome}\n")
    sys.stdout.writelines(f"  {line}\n" for line in outcome.wrong[:20])
    return 1 if outcome.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
