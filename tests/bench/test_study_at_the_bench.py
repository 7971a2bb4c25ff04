"""A study worked off by key: y says which pack and that the indicator is set up anew, y again measures it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from capture.clearance.gauge.facts import StudyKept, StudyMeasured, StudyPlanned
from capture.clearance.gauge.standing import study_of
from capture.clearance.gauge.study import plan
from capture.custody.verify import verify
from capture.plumbing.terminal.scanner import Key
from capture.record import Store
from tests.bench.test_gauge_at_the_bench import morning, screen
from tests.bench.test_live import GOOD

PLAN = StudyPlanned("DI-0413", ("low", "FW3-0042/high"), ("first shift", "second shift"), 2, 3, "foreman")


def planned(home: Path, left: int) -> list[str]:
    """Keep a plan of which the first shift has so many items left, and all others are measured; return those left."""
    (home / "data").mkdir()
    cells = plan(PLAN.parts, PLAN.operators, PLAN.trials, PLAN.seed)
    mine = [cell for cell in cells if cell.operator == "first shift"][-left:]
    with Store.open(home / "data" / "record.sqlite") as store:
        number = store.add_gauge_fact(PLAN, at=datetime.now(UTC))
        for place, cell in enumerate(cells):
            if cell not in mine:
                fact = StudyMeasured("DI-0413", number, cell.part, cell.operator, cell.trial, 1,
                                     1_098_000 + 1_000 * (place % 5), 800.0, cell.operator)  # fmt: skip
                store.add_gauge_fact(fact, at=datetime.now(UTC))
    return [cell.part for cell in mine]


async def test_the_last_item_of_a_study_is_measured_and_the_study_is_kept(tmp_path: Path) -> None:
    (part,) = planned(tmp_path, 1)
    async with morning(tmp_path, masters=False) as (controls, bench, fixture):
        assert "y study, 1 left" in screen(controls)
        await controls.take(Key("y"))
        asked = controls.question
        assert asked is not None and f"Study, 8 of 8: {part} by first shift, time" in asked.text
        assert "set it up anew" in asked.text and bench.state.running is None
        await controls.take(Key("escape"))
        assert controls.question is None and bench.state.running is None
        await controls.take(Key("y"))
        await controls.take(Key("y"))
        assert bench.state.running is not None and bench.state.running.pack.name == part.rpartition("/")[2]
        await controls.take(Key("y"))
        assert "end its check first" in controls.said
        while not bench.finished.is_set():
            await fixture.run_check(GOOD, 1, seated=bool(bench.state.strokes))
        assert bench.state.study is None and "y study" not in screen(controls)
        await controls.take(Key("y"))
        assert "No study is planned with this gauge, or it is worked off" in controls.said
    record = tmp_path / "data" / "record.sqlite"
    with Store.open(record) as store:
        (check,), entries = store.job(1).checks, store.gauge_facts()
    assert check.verdict is not None and isinstance(item := entries[-2].fact, StudyMeasured)
    assert (item.check, item.value_nm) == (check.id, check.verdict.verdict.mean_nm) and item.within_nm > 0
    kept = study_of(entries, "DI-0413")
    assert kept is not None and isinstance(kept.fact, StudyKept) and len(kept.fact.rows) == 8
    assert verify(record).mismatch is None


async def test_y_says_who_has_something_left_where(tmp_path: Path) -> None:
    planned(tmp_path, 4)
    async with morning(tmp_path, masters=False) as (controls, bench, _):
        bench.name_unit("FW3-0001")
        await controls.take(Key("y"))
        assert controls.question is not None and ": low by first shift" in controls.question.text
        bench.name_technician("third shift")
        await controls.take(Key("escape"))
        await controls.take(Key("y"))
        assert "Nothing of the study is left for third shift here." in controls.said
        assert "first shift on unit FW3-0042: 2" in controls.said
