"""The view is worked out from the bench's state: drawing it, or scribbling on it, changes nothing of the bench."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from capture.bench.bench import Bench
from capture.dashboard.showing import draw
from capture.record import Store
from capture.session.bench_keys import Controls
from capture.unit.facts import Judged
from capture.unit.standing import unit_now
from tests.bench.test_live import ended, setup_for, simulated
from tests.support.samples import verdict


async def test_the_record_is_written_from_the_state_and_never_from_the_view(tmp_path: Path) -> None:
    async with simulated(tmp_path / "port"):
        bench = Bench(setup_for(tmp_path))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        scribbled = bench.view
        scribbled.unit_serial, scribbled.technician, scribbled.message = "OTHER", "nobody", "go home"
        scribbled.packs.clear()
        await bench.start_check(0)
        assert bench.view.unit_serial == "FW3-0042" and bench.view.message not in ("", "go home")
        assert [pack.state for pack in bench.view.packs] == ["measuring", "waiting", "waiting"]
        await ended(running)
    with Store.open(tmp_path / "data" / "record.sqlite") as store:
        assert (store.job(1).unit_serial, store.job(1).technician) == ("FW3-0042", "first shift")


async def test_drawing_changes_nothing(tmp_path: Path) -> None:
    bench = Bench(setup_for(tmp_path))
    controls = Controls(bench)
    before = bench.view
    first = draw(controls.showing(), 80, 24, False).text  # type: ignore[attr-defined]
    assert "q end" in first and bench.view == before and bench.view.keys == ""
    assert draw(controls.showing(), 80, 24, False).text == first  # type: ignore[attr-defined]


async def test_a_port_that_never_was_open_is_asked_about_and_one_that_was_is_waited_for(tmp_path: Path) -> None:
    bench = Bench(setup_for(tmp_path))
    bench.state.dial.lost("cannot open /dev/ttyUSB7: no such device")
    assert "is it the right one? `strokelog listen`" in bench.view.message
    bench.state.dial.opened(0)
    bench.state.dial.lost("cannot open /dev/ttyUSB7: no such device")
    assert bench.view.message.startswith("Release the air. Reconnect the indicator")


@pytest.mark.parametrize(("mean_mm", "asked"), [(30.48, True), (5.19, False)])
def test_a_travel_many_times_the_range_asks_for_unit_and_scale(tmp_path: Path, mean_mm: float, asked: bool) -> None:
    # 1.2 mm read as inches are 30.48 mm: 1 in = 25.4 mm exactly (NIST SP 811).
    bench = Bench(setup_for(tmp_path))
    state = bench.state
    found = verdict(verdict="loose", mean_nm=round(mean_mm * 1e6))
    state.pack, state.out_of_reach = 0, "No adjuster of the sheet reaches the range."
    state.unit = unit_now(state.setup.sheet, [], [Judged("low", 1, 2, found)])
    view = bench.view
    assert ("are unit and scale right?" in view.doubt) is asked
    if asked:
        assert "23 times the greatest that the sheet allows (1.300 mm)" in view.doubt
    # Where no part reaches the range, none is advised to be changed.
    assert "Change a part" not in view.then and view.then.startswith("Count the plates")
