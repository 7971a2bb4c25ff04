"""A morning at the bench: g leads through the check, Enter signs it, and the next verdict rests on it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from capture.bench.bench import Bench
from capture.clearance.gauge.facts import GaugeChecked, MastersListed
from capture.clearance.gauge.masters import load_masters
from capture.custody.verify import verify
from capture.dashboard.showing import decoded, draw, encoded
from capture.plumbing.terminal.scanner import Key
from capture.record import Store
from capture.session.bench_keys import Controls
from capture.simulation.physics import PackPhysics
from capture.unit.gauge_identity import Gauge
from tests.bench.test_live import GOOD, ended, setup_for, simulated
from tests.support.broker import until
from tests.support.gauge_mornings import list_masters
from tests.support.master_recording import MASTERS

FIRST, SECOND = PackPhysics(clearance_nm=1_000_120), PackPhysics(clearance_nm=1_999_900)


@asynccontextmanager
async def morning(tmp_path: Path, masters: bool = True) -> AsyncIterator[tuple[Controls, Bench, Any]]:
    (tmp_path / "data").mkdir(exist_ok=True)
    if masters:
        with Store.open(tmp_path / "data" / "record.sqlite") as store:
            list_masters(store, tmp_path, datetime.now(UTC) - timedelta(days=9))
    async with simulated(tmp_path / "port") as fixture:
        bench = Bench(replace(setup_for(tmp_path), gauge=Gauge("DI-0413", date(2099, 1, 1))))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        yield Controls(bench), bench, fixture
        await ended(running)


def screen(controls: Controls) -> str:
    """What a face elsewhere draws of it."""
    text = draw(decoded(encoded(controls.showing())), 90, 30, False).text
    return " ".join(text.split())


async def slide(fixture: Any, bench: Bench, master: PackPhysics, asked: str) -> None:
    """Slide a master in and out as long as the bench asks for it in these words."""
    while (made := bench.gauge.check) is not None and asked in made.guided.next_step:
        await fixture.run_check(master, 1, seated=True)


async def test_a_minute_in_the_morning_stands_behind_the_day_s_verdicts(tmp_path: Path) -> None:
    async with morning(tmp_path) as (controls, bench, fixture):
        assert "g gauge" in screen(controls)
        assert bench.state.gauge is not None and bench.state.gauge.word == "not checked"
        await controls.take(Key("g"))
        assert "GAUGE DI-0413" in screen(controls)
        assert "slide the 1.000 mm gauge block GB-1 under it" in screen(controls)
        await slide(fixture, bench, FIRST, "Tip on the anvil")
        assert "Slide the 1.000 mm gauge block GB-1 in and out, 2 times more." in screen(controls)
        await slide(fixture, bench, FIRST, "GB-1")
        assert "2.000 mm gauge block GB-2" in screen(controls)
        await controls.take(Key("\r"))  # nothing to sign yet
        await slide(fixture, bench, SECOND, "GB-2")
        await until(lambda: bench.gauge.check is not None and bench.gauge.check.fact is not None)
        assert "Enter signs it" in screen(controls) and "reads" in screen(controls)
        await controls.take(Key("escape"))
        assert bench.gauge.check is not None  # what was measured is kept
        await controls.take(Key("\r"))
        assert bench.gauge.check is None and controls.said.startswith("Entry 2: Gauge DI-0413: reads")
        assert bench.state.gauge.error is not None
        await bench.start_check(0)
        while not bench.finished.is_set():
            await fixture.run_check(GOOD, 1, seated=bool(bench.state.strokes))
            if len(bench.state.strokes) == 1:  # which g would end
                await controls.take(Key("g"))
                assert bench.gauge.check is None and "Press g again if that is meant" in screen(controls)
    record = tmp_path / "data" / "record.sqlite"
    with Store.open(record) as store:
        (check,), fact = store.job(1).checks, store.gauge_facts()[-1].fact
    assert isinstance(fact, GaugeChecked) and fact.by == "first shift" and fact.check.masters[0].repeats == 3
    assert check.verdict is not None
    assert {"master", "check's resolution"} <= {line.source for line in check.verdict.verdict.budget}
    proof = verify(record)
    assert proof.mismatch is None and proof.gauge_checks == 1


MORE = "".join(
    f'\n[[masters]]\nserial = "GB-{n}"\nkind = "gauge block"\nvalue = "{n}.0 mm"\n'
    f'expanded_uncertainty = "0.0005 mm"\ncertificate = "C-17"\ndue = 2099-05-01\n'
    for n in (3, 4, 5)
)


async def test_once_a_month_all_masters_are_slid_under_up_and_down(tmp_path: Path) -> None:
    async with morning(tmp_path) as (controls, bench, fixture):
        await controls.take(Key("g"))
        assert "over the range" not in screen(controls)  # two masters say nothing of it
        await controls.take(Key("escape"))
        with Store.open(tmp_path / "data" / "record.sqlite") as store:
            (tmp_path / "more.toml").write_text(MASTERS + MORE)
            listed = MastersListed(tuple(load_masters(tmp_path / "more.toml")), "foreman")
            store.add_gauge_fact(listed, at=datetime.now(UTC))
        await controls.take(Key("g"))
        assert "l over the range" in screen(controls)
        await controls.take(Key("l"))
        assert bench.gauge.check is not None and len(bench.gauge.check.guided.masters) == 5
        await slide(fixture, bench, FIRST, "Tip on the anvil")
        assert "Slide the 2.000 mm gauge block GB-2 in and out (2 of 30)." in screen(controls)
        await controls.take(Key("l"))  # it has begun
        assert bench.gauge.check.guided.strokes and "l over the range" not in screen(controls)
        await controls.take(Key("escape"))
    assert verify(tmp_path / "data" / "record.sqlite").mismatch is None


async def test_a_check_that_is_broken_off_leaves_nothing(tmp_path: Path) -> None:
    async with morning(tmp_path) as (controls, bench, fixture):
        await bench.start_check(0)  # as a session begins with the first pack
        assert "g gauge" in screen(controls)
        await controls.take(Key("g"))
        assert bench.state.running is None and bench.gauge.check is not None
        await slide(fixture, bench, FIRST, "Tip on the anvil")
        await controls.take(Key("escape"))
        assert bench.gauge.check is None and "NEXT" not in screen(controls).partition("g gauge")[2]
    assert not list((tmp_path / "data" / "recordings" / "gauges").glob("*.jsonl"))
    assert verify(tmp_path / "data" / "record.sqlite").mismatch is None


async def test_without_masters_the_bench_says_what_to_do_and_works_as_ever(tmp_path: Path) -> None:
    async with morning(tmp_path, masters=False) as (controls, bench, fixture):
        await controls.take(Key("g"))
        assert bench.gauge.check is None and "`strokelog gauge masters FILE` lists them" in controls.said
        await bench.start_check(0)
        while not bench.finished.is_set():
            await fixture.run_check(GOOD, 1, seated=bool(bench.state.strokes))
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        (check,) = store.job(1).checks
    assert check.verdict is not None
    (line,) = [one for one in check.verdict.verdict.budget if one.source == "maximum error"]
    assert line.basis.endswith("not checked against a master")
