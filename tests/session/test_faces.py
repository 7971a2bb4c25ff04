"""Screens come, go and hang; the bench measures on. Real terminals, real kills, a bench in software behind a pty."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import pytest

from capture.custody.verify import verify
from capture.record import Store
from capture.simulation.pty_bench import PtyBench
from capture.unit.facts import PartsChanged, SignedOff, StepDone
from tests.session.test_unit_session import LOOSE, LOW, ROOT, Hand, arguments, check, simulated
from tests.support.terminal import Terminal, until

ONE_PACK = """
[sheet]
name = "Harvester winch drive"
revision = "trial 1"
source = "Invented for a test; take real limits from the manufacturer's service literature"

[[packs]]
name = "low"
range = ["0.90 mm", "1.30 mm"]
preferred = "1.10 mm"
strokes = 5
seat_strokes = 1
measure = "held"

[[packs.adjusters]]
kind = "shim"
name = "backing shim"
thickness = "0.25 mm"
fitted = 2
min = 0
max = 5
more = "closes"

[[steps]]
name = "housing bolts"
kind = "torque"
value = "20 N m"
tolerance = "2 N m"
"""


def measuring(tmp_path: Path) -> int:
    """The process that measures, as its lock names it."""
    return int((tmp_path / "data" / "bay-4.lock").read_text())


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


async def reached(condition, what) -> None:  # type: ignore[no-untyped-def]
    await asyncio.to_thread(until, condition, what)


@asynccontextmanager
async def bench(tmp_path: Path) -> AsyncIterator[PtyBench]:
    """A bench in software; the process that measures at it is ended with it."""
    async with simulated(tmp_path) as fixture:
        try:
            yield fixture
        finally:
            pid = measuring(tmp_path) if (tmp_path / "data" / "bay-4.lock").exists() else 0
            if pid and runs(pid):
                os.kill(pid, signal.SIGTERM)
                await reached(lambda: not runs(pid), lambda: (tmp_path / "data" / "measuring.log").read_text())


def show(terminal: Terminal, tmp_path: Path, *words: str) -> None:
    """What a technician types to see the bench."""
    terminal.run("capture.cli", "run", "--bench", "bay-4", "--data-dir", str(tmp_path / "data"), *words)


def strokes(tmp_path: Path) -> int:
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        return sum(len(one.strokes) for one in store.job(1).checks)


async def begun(hand: Hand, tmp_path: Path) -> None:
    hand.terminal.run("tests.support.hand_session", *arguments(tmp_path))
    await hand.sees("CAUTION")
    await hand.presses("Space", "Seat the pack")
    # What is pressed next must find the bench seeing its readings.
    await hand.sees("at rest")


@pytest.mark.timeout(150)
async def test_a_closed_terminal_leaves_the_bench_measuring_and_another_takes_its_place(tmp_path: Path) -> None:
    async with bench(tmp_path) as fixture:
        with Terminal(80, 24) as first:
            await begun(Hand(first), tmp_path)
            await fixture.run_check(LOW, 3)
            await Hand(first).sees("2 of 5 count")
            pid = measuring(tmp_path)
        assert runs(pid)
        await fixture.run_check(LOW, 1, seated=True)
        with Terminal(80, 24) as second, Terminal(100, 30) as third:
            ana, berit = Hand(second), Hand(third)
            show(second, tmp_path, "--tech", "Ana")
            await ana.sees("CAUTION")
            shown = await ana.presses("Space", "3 of 5 count")
            assert "tech Ana" in shown
            show(third, tmp_path)
            await berit.sees("CAUTION")
            shown = await berit.presses("Space", "has the keys.")
            assert "k ask for them   q leave" in shown
            await berit.presses("q", "Bench bay-4 measures on, in process")
            show(third, tmp_path, "--look")
            await berit.sees("3 of 5 count", "has the keys.")
            await berit.presses("k", "is asked for the keys.")
            await ana.sees("KEYS", "asks for the keys: k gives them")
            await ana.presses("k", "k ask for them   q leave")
            await berit.sees("has the keys now.")
            await check(berit, fixture, LOW, "In range; nothing to change")
            await ana.sees("In range; nothing to change")  # all see the same
            await berit.presses("q", "d leaves this")
            await berit.presses("d", f"Bench bay-4 measures on, in process {pid}")
            await asyncio.to_thread(third.wait_for_shell)
            assert third.format("#{alternate_on}") == "0"
            await ana.sees("Nobody has the keys.")
            await ana.presses("k", "Enter next pack")
            await ana.presses("q", "Press q again")
            await ana.presses("q", "Not signed off. Go on: strokelog run --resume 1")
            await reached(lambda: not runs(pid), second.text)
    proof = verify(tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 1)
    assert strokes(tmp_path) >= 6


@pytest.mark.timeout(120)
@pytest.mark.parametrize("how", ["held up by its terminal", "stopped"])
async def test_a_screen_that_hangs_holds_nothing_else_up(tmp_path: Path, how: str) -> None:
    async with bench(tmp_path) as fixture:
        with Terminal(80, 24) as terminal:
            hand = Hand(terminal)
            terminal.keys("set +m", "Enter")  # a shell that controls its jobs would take the terminal back
            await begun(hand, tmp_path)
            pid = measuring(tmp_path)
            (face,) = terminal.children()
            if how == "stopped":
                os.kill(face, signal.SIGSTOP)
            else:
                terminal.keys("C-s")
            await fixture.run_check(LOW, 4)
            await reached(lambda: strokes(tmp_path) == 4, lambda: str(strokes(tmp_path)))
            if how == "stopped":
                os.kill(face, signal.SIGCONT)
            else:
                assert "3 of 5 count" not in terminal.text()
                os.kill(pid, signal.SIGTERM)
                await reached(lambda: not runs(pid), terminal.text)
                terminal.keys("C-q")
                await hand.sees("Not signed off. Go on: strokelog run --resume 1")
                await asyncio.to_thread(terminal.wait_for_shell)
                return
            await hand.sees("3 of 5 count")
            await hand.presses("r", "Press r again")  # and it has its keys again


@pytest.mark.timeout(120)
async def test_a_killed_bench_is_said_to_be_one_and_a_key_begins_where_it_was(tmp_path: Path) -> None:
    async with bench(tmp_path) as fixture:
        with Terminal(80, 24) as terminal, Terminal(80, 24) as other:
            hand = Hand(terminal)
            await begun(hand, tmp_path)
            show(other, tmp_path, "--look")
            await Hand(other).sees("Seat the pack")
            await fixture.run_check(LOW, 3)
            await hand.sees("2 of 5 count")
            os.kill(measuring(tmp_path), signal.SIGKILL)
            await hand.sees("THE BENCH DOES NOT MEASURE", "Enter starts it again")
            shown = await Hand(other).sees("THE BENCH DOES NOT MEASURE")
            assert "Enter starts it again" not in shown and "1.1" not in shown  # nothing old stands there as if new
            await hand.presses("Enter", "CAUTION")
            await hand.presses("Space", "unit FW3-0209")
            await Hand(other).sees("unit FW3-0209")  # it is shown again by itself
            await hand.presses("1", "Seat the pack")
            await check(hand, fixture, LOW, "In range; nothing to change")
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        job = store.job(1)
    assert [check.state for check in job.checks] == ["abandoned", "done"]
    assert len(job.checks[0].strokes) >= 3


@contextmanager
def service(tmp_path: Path, sheet: Path) -> Iterator[subprocess.Popen[bytes]]:
    environment = {name: value for name, value in os.environ.items() if name != "XDG_RUNTIME_DIR"}
    command = [sys.executable, "-m", "tests.support.hand_session", *arguments(tmp_path), "--service"]
    process = subprocess.Popen([*command, "--sheet", str(sheet)], stdout=subprocess.DEVNULL, cwd=ROOT, env=environment)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(20)


@pytest.mark.timeout(150)
async def test_a_service_bench_takes_a_unit_from_its_serial_to_its_sign_off(tmp_path: Path) -> None:
    sheet = tmp_path / "winch.toml"
    sheet.write_text(ONE_PACK)
    async with simulated(tmp_path) as fixture:
        with service(tmp_path, sheet) as process, Terminal(80, 24) as terminal:
            hand = Hand(terminal)
            await reached(lambda: (tmp_path / "data" / "bay-4.lock").exists(), lambda: "no lock yet")
            await reached(lambda: any((tmp_path / "data").glob("*.sock")), lambda: "no socket yet")
            show(terminal, tmp_path, "--unit", "WD2-0031", "--tech", "Ana")
            await hand.sees("CAUTION")
            shown = await hand.presses("Space", "unit WD2-0031")
            assert "tech Ana" in shown
            await hand.presses("Enter", "Seat the pack")
            await check(hand, fixture, LOOSE, "Add 1 backing shim")
            await hand.presses("c", "1 was done")
            await hand.presses("1", "Was this done? Add 1 backing shim")
            await hand.presses("Enter", "Check low again")
            await hand.presses("Enter", "Seat the pack")
            await check(hand, fixture, LOW, "Now the steps (s)")
            await hand.presses("s", "housing bolts")
            await hand.presses("Enter", "torque reached")
            await hand.types("20.4 N m")
            # A form half filled in outlives its screen.
            face = terminal.children()[0]
            os.kill(face, signal.SIGKILL)
            await asyncio.to_thread(terminal.wait_for_shell)
            terminal.keys("stty sane; clear", "Enter")
            show(terminal, tmp_path)
            await hand.sees("CAUTION")
            await hand.presses("Space", "20.4 N m")
            await hand.presses("Enter", "1 of 1 done")
            await hand.presses("u", "to acknowledge")
            await hand.presses("Enter", "Sign off unit WD2-0031")
            await hand.types("quite")
            await hand.presses("C-c", "to acknowledge")  # leads out of the form, and is no letter in it
            await hand.presses("C-c", "u sign-off")  # and out of the screen
            await hand.presses("u", "to acknowledge")
            await hand.presses("Enter", "Sign off unit WD2-0031")
            await hand.types("a trial")
            await hand.presses("Enter", "Signed off as a demonstration")
            await hand.presses("Escape", "which releases no unit, by Ana")
            await hand.presses("q", "CAUTION")  # the bench is ready for the next unit
            await hand.presses("q", "Bench bay-4 measures on, in process")
            assert process.poll() is None
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        job = store.job(1)
    assert (job.unit_serial, job.closed_at is not None) == ("WD2-0031", True)
    facts = [entry.fact for entry in job.facts]
    assert [type(fact) for fact in facts] == [PartsChanged, StepDone, SignedOff]
    verdicts = [one.verdict.verdict.verdict for one in job.checks if one.verdict is not None]
    assert verdicts == ["loose", "good"]


async def test_looking_where_nothing_measures_says_how_to_begin(tmp_path: Path) -> None:
    with Terminal(80, 24) as terminal:
        show(terminal, tmp_path, "--look")
        await Hand(terminal).sees("nothing measures at bench 'bay-4' now; begin with")
