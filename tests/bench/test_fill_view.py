"""The view is worked out from the bench's state: drawing it, or scribbling on it, changes nothing of the bench."""

from __future__ import annotations

import asyncio
from pathlib import Path

from capture.bench.bench import Bench
from capture.dashboard.showing import draw
from capture.record import Store
from capture.session.bench_keys import Controls
from tests.bench.test_live import ended, setup_for, simulated


async def test_the_record_is_written_from_the_state_and_never_from_the_view(tmp_path: Path) -> None:
    async with simulated(tmp_path / "port"):
        bench = Bench(setup_for(tmp_path))
        running = asyncio.create_task(bench.run())
        await bench.ready.wait()
        scribbled = bench.view
        scribbled.unit_serial, scribbled.technician, scribbled.message = "OTHER", "nobody", "go home"
        scribbled.packs.clear()
        await bench.start_check(0)
        assert bench.view.unit_serial == "FW3-0042" and bench.view.message.startswith("Seat the pack")
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
