"""Measures what a long absence of the plant costs: `python -m tests.load.plant_backlog --strokes 50000`.

A real broker, a unit of twenty packs, and so many strokes (a verdict after every fifth) that the plant was not told. It
prints how large births and data are, how long the record takes to say what is newest and what waits, and how long the
bench takes to tell it all, in order and none twice.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import resource
import sqlite3
import tempfile
import time
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import timedelta
from pathlib import Path

from capture.mqtt.plant.plant_publisher import PlantPublisher
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.record.plant_mark import RecordForPlant
from capture.record.store import Store
from tests.mqtt.test_publisher import Bench, status
from tests.support.broker import Mosquitto, until
from tests.support.plant_host import PlantHost
from tests.support.samples import AT, finish_check, open_job, start_check, stroke

PACKS = 20
A_CHECK = 5


@dataclass(frozen=True, slots=True)
class PlantBacklog:
    """What one run found; sizes in bytes, times in seconds."""

    strokes: int
    node_birth_bytes: int
    device_birth_bytes: int
    largest_data_bytes: int
    newest_s: float
    count_s: float
    born_s: float
    """From the connection to the birth."""
    told_s: float
    """From the birth to the last entry."""
    told_cpu_s: float
    """Processor time of that, the host's reader with it."""
    in_order: bool
    twice: int
    missing: int
    peak_mb: float


#: So many strokes are kept one by one; more are the same entries once more, each under a number of its own.
ONE_BY_ONE = 500


def keep(store: Store, strokes: int) -> None:
    """Keep so many strokes in checks of five, pack after pack."""
    before, _ = store.head()
    _keep_one_by_one(store, min(strokes, ONE_BY_ONE))
    last, _ = store.head()
    more = f"printf('%064x', number + {last - before} * :time)"
    with closing(sqlite3.connect(store.path)) as record, record:
        record.execute("DROP TRIGGER ledger_in_order")  # no proof is asked of this record
        names = [name for _, name, *_ in record.execute("PRAGMA table_info(ledger)")]
        as_read = {"number": f"number + {last - before} * :time", "sha256": more, "previous": more}
        columns = ", ".join(as_read.get(name, name) for name in names)
        again = f"INSERT INTO ledger ({', '.join(names)}) SELECT {columns} FROM ledger WHERE number > ? AND number <= ?"
        for time_ in range(1, strokes // ONE_BY_ONE):
            record.execute(again.replace(":time", str(time_)), (before, last))


def _keep_one_by_one(store: Store, strokes: int) -> None:
    job, made = open_job(store), 0
    while made < strokes:
        number = made // A_CHECK
        check = start_check(store, job, pack=f"pack {number % PACKS + 1}")
        for n in range(1, min(A_CHECK, strokes - made) + 1):
            store.add_stroke(check, stroke(n), seat=False, at=AT + timedelta(seconds=made))
            made += 1
        finish_check(store, check, at=AT + timedelta(seconds=made))


async def measure(folder: Path, strokes: int) -> PlantBacklog:
    """Keep the strokes while no plant is there, then tell them."""
    broker = Mosquitto(folder)
    broker.start()
    bench = Bench(folder / "record.sqlite")
    plant = RecordForPlant(bench.store)
    number, _ = await bench.run(bench.store.head)
    await bench.run(plant.mark, number, 0)
    await bench.run(keep, bench.store, strokes)
    begun = time.perf_counter()
    await bench.run(plant.newest)
    newest_s, begun = time.perf_counter() - begun, time.perf_counter()
    waiting, _ = await bench.run(plant.waiting)
    count_s = time.perf_counter() - begun
    host = PlantHost(broker.port, "forestry", "bench 4")
    settings = PlantSettings.model_validate({"url": f"mqtt://127.0.0.1:{broker.port}", "group": "forestry"})
    try:
        begun = time.perf_counter()
        publisher = PlantPublisher(settings, plant, bench.run, status(indicator="up", gauge_serial="DI-0413"))
        async with publisher:
            await until(lambda: bool(host.of("DBIRTH")), seconds=60)
            born_s, begun, cpu_s = time.perf_counter() - begun, time.perf_counter(), time.process_time()
            await until(lambda: len(host.said) >= waiting + 2, seconds=1200)
            told_s, cpu_s = time.perf_counter() - begun, time.process_time() - cpu_s
        data = host.of("NDATA")
        entries = [
            value for one in data for name in ("stroke/entry", "verdict/entry")
            if name in one.names and (value := one.value(name)) is not None
        ]  # fmt: skip
        return PlantBacklog(
            strokes=strokes,
            node_birth_bytes=max(len(one.raw) for one in host.of("NBIRTH")),
            device_birth_bytes=max(len(one.raw) for one in host.of("DBIRTH")),
            largest_data_bytes=max(len(one.raw) for one in data),
            newest_s=newest_s,
            count_s=count_s,
            born_s=born_s,
            told_s=told_s,
            told_cpu_s=cpu_s,
            in_order=entries == sorted(entries),
            twice=len(entries) - len(set(entries)),
            missing=waiting - len(set(entries)),
            peak_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        )
    finally:
        host.stop()
        bench.thread.submit(bench.store.close).result()
        bench.thread.shutdown()
        broker.stop()


def main() -> None:
    """Run with a backlog of so many strokes, and print what it found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--strokes", type=int, default=50_000)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(asdict(asyncio.run(measure(Path(folder), wanted.strokes))), indent=1))  # noqa: T201


if __name__ == "__main__":
    main()
