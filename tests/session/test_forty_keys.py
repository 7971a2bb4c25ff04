"""How many keys a unit takes: two packs, a change in each, a soak, two torque passes, and the sign-off."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from capture.plumbing.terminal.scanner import Key
from capture.record import Store
from capture.session.conduct import by_hand
from capture.session.daemon import Way, run_daemon
from capture.session.faces.hall import Hall
from capture.session.session import Session
from capture.session.units_keys import NextUnit
from capture.sheet.sheet import parse_sheet
from capture.simulation.physics import PackPhysics
from capture.simulation.pty_bench import PtyBench
from capture.simulation.scenario import DEMO_BENCH, DEMO_CHECKS
from capture.simulation.simulated_bench import SimulatedBench
from capture.unit.facts import PartsChanged, SignedOff, StepDone
from tests.bench.test_live import SHEET, SPEED, setup_for
from tests.support.broker import until

LOOSE, LOW, TIGHT, HIGH, _ = (check.physics for check in DEMO_CHECKS)
MOST_KEYS = 40
STEPS = """
[[steps]]
kind = "soak"
name = "friction plates"
minimum = "30 min"

[[steps]]
kind = "torque"
name = "housing bolts"
bolts = 8
passes = ["20 N m", "46 N m"]
tolerance = "5 %"
"""


class Hand:
    """A technician at the keyboard who counts the keys."""

    def __init__(self, session: Session, fixture: PtyBench) -> None:
        self.session, self.fixture = session, fixture
        self.count = 0

    async def presses(self, *keys: str) -> None:
        """Press keys; a text is typed letter by letter."""
        for key in keys:
            for one in ["\r"] if key == "Enter" else key:
                self.count += 1
                await self.session.take(Key(one))

    async def measures(self, pack: str, physics: PackPhysics, verdict: str) -> None:
        """Make strokes until the verdict stands."""
        bench = self.session.bench
        await until(lambda: bench.state.running is not None and bench.state.running.pack.name == pack)
        await self.fixture.run_check(physics, 6)
        for _ in range(6):
            try:
                await until(bench.finished.is_set, 2)
                break
            except AssertionError:
                await self.fixture.run_check(physics, 1, seated=True)
        assert bench.unit is not None and bench.unit.now.verdicts[pack].verdict == verdict


@pytest.mark.timeout(180)
async def test_a_whole_unit_takes_at_most_forty_keys(tmp_path: Path) -> None:
    packs = SHEET.read_text().split('[[packs]]\nname = "reverse"')[0]
    sheet = parse_sheet(packs + STEPS, "sheet")
    setup = replace(setup_for(tmp_path), sheet=sheet, sheet_toml=packs + STEPS, technician="Ana")
    made: list[Session] = []

    def session(_: Hall, __: NextUnit | None) -> Session:
        made.append(Session(setup, lambda text: None, attended=True))
        return made[-1]

    async with PtyBench(SimulatedBench(DEMO_BENCH, LOOSE, 20), tmp_path / "port", speed=SPEED) as fixture:
        daemon = asyncio.create_task(run_daemon(session, Way(by_hand)))
        await until(lambda: bool(made) and made[0].bench.ready.is_set())
        hand = Hand(made[0], fixture)
        await hand.presses(" ")  # the cautions are read
        await hand.measures("low", LOOSE, "loose")
        await hand.presses("c", "1", "Enter", "Enter")  # what is advised was done; check it again
        await hand.measures("low", LOW, "good")
        await hand.presses("Enter")
        await hand.measures("high", TIGHT, "tight")
        await hand.presses("c", "1", "Enter", "Enter")
        await hand.measures("high", HIGH, "good")
        await hand.presses("s", "Enter", "35", "Enter")
        await hand.presses("Enter", "20", "Enter", "Enter")  # one torque for all eight
        await hand.presses("Enter", "46", "Enter", "Enter")
        # The simulated bench stands behind a pseudo-terminal, which a sign-off must acknowledge: one reason to type.
        await hand.presses("u", "Enter", "trial", "Enter")
        assert made[0].bench.view.signed_off, made[0].showing().page.note
        assert hand.count <= MOST_KEYS, f"{hand.count} keys"
        made[0].leave.set()
        await asyncio.wait_for(daemon, 20)
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        facts = [entry.fact for entry in store.job(1).facts]
    assert [type(fact) for fact in facts] == [PartsChanged, PartsChanged, StepDone, StepDone, StepDone, SignedOff]
