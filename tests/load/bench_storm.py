"""Kills a bench's process, its valve's keeper and its screens in any mixture: `python -m tests.load.bench_storm`.

One bench with a twin of a fixture, a real broker, and a person: he arms the air at a screen of his own, a process on a
terminal, and presses the button, pack after pack. Now and then one of the three is killed with kill -9, or two or all
of them at once: in an apply, as a stroke was printed, or at any moment. After a killed bench or keeper the valve must
be shut within the fixture's own timer and stay so until the air is armed again; every stroke that was printed must be
in the record exactly once, and all that is in the record must reach a subscriber, as `load/kill_storm.py` counts it.
Exit code 1 if anything is wrong.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import pty
import random
import signal
import socket
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from capture.session.faces.messages import LONGEST_FROM_BENCH, Hello
from capture.session.faces.start import found
from tests.air.test_control import ROOT, simulated_ports
from tests.load.kill_storm import _drain, _settled, environment, subscribed
from tests.load.storm_count import Counts, Told
from tests.support.air_bench import SHEET
from tests.support.broker import Mosquitto, until
from tests.support.on_time import on_time
from tests.support.pty_fixture import FixturePort

__all__ = ["Killed", "kill_any"]

_BENCH = "bay-1"
#: The fixture's own timer, which is all there is where the keeper is killed: 500 ms, and 60 for a busy twin.
_SHUT_WITHIN_MS = 560
#: How long an apply or a stroke is waited for: the bench and its screen have to start first, on a busy machine.
_COMES_S = 60
_VICTIMS = ("bench", "keeper", "face")


@dataclass
class Killed:
    """What was killed how often, and what became of valve and strokes."""

    kills: Counter[str] = field(default_factory=Counter)
    in_applies: int = 0
    slowest_ms: float = 0.0
    late: list[str] = field(default_factory=list)
    counts: Counts = field(default_factory=lambda: Counts(0))

    @property
    def wrong(self) -> list[str]:
        return [*self.late, *self.counts.wrong]

    def __str__(self) -> str:
        killed = ", ".join(f"{name} {count}" for name, count in sorted(self.kills.items()))
        return (
            f"killed: {killed}; {self.in_applies} times in an apply, the valve then shut within {self.slowest_ms:.0f} "
            f"ms, {len(self.late)} times late or open again; {self.counts}"
        )


class _Screen:
    """A person's screen: the real command on a terminal of its own, read only for whether it is drawn."""

    def __init__(self, data_dir: Path, env: dict[str, str]) -> None:
        words = [sys.executable, "-m", "capture.cli", "run", "--bench", _BENCH, "--data-dir", str(data_dir)]
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:
            os.chdir(ROOT)
            os.execve(sys.executable, words, {**env, "TERM": "xterm"})
        self._drawn = False
        threading.Thread(target=self._drain, daemon=True).start()

    def _drain(self) -> None:
        with contextlib.suppress(OSError):
            while os.read(self._terminal, 65_536):
                self._drawn = True

    def press(self, key: str) -> bool:
        """Press a key, if there is something to see; return whether."""
        with contextlib.suppress(OSError):
            return self._drawn and os.write(self._terminal, key.encode()) > 0
        return False

    def end(self) -> None:
        """End it if it has not ended."""
        with contextlib.suppress(ProcessLookupError, ChildProcessError):
            os.kill(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        os.close(self._terminal)


@dataclass
class _Bench:
    """A bench's process, from its start to its end, with who looks at it and who works there."""

    process: asyncio.subprocess.Process
    told: Told
    screen: _Screen
    fixture: FixturePort
    air: str = ""
    """How the air stands, as a face is told."""
    armed_ns: list[int] = field(default_factory=list)

    def keeper(self) -> int | None:
        """Return its keeper's process, None while there is none."""
        for child in Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split():
            with contextlib.suppress(OSError):
                if b"capture.air.keeper" in Path(f"/proc/{child}/cmdline").read_bytes():
                    return int(child)
        return None

    async def look(self, record: Path) -> None:
        """Look at it as a face that presses nothing, and press at the screen what it asks for."""
        link: socket.socket | None = None
        while link is None:
            await asyncio.sleep(0.05)
            link = found(_BENCH, record, service=False)
        reader, writer = await asyncio.open_unix_connection(sock=link, limit=LONGEST_FROM_BENCH)
        try:
            writer.write(Hello(who="a looker", wants_keys=False, may_arm=False).model_dump_json().encode() + b"\n")
            pressed_s = 0.0
            while line := await reader.readline():
                shown = json.loads(line)["showing"]
                if shown is None:
                    return
                self.air, now_s = shown["view"]["air_state"], time.monotonic()
                if now_s - pressed_s < 1.0:  # pressed twice, the key takes the air off again
                    continue
                if shown["screen"] == "cautions":
                    pressed_s = now_s if self.screen.press(" ") else pressed_s
                elif self.air in ("unarmed", "tripped"):
                    self.armed_ns.append(time.monotonic_ns())
                    pressed_s = now_s if self.screen.press("a") else pressed_s
        except ConnectionError:
            pass
        finally:
            writer.transport.abort()

    async def work(self) -> None:
        """Press the button whenever nothing moves."""
        moves = -1
        while True:
            await asyncio.sleep(0.4)
            if self.air == "armed" and len(self.fixture.moves) == moves:
                self.fixture.press()
                await asyncio.sleep(0.12)
                self.fixture.release()
            moves = len(self.fixture.moves)


def _command(folder: Path, url: str) -> list[str]:
    words = ["run", "--auto", "--repeat", "--json", "--bench", _BENCH, "--data-dir", str(folder / _BENCH)]
    words += ["--sheet", str(folder / "sheet.toml"), "--port", str(folder / "indicator"), "--driver", "line"]
    words += ["--set", "resolution=0.01 mm", "--set", "max_error=0.005 mm", "--broker", url]
    words += ["--fixture", "ascii", "--fixture-port", str(folder / "fixture"), "--button", "press"]
    return [sys.executable, "-m", "capture.cli", *words]


@asynccontextmanager
async def _at_work(folder: Path, broker: Mosquitto, told: Told, fixture: FixturePort) -> AsyncIterator[_Bench]:
    """One life of the bench's process, with a screen, somebody who looks and somebody who works."""
    env = environment(broker, folder, keep_acknowledged_s=1)
    process = await asyncio.create_subprocess_exec(
        *_command(folder, f"mqtt://127.0.0.1:{broker.port}"),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env=env,
        cwd=ROOT,
    )

    async def read() -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            told.take(line)

    record = folder / _BENCH / "record.sqlite"
    reading = asyncio.create_task(read())
    while (link := found(_BENCH, record, service=False)) is None:  # as soon as there is something to see
        assert process.returncode is None, f"the bench ended by itself with {process.returncode}"
        await asyncio.sleep(0.05)
    link.close()
    bay = _Bench(process, told, _Screen(folder / _BENCH, env), fixture)
    tasks = [asyncio.create_task(one) for one in (bay.look(record), bay.work())]
    try:
        yield bay
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        fixture.release()
        if process.returncode is None:
            process.terminate()
        await process.wait()
        await reading
        bay.screen.end()


def _whom(dice: random.Random) -> list[str]:
    """Draw who is killed: one of them, or two, or all, in any order."""
    return dice.sample(_VICTIMS, dice.choice((1, 1, 1, 2, 2, 3)))


async def _strike(bay: _Bench, dice: random.Random, outcome: Killed, folder: Path, env: dict[str, str]) -> None:
    """Kill somebody at a random moment, see to the valve, and put another screen in the place of a killed one."""
    fixture, whom, printed = bay.fixture, _whom(dice), len(bay.told.strokes)
    match dice.choice(("apply", "stroke", "any")):
        case "apply":
            with contextlib.suppress(TimeoutError):
                await fixture.until(lambda: fixture.valve_open, _COMES_S)
            await asyncio.sleep(dice.uniform(0.0, 0.4))
        case "stroke":
            with contextlib.suppress(AssertionError):
                await until(lambda: len(bay.told.strokes) > printed, _COMES_S)
            await asyncio.sleep(dice.uniform(0.0, 0.02))
        case _:
            await asyncio.sleep(dice.uniform(0.1, 3.0))
    if bay.process.returncode is not None:
        raise AssertionError(f"the bench ended by itself with {bay.process.returncode}")
    struck_ns, was_open = time.monotonic_ns(), fixture.valve_open
    pids = {"bench": bay.process.pid, "keeper": bay.keeper(), "face": bay.screen.pid}
    for name in whom:
        if (pid := pids[name]) is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                outcome.kills[name] += 1
    shuts = "bench" in whom or ("keeper" in whom and pids["keeper"] is not None)
    if shuts:
        await _shut(bay, struck_ns, was_open, " and ".join(whom), outcome)
    if "face" in whom:
        bay.screen.end()
        bay.screen = _Screen(folder / _BENCH, env)
    if "bench" in whom:
        await bay.process.wait()


async def _shut(bay: _Bench, struck_ns: int, was_open: bool, whom: str, outcome: Killed) -> None:
    """The valve is shut in time, and stays shut until a hand has armed the air."""
    fixture, due_ns = bay.fixture, struck_ns + _SHUT_WITHIN_MS * 1_000_000
    # A killed process that waits for its turn to die is alive, and its keeper does not know better.
    await asyncio.sleep((due_ns - time.monotonic_ns()) / 1e9)
    moves = [one for one in fixture.moves if one.t_ns > struck_ns]
    armed = [t_ns for t_ns in bay.armed_ns if t_ns > struck_ns]
    took_ms = (moves[-1].t_ns - struck_ns) / 1e6 if moves and not moves[-1].open else 0.0
    if fixture.valve_open and not armed:
        outcome.late.append(f"{whom}: the valve is still open")
    outcome.in_applies += was_open
    outcome.slowest_ms = max(outcome.slowest_ms, took_ms)
    await asyncio.sleep(0.3)
    opened = [one.t_ns for one in fixture.moves if one.open and one.t_ns > due_ns]
    if opened and not any(t_ns < opened[0] for t_ns in bay.armed_ns if t_ns > struck_ns):
        outcome.late.append(f"{whom}: the valve opened again, and nobody had armed the air")


async def kill_any(folder: Path, kills: int, seed: int) -> Killed:
    """Kill so many processes of one bench; return what came of it."""
    dice, outcome, told = random.Random(seed), Killed(), Told()
    (folder / _BENCH).mkdir()
    (folder / "sheet.toml").write_text(SHEET)
    fixture, indicator = simulated_ports(folder)
    with on_time(), subscribed(folder) as (broker, supervisor):
        env = environment(broker, folder, keep_acknowledged_s=1)
        async with fixture, indicator:
            while outcome.kills.total() < kills:
                async with _at_work(folder, broker, told, fixture) as bay:
                    while outcome.kills.total() < kills and bay.process.returncode is None:
                        await _strike(bay, dice, outcome, folder, env)
            if fixture.valve_open:
                outcome.late.append("in the end: the valve was left open")
        await _drain(folder / _BENCH, _BENCH, broker)
        outcome.counts = await _settled(outcome.kills.total(), {_BENCH: told}, folder, supervisor, 30)
    return outcome


def main() -> None:
    """Kill, count, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        outcome = asyncio.run(kill_any(Path(folder), options.kills, options.seed))
    sys.stdout.write(f"{outcome}\n" + "".join(f"  {one}\n" for one in outcome.wrong[:20]))
    raise SystemExit(1 if outcome.wrong else 0)


if __name__ == "__main__":
    main()
