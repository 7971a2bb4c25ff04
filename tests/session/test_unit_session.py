"""A unit from its first check to its sign-off by keys and scanner alone, on a real terminal over a simulated bench."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tty
from collections.abc import Callable
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from capture.custody.verify import verify
from capture.record import Store
from capture.session.steps_keys import torque_hint
from capture.sheet.steps import Torque
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.simulation.scenario import DEMO_BENCH, DEMO_CHECKS
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from capture.stock import StockRoom, load_stock
from capture.unit.facts import PartsChanged, SignedOff, StepBegun, StepDone
from tests.support.terminal import Terminal, until

ROOT = Path(__file__).resolve().parents[2]
LOOSE, LOW, TIGHT, HIGH, REVERSE = (check.physics for check in DEMO_CHECKS)
SPEED = 12.0


class Hand:
    """A technician at the keyboard and scanner of a terminal: looks at what a key did before pressing the next."""

    def __init__(self, terminal: Terminal) -> None:
        self.terminal = terminal

    async def sees(self, *texts: str) -> str:
        for text in texts:
            await asyncio.to_thread(self.terminal.wait_for, text)
        return await asyncio.to_thread(self.terminal.text)

    async def presses(self, key: str, sees: str) -> str:
        await asyncio.to_thread(self.terminal.keys, key)
        return await self.sees(sees)

    async def types(self, text: str) -> None:
        """Type letter by letter, each looked at."""
        for i, letter in enumerate(text):
            await asyncio.to_thread(self.terminal.keys, "Space" if letter == " " else letter)
            await self.sees(text[: i + 1].rstrip() + ("▏" if letter != " " else ""))
        await self.sees(f"{text}▏")

    async def scans(self, code: str, sees: str) -> str:
        """A scanner sends a whole code and Enter at once."""
        await asyncio.to_thread(self.terminal.tmux, "send-keys", "-l", code + "\r")
        return await self.sees(sees)


async def check(hand: Hand, fixture: PtyBench, physics: PackPhysics, until_seen: str) -> None:
    """Make strokes until the screen says so."""
    await fixture.run_check(physics, 6)
    for _ in range(4):
        if until_seen in await asyncio.to_thread(hand.terminal.text):
            return
        try:
            await asyncio.to_thread(until, lambda: until_seen in hand.terminal.text(), hand.terminal.text, 1.0)
        except AssertionError:
            await fixture.run_check(physics, 1, seated=True)
    await hand.sees(until_seen)


def simulated(tmp_path: Path) -> PtyBench:
    return PtyBench(SimulatedBench(DEMO_BENCH, LOOSE, 20), tmp_path / "port", speed=SPEED)


@contextmanager
def wrench(path: Path):  # type: ignore[no-untyped-def]
    """A torque wrench's cable: a function that sends a line over a pty."""
    master, slave = os.openpty()
    tty.setraw(slave)
    path.symlink_to(os.ttyname(slave))
    try:
        yield lambda line: os.write(master, line)
    finally:
        os.close(master)
        os.close(slave)


def arguments(tmp_path: Path, *more: str) -> list[str]:
    return [str(tmp_path / "port"), str(tmp_path / "data"), "--speed", str(SPEED), *more]


def stock(tmp_path: Path) -> Path:
    path = tmp_path / "data" / "stock.sqlite"
    path.parent.mkdir()
    with StockRoom.open(path) as room:
        room.import_file(load_stock(ROOT / "fixtures/stock/forestry-workshop.toml"), by="", at=datetime.now(UTC))
    return path


@pytest.mark.timeout(180)
async def test_a_unit_goes_from_its_first_check_to_the_sign_off_by_keys_and_scans_alone(tmp_path: Path) -> None:
    stock_path = stock(tmp_path)
    async with simulated(tmp_path) as fixture:
        with Terminal(80, 24) as terminal, wrench(tmp_path / "wrench") as pull:
            await first_day(tmp_path, Hand(terminal), fixture)
            with StockRoom.open(stock_path) as room:
                (kept,) = room.holdings().reservations
            assert (kept.thickness_text, kept.place.pack, kept.place.unit) == ("2.80 mm", "high", "FW3-0209")
            await second_day(tmp_path, Hand(terminal), pull)
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        job = store.job(1)
    facts = [entry.fact for entry in job.facts]
    changes = [fact for fact in facts if isinstance(fact, PartsChanged)]
    assert [(one.pack, one.by, one.changes[0].before, one.changes[0].after) for one in changes] == [
        ("low", "Ana", 2, 3),
        ("high", "Ana", 3_000_000, 2_800_000),
    ]
    assert all(one.predicted_nm is not None for one in changes)
    assert [fact.step for fact in facts if isinstance(fact, StepBegun)] == []
    done = {fact.step: fact for fact in facts if isinstance(fact, StepDone)}
    assert done[0].lasted_ns == 35 * 60 * 10**9
    assert (done[2].torque_unm, done[3].torque_unm) == (20_400_000, 45_900_000)
    assert "wrench at" in done[3].note
    signed = facts[-1]
    assert isinstance(signed, SignedOff) and (signed.by, signed.why) == ("Berit", "a trial")
    assert [one.code for one in signed.acknowledged or ()] == ["not_measured"]  # it came from a pseudo-terminal
    verdicts = [(one.pack, one.verdict.verdict.verdict) for one in job.checks if one.verdict is not None]
    assert verdicts == [("low", "loose"), ("low", "good"), ("high", "tight"), ("high", "good"), ("reverse", "good")]
    proof = verify(tmp_path / "data" / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 5)
    with StockRoom.open(stock_path) as room:
        held = room.holdings()
    # A demonstration releases no unit and consumes nothing: the ring stays kept for this one.
    assert held.reservations == (kept,) and held.bins[0].shelf == 4


async def first_day(tmp_path: Path, hand: Hand, fixture: PtyBench) -> None:
    """All three packs to good, one shim and one ring changed; the cable is pulled in the middle of it."""
    terminal = hand.terminal
    terminal.run("tests.support.hand_session", *arguments(tmp_path))
    await hand.sees("CAUTION")
    await hand.presses("Space", "Seat the pack")
    await hand.scans("step:9", "no step '9'; the sheet has steps 1 to 4")
    await hand.presses("c", "A check is running")
    await fixture.run_check(LOOSE, 3)
    await hand.sees("2 of 5 count")
    fixture.unplug()
    await hand.sees("indicator down")
    fixture.replug()
    await hand.sees("indicator up")
    await hand.scans("pack:high", "A scan never ends a check. Press 2")
    await hand.presses("2", "Press 2 again")
    refused = await asyncio.to_thread(
        subprocess.run,
        [sys.executable, "-m", "tests.support.hand_session", *arguments(tmp_path)],
        capture_output=True, text=True, cwd=ROOT, timeout=90,
    )  # fmt: skip
    assert refused.returncode != 0 and "is being measured already" in refused.stderr
    await check(hand, fixture, LOOSE, "Add 1 backing shim")
    # What is no key does nothing.
    await hand.presses("z", "Add 1 backing shim")
    await hand.presses("c", "1 was done")
    await hand.scans("hello world", "'hello world' is no code")
    await hand.presses("9", "1 was done")
    await hand.presses("1", "Was this done? Add 1 backing shim")
    await hand.presses("Enter", "by is missing")
    await hand.types("Xy")
    await hand.scans("tech:Ana", "Ana▏")
    await hand.presses("Enter", "re-check needed")
    assert "re-check needed" in await hand.sees("by Ana")
    await hand.presses("c", "re-check needed: low")
    await hand.presses("Escape", "STROKES")
    await hand.scans("pack:low", "Seat the pack")
    await check(hand, fixture, LOW, "came out as predicted")
    await hand.presses("Enter", "Seat the pack")
    await check(hand, fixture, TIGHT, "Change the snap ring from 3.00 mm to 2.80 mm")
    assert "snap ring 2.80 mm: 4 left" in " ".join((await hand.sees("CHANGE")).split())
    await hand.scans("part:high/snap ring/3.30 mm", "no snap ring of 3.30 mm")
    await hand.scans("part:high/snap ring/3.00 mm", "that is what high has")
    await hand.presses("Escape", "STROKES")
    await hand.scans("PART/HIGH/SNAP RING/2.80 MM", "Was this done? high: change the snap ring")
    await hand.presses("Enter", "re-check needed")
    await hand.presses("Enter", "Seat the pack")
    await check(hand, fixture, HIGH, "came out as predicted")
    await hand.presses("Enter", "Seat the pack")
    await check(hand, fixture, REVERSE, "Now the steps (s)")
    await hand.presses("q", "Press q again if that is meant: it ends the session before the sign-off.")
    await hand.presses("q", "Not signed off. Go on: strokelog run --resume 1")
    await asyncio.to_thread(terminal.wait_for_shell)


async def second_day(tmp_path: Path, hand: Hand, pull: Callable[[bytes], int]) -> None:
    """The steps and the sign-off, in a session that goes on with the job."""
    terminal = hand.terminal
    terminal.run(
        "tests.support.hand_session", *arguments(tmp_path, "--resume", "1", "--wrench", str(tmp_path / "wrench"))
    )
    await hand.sees("CAUTION")
    shown = await hand.presses("Space", "3 of 3 good")
    assert "Now the steps (s)" in shown
    await hand.presses("u", "4 items open")
    await hand.presses("Enter", "4 items open")
    await hand.scans("step:1", "Step 1: soak friction plates")
    await hand.types("12")
    assert "is missing" not in await hand.presses("Enter", "▸ by")
    await hand.scans("tech:Ana", "Ana▏")
    await hand.presses("Enter", "lasted 12 min of at least 30 min")
    await hand.presses("Up", "12▏")
    for left in ("1", ""):
        await hand.presses("BSpace", f"{left}▏")
    await hand.types("35 min")
    await hand.presses("Enter", "lasted 35 min")
    await hand.presses("Enter", "Step 2: clean passages")
    await hand.presses("Enter", "2 of 4 done")
    await hand.presses("4", "▸ 4")
    await hand.presses("Enter", "Step 4: housing bolts")
    await hand.types("46 N m")
    await hand.presses("Enter", "do that pass first")
    await hand.presses("Escape", "2 of 4 done")
    await hand.presses("3", "▸ 3")
    await hand.presses("Enter", "the wrench at")
    await hand.types("20.4 N m")
    await hand.presses("Enter", "3 of 4 done")
    await hand.presses("Enter", "Step 4: housing bolts")
    for torque in (b"TQ +31 N m\r\n", b"TQ +45.9 N m\r\n"):
        # A wrench says its peak when the bolt is let go; the form is open before the port is.
        await sent(hand, pull, torque)
    await hand.presses("Enter", "4 of 4 done")
    shown = await hand.presses("u", "1 to acknowledge")
    assert "not measured on a unit" in " ".join(shown.split())
    await hand.presses("Enter", "Sign off unit FW3-0209, knowing this:")
    await hand.types("a trial")
    await hand.scans("tech:Berit", "Berit works from now on")
    await hand.presses("Enter", "Signed off as a demonstration")
    await hand.presses("Escape", "which releases no unit, by Berit")
    await hand.presses("1", "more work on the unit is a new job")
    await hand.presses("q", "Signed off as a demonstration, which releases no unit, by Berit.")
    await asyncio.to_thread(terminal.wait_for_shell)
    assert terminal.format("#{alternate_on}") == "0"


async def sent(hand: Hand, pull: Callable[[bytes], int], torque: bytes) -> None:
    """Pull until the screen has it: what a wrench sends before its port is open is lost."""
    value = torque.split()[1].decode().lstrip("+")
    for _ in range(10):
        pull(torque)
        try:
            await asyncio.to_thread(until, lambda: value in hand.terminal.text(), hand.terminal.text, 2.0)
        except AssertionError:
            continue
        return
    await hand.sees(value)


@pytest.mark.parametrize(
    ("step", "said"),
    [
        ({"value": "41 lbf ft"}, "in lbf ft, as read at the wrench (asked for: 41 lbf ft)"),
        ({"value": "12 N m", "bolts": 6}, "6 bolts: one for all, or 6 with blanks or Enter between"),
        ({"bolts": 6}, "with its unit, as read at the wrench; 6 bolts: one for all, or 6 with blanks or Enter between"),
    ],
)
def test_a_torque_is_asked_for_in_the_steps_own_figure_and_in_no_other(step: dict[str, object], said: str) -> None:
    hint = torque_hint(Torque.model_validate({"kind": "torque", **step}))
    assert hint.endswith(said)
