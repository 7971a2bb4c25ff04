"""Lets a bench measure with everything beside it for as long as one likes, and looks whether anything grows.

    python -m tests.load.soak --minutes 120

A bench with a fixture, its valve keeper, its own page with a reader, a screen, a broker, a board's page with a reader,
and a collector, each a process of its own. A technician in software arms the air and presses the button, check after
check and unit after unit. Memory (resident, MiB) and open files of every process are looked at every two seconds; flat
is what in its last fifth holds little more than in its second. `--log FILE` writes every look down.
`test_soak.py` has half a minute of it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import signal
import statistics
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import aiohttp

from tests.air.test_control import simulated_ports
from tests.support.air_bench import SHEET
from tests.support.broker import Mosquitto, free_port, until
from tests.support.fleet import CollectorProcess, count_strokes
from tests.support.pty_fixture import FixturePort
from tests.support.terminal import Terminal

ROOT = Path(__file__).resolve().parents[2]
_LOOK_S = 2.0
#: What a program may hold more at the end: caches that fill once, and then so much an hour.
MOST_MIB, MOST_MIB_AN_HOUR = 3.0, 1.0
MOST_FILES = 3


@dataclass
class Program:
    """One process, as it was found every two seconds."""

    pid: int
    mib: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)

    def look(self) -> None:
        with contextlib.suppress(OSError):  # ended meanwhile
            files = sum(1 for _ in Path(f"/proc/{self.pid}/fd").iterdir())
            pages = int(Path(f"/proc/{self.pid}/statm").read_text().split()[1])
            self.mib.append(pages * os.sysconf("SC_PAGE_SIZE") / 2**20)
            self.files.append(files)

    def growth(self) -> tuple[float, float]:
        """Return by how much it holds more in its last fifth than in its second: MiB, and open files."""
        return _growth(self.mib), _growth(self.files)

    def flat(self, hours: float) -> bool:
        mib, files = self.growth()
        return mib <= MOST_MIB + MOST_MIB_AN_HOUR * hours and files <= MOST_FILES


def _growth(looks: list[float] | list[int]) -> float:
    fifth = len(looks) // 5
    return float(statistics.median(looks[-fifth:]) - statistics.median(looks[fifth : 2 * fifth]))


def _children(pid: int) -> dict[str, int]:
    """Return the processes that a process began, the keeper of a valve by that name and any other as a page."""
    found = {}
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        words = Path(f"/proc/{child}/cmdline").read_bytes()
        found["keeper" if b"capture.air.keeper" in words else "bench page"] = int(child)
    return found


@dataclass
class Soaked:
    """What came of it."""

    programs: dict[str, Program]
    strokes: int
    events: int
    """How often each page told its reader something, the one that did so less."""
    hours: float

    @property
    def well(self) -> bool:
        return self.strokes > 0 and self.events > 0 and all(one.flat(self.hours) for one in self.programs.values())

    def __str__(self) -> str:
        lines = [
            f"{self.hours * 60:.1f} minutes, {self.strokes} strokes in the database, {self.events} words to each page"
        ]
        for name, one in self.programs.items():
            mib, files = one.growth()
            lines.append(
                f"{name:10} {max(one.mib):6.1f} MiB and {max(one.files):3} files at most; {mib:+5.1f} MiB, "
                f"{files:+.0f} files since its second fifth" + ("" if one.flat(self.hours) else "  GROWS")
            )
        return "\n".join(lines)


@asynccontextmanager
async def _process(*words: str, told: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    with told.open("wb") as file:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "capture.cli", *words, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=file, stderr=file
        )
    try:
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        await asyncio.wait_for(process.wait(), 20)


async def _technician(terminal: Terminal, fixture: FixturePort) -> None:
    """Arm where it must be, and press where nothing runs."""
    moves = 0
    while True:
        await asyncio.sleep(3)
        text = await asyncio.to_thread(terminal.text)
        if "a arm the air" in text:
            await asyncio.to_thread(terminal.keys, "a")
        elif len(fixture.moves) == moves:  # no stroke since it was looked at last
            fixture.press()
            await asyncio.sleep(0.15)
            fixture.release()
        moves = len(fixture.moves)


async def _reader(url: str, events: list[int]) -> None:
    async with aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=None)) as client, client.get(url) as answer:
        async for line in answer.content:
            events[0] += line.startswith(b"data:")


async def _answers(url: str, timeout_s: float = 60) -> None:
    async with asyncio.timeout(timeout_s), aiohttp.ClientSession() as client:
        while True:
            with contextlib.suppress(aiohttp.ClientConnectionError):
                async with client.get(url):
                    return
            await asyncio.sleep(0.2)


async def _said(file: Path, word: str, timeout_s: float = 30) -> str:
    told = ""

    def said() -> bool:
        nonlocal told
        told = file.read_text()
        return word in told

    await until(said, timeout_s)
    return told


async def soak(folder: Path, minutes: float, log: Path | None = None) -> Soaked:
    """Let everything run so long; return what it held and what came of it. Raises TimeoutError if it does not begin."""
    (folder / "broker").mkdir()
    (folder / "sheet.toml").write_text(SHEET)
    broker = Mosquitto(folder / "broker")
    broker.start()
    url, data = f"mqtt://127.0.0.1:{broker.port}", str(folder / "data")
    database = f"sqlite:///{folder}/collect.sqlite"
    fixture, indicator = simulated_ports(folder)
    run = ["run", "--auto", "--repeat", "--json", "--bench", "soak", "--data-dir", data, "--broker", url]
    run += ["--sheet", str(folder / "sheet.toml"), "--port", str(indicator.path), "--driver", "line"]
    run += ["--set", "resolution=0.01 mm", "--set", "max_error=0.005 mm"]
    run += ["--fixture", "ascii", "--fixture-port", str(fixture.path), "--button", "press"]
    run += ["--web", "--listen", f"127.0.0.1:{(at := free_port())}"]
    events, bench_events = [0], [0]
    collector = CollectorProcess(broker.port, database)
    try:
        board_said = folder / "board.txt"
        async with (
            fixture,
            indicator,
            _process(*run, told=folder / "run.txt") as daemon,
            _process("board", "--broker", url, "--web", "--listen", "127.0.0.1:0", told=board_said) as board,
        ):
            page = (await _said(board_said, "at http")).split("at ")[1].split()[0]
            await asyncio.to_thread(collector.wait_up)
            with Terminal(100, 30) as terminal:
                await _answers(f"http://127.0.0.1:{at}/")  # the bench's own page is a face of it: another finds it too
                terminal.run("capture.cli", "run", "--bench", "soak", "--data-dir", data)
                await asyncio.to_thread(terminal.wait_for, "CAUTION")
                await asyncio.to_thread(terminal.keys, "Space")
                beside = [
                    asyncio.create_task(_technician(terminal, fixture)),
                    asyncio.create_task(_reader(page.rstrip("/") + "/events", events)),
                    asyncio.create_task(_reader(f"http://127.0.0.1:{at}/events", bench_events)),
                ]
                pids = {
                    "daemon": daemon.pid,
                    **_children(daemon.pid),
                    "page": board.pid,
                    "collector": collector.process.pid,
                }
                [face] = _children(int(terminal.format("#{pane_pid}"))).values()  # of the shell in it
                pids |= {"face": face, "broker": broker.pid}
                programs = {name: Program(pid) for name, pid in pids.items()}
                end_s = asyncio.get_running_loop().time() + 60 * minutes
                while asyncio.get_running_loop().time() < end_s:
                    await asyncio.sleep(_LOOK_S)
                    assert daemon.returncode is None and board.returncode is None, (folder / "run.txt").read_text()
                    for task in beside:
                        if task.done():
                            task.result()
                    # A session has a keeper of its own, and so the next one another.
                    programs["keeper"].pid = _children(daemon.pid).get("keeper", programs["keeper"].pid)
                    for one in programs.values():
                        one.look()
                    if log is not None:
                        with log.open("a") as file:
                            file.write(" ".join(f"{name}={one.mib[-1]:.2f}" for name, one in programs.items()) + "\n")
                for task in beside:
                    task.cancel()
                await asyncio.gather(*beside, return_exceptions=True)
        return Soaked(programs, count_strokes(database), min(events + bench_events), minutes / 60)
    finally:
        collector.stop()
        broker.stop()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=120)
    parser.add_argument("--log", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        found = asyncio.run(soak(Path(name), options.minutes, options.log))
    sys.stdout.write(f"{found}\n")
    sys.exit(0 if found.well else 1)
