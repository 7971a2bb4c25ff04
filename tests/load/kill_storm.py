"""Kills the daemon, then the broker, with kill -9 at random moments: `python -m tests.load.kill_storm`.

Every stroke that `strokelog run --json` printed must be in the record exactly once, and everything in the record must
reach a persistent subscriber at least once, always with the same id and content, in the bench's order. Prints the
counts; exit code 1 if anything is missing. The daemon measures strokes of a third of a second, so that 500 kills take
minutes; everything else is as in a shop: the real command, a real broker, SQLite files.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime
from pathlib import Path

from capture.mqtt.messages import BenchStatus
from capture.mqtt.publisher import Publisher
from capture.mqtt.settings import BrokerSettings
from capture.record import Store
from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.simulation.simulated_bench import BenchSpec
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from capture.simulation.technician import Technician
from tests.load.storm_count import Counts, Message, Told, count
from tests.support.broker import Mosquitto, until

ROOT = Path(__file__).resolve().parents[2]

#: Times faster than life.
SPEED = 8
GOOD = PackPhysics(clearance_nm=1_100_000)
SPEC = BenchSpec(indicator=IndicatorSpec(rate_hz=20), technician=Technician(rest_s=3.0, hold_s=3.0))
SHEET = """
[sheet]
name = "Two short checks"
revision = "1"
source = "invented"

[[packs]]
name = "low"
range = ["0.60 mm", "1.60 mm"]
strokes = 2
seat_strokes = 1
measure = "peak"

[[packs]]
name = "high"
range = ["0.60 mm", "1.60 mm"]
strokes = 2
seat_strokes = 1
measure = "peak"
"""


class Supervisor:
    """A persistent subscriber in a process of its own, which writes down what arrives."""

    def __init__(self, port: int, file: Path) -> None:
        self._file = file
        with file.open("wb") as out:
            self._process = subprocess.Popen(["stdbuf", "-oL", *listening(port, file.name), "-F", "%t\t%p"], stdout=out)

    def received(self) -> list[Message]:
        """Topic and payload of every stroke and verdict, in order, repeats too."""
        lines = self._file.read_bytes().split(b"\n")[:-1]
        cells = [line.decode().split("\t", 1) for line in lines]
        return [(topic, json.loads(payload)) for topic, payload in cells if topic.endswith(("/stroke", "/verdict"))]

    def anything(self) -> bool:
        return self._file.stat().st_size > 0

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)


def listening(port: int, name: str) -> list[str]:
    """The command of a subscriber whose session the broker keeps."""
    return f"mosquitto_sub -h 127.0.0.1 -p {port} -q 1 -c -i {name} -t strokelog/#".split()


@contextlib.contextmanager
def subscribed(folder: Path) -> Iterator[tuple[Mosquitto, Supervisor]]:
    """A broker with the sample's figures, and a subscriber whose session it has saved; that of `absent` too."""
    (folder / "mosquitto").mkdir()
    broker = Mosquitto(folder / "mosquitto")
    sample = (ROOT / "systemd" / "mosquitto.conf").read_text().splitlines()
    broker.lines += [line for line in sample if line.startswith("autosave_interval")]
    broker.start()
    supervisor = Supervisor(broker.port, folder / "present")
    try:
        hello = f"mosquitto_pub -h 127.0.0.1 -p {broker.port} -q 1 -t strokelog/hello/status -m {{}}".split()
        end = time.monotonic() + 10
        while not supervisor.anything():
            assert time.monotonic() < end, "mosquitto_sub could not subscribe"
            subprocess.run(hello, check=True)
        subprocess.run([*listening(broker.port, "absent"), "-E"], check=True, timeout=10)  # ends when it has subscribed
        broker.stop()  # saves
        broker.start()
        yield broker, supervisor
    finally:
        supervisor.stop()
        broker.stop()


def command(folder: Path, bench: str, port: str) -> list[str]:
    """The real command, for one bench with a folder of its own."""
    sheet = folder / "sheet.toml"
    sheet.write_text(SHEET)
    words = ["run", "--json", "--repeat", "--auto", "--bench", bench, "--sheet", str(sheet), "--port", port]
    words += ["--driver", "line", "--set", "resolution=0.01 mm", "--set", "unit=mm", "--data-dir", str(folder)]
    return [sys.executable, "-m", "capture.cli", *words]


def environment(broker: Mosquitto, folder: Path, **settings: object) -> dict[str, str]:
    """The settings that no option gives; whatever the user has set is left out."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("STROKELOG_")}
    broker_settings = {"url": f"mqtt://127.0.0.1:{broker.port}", **settings}
    return {
        **clean,
        "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(folder),
        **{f"STROKELOG_BROKER__{name.upper()}": str(value) for name, value in broker_settings.items()},
    }


def write_recording(path: Path) -> None:
    """A recording of strokes made SPEED times faster than a hand could."""
    header = {"recording": 2, "started": "2025-11-25T09:00:00Z", "bench": "storm", "indicator": {"driver": "line"}}
    with path.open("w", encoding="utf-8") as file:
        file.write(json.dumps(header) + "\n")
        for t_ns, data in SimulatedBench(SPEC, GOOD, 5).check(GOOD, 14, seated=True):
            file.write(json.dumps({"ns": t_ns // SPEED, "indicator": data.decode("latin-1")}) + "\n")


async def _one_life(words: list[str], env: dict[str, str], told: Told, dice: random.Random) -> None:
    """Start the daemon and kill it at a random moment: any, or just after it printed something."""
    process = await asyncio.create_subprocess_exec(
        *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL, env=env, cwd=ROOT
    )
    assert process.stdout is not None
    by_time = dice.random() < 0.5
    lines_to_live = dice.randint(1, 8)
    try:
        async with asyncio.timeout(dice.uniform(0.2, 6.0) if by_time else 30):
            while line := await process.stdout.readline():
                told.take(line)
                lines_to_live -= 1
                if not by_time and lines_to_live == 0:
                    await asyncio.sleep(dice.uniform(0.0, 0.02))  # the moment itself
                    break
    except TimeoutError:
        pass
    assert process.returncode is None, f"the daemon ended by itself with {process.returncode}"
    process.kill()
    told.kills += 1
    while line := await process.stdout.readline():  # what it had said before it died
        told.take(line)
    await process.wait()


async def _lives(folder: Path, bench: str, broker: Mosquitto, kills: int, seed: str) -> Told:
    told, dice = Told(), random.Random(seed)
    recording = folder / "fast.jsonl"
    write_recording(recording)
    words = command(folder, bench, f"recording:{recording}")
    env = environment(broker, folder, keep_acknowledged_s=1)
    for _ in range(kills):
        await _one_life(words, env, told, dice)
    return told


async def _drain(folder: Path, bench: str, broker: Mosquitto) -> None:
    """What the next start would send."""
    settings = BrokerSettings(url=f"mqtt://127.0.0.1:{broker.port}", keep_acknowledged_s=0)
    status = BenchStatus(at=datetime.now(UTC), bench=bench, state="online", software_version="0")
    with Store.open(folder / "record.sqlite") as store:
        async with Publisher(settings, store, asyncio.to_thread, status):
            await until(lambda: store.outbox_size() == 0, 60)


async def _settled(kills: int, told: dict[str, Told], folder: Path, supervisor: Supervisor, seconds: float) -> Counts:
    """Count until all is well, for at most `seconds`."""
    counts = Counts(kills)

    def well() -> bool:
        nonlocal counts
        counts, received = Counts(kills), supervisor.received()
        for name, one in told.items():
            count(counts, folder / name / "record.sqlite", name, one, received)
        return not counts.wrong

    with contextlib.suppress(AssertionError):
        await until(well, seconds)
    return counts


async def kill_the_daemon(folder: Path, kills: int, seed: int, benches: int) -> Counts:
    """Kill -9 the daemons of `benches` benches, `kills` times in all."""
    shares = {f"bay-{n + 1}": kills // benches + (n < kills % benches) for n in range(benches)}
    with subscribed(folder) as (broker, supervisor):
        for name in shares:
            (folder / name).mkdir()
        lives = (_lives(folder / name, name, broker, share, f"{seed} {name}") for name, share in shares.items())
        told = dict(zip(shares, await asyncio.gather(*lives), strict=True))
        for name in shares:
            await _drain(folder / name, name, broker)
        return await _settled(sum(one.kills for one in told.values()), told, folder, supervisor, 10)


@contextlib.asynccontextmanager
async def _measuring(folder: Path, broker: Mosquitto, told: Told) -> AsyncIterator[asyncio.Event]:
    """A daemon at a simulated bench on a pty; set the event and the technician rests."""
    rest = asyncio.Event()
    async with PtyBench(SimulatedBench(SPEC, GOOD, 7), folder / "port", speed=SPEED) as bench:

        async def work() -> None:
            while not rest.is_set():
                await bench.run_check(GOOD, 1, seated=True)

        process = await asyncio.create_subprocess_exec(
            *command(folder, "bay-1", str(folder / "port")),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            env=environment(broker, folder),
            cwd=ROOT,
        )

        async def read() -> None:
            assert process.stdout is not None
            while line := await process.stdout.readline():
                told.take(line)

        working, reading = asyncio.create_task(work()), asyncio.create_task(read())
        try:
            yield rest
        finally:
            rest.set()
            await working
            if process.returncode is None:
                process.terminate()
            await process.wait()
            await reading


async def kill_the_broker(folder: Path, kills: int, seed: int, longest_life_s: float = 8.0) -> tuple[Counts, Counts]:
    """Kill -9 the broker `kills` times while a bench measures; it starts again on its file.

    Returns the counts of a subscriber that was there whenever the broker was, and of one that came only in the end.
    """
    dice, told = random.Random(seed), Told()
    (folder / "bay-1").mkdir()
    with subscribed(folder) as (broker, supervisor):
        async with _measuring(folder / "bay-1", broker, told) as rest:
            await until(lambda: told.strokes, 30)
            for _ in range(kills):
                await asyncio.sleep(dice.uniform(0.1, longest_life_s))  # its life, not a wait for something
                broker.crash()
                await asyncio.sleep(dice.uniform(0.0, 1.0))  # and its absence
                broker.start()
            rest.set()
            # The daemon itself has to bring it all, without being started again.
            present = await _settled(kills, {"bay-1": told}, folder, supervisor, 60)
            late = Supervisor(broker.port, folder / "absent")
            try:
                return present, await _settled(kills, {"bay-1": told}, folder, late, 60)
            finally:
                late.stop()


def main() -> None:
    """Run both and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--daemon", type=int, default=500, help="How often the daemon is killed.")
    parser.add_argument("--broker", type=int, default=50, help="How often the broker is killed.")
    parser.add_argument("--benches", type=int, default=4, help="How many daemons run at once.")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    wrong: list[str] = []
    for name, kills in (("daemon", options.daemon), ("broker", options.broker)):
        if not kills:
            continue
        begun = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            if name == "daemon":
                daemon = asyncio.run(kill_the_daemon(Path(folder), kills, options.seed, options.benches))
                found = {"daemon": daemon}
            else:
                present, absent = asyncio.run(kill_the_broker(Path(folder), kills, options.seed))
                found = {"broker, subscriber present": present, "broker, subscriber absent": absent}
        sys.stdout.write(f"{name} killed, {time.monotonic() - begun:.0f} s\n")
        for words, counts in found.items():
            sys.stdout.write(f"  {words}: {counts}\n")
            sys.stdout.writelines(f"    {line}\n" for line in counts.wrong[:20])
            wrong += counts.wrong
    raise SystemExit(1 if wrong else 0)


if __name__ == "__main__":
    main()
