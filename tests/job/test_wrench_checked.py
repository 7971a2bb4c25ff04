"""A torque of a wrench whose own check ran out, or found it out, is acknowledged at the sign-off."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from capture.clearance.gauge.facts import InstrumentChecked
from capture.custody.verify import verify
from capture.job.unit_on_record import UnitOnRecord
from capture.record import Store
from capture.sheet.steps import Torque
from capture.unit.facts import Override, StepDone
from tests.support.proven_record import open_job


def test_a_torque_of_a_wrench_whose_check_ran_out_is_acknowledged(tmp_path: Path) -> None:
    at = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
    for due, in_order, said in (
        ("2026-03-01", True, "Torque wrench TW-7, check overdue since 2026-03-01"),
        ("2026-03-02", False, "Torque wrench TW-7, off by -0.8 N m at its last check"),
        ("2026-03-02", True, ""),
    ):
        home = tmp_path / f"{due}-{in_order}"
        home.mkdir()
        with Store.open(home / "record.sqlite") as store:
            limit = 1.0 if in_order else 0.5
            checked = InstrumentChecked("TW-7", "torque wrench", "TT-1", "N m", ((50.0, 49.2),), limit, "foreman", due)
            store.add_gauge_fact(checked, at=at - timedelta(days=300))
            unit = UnitOnRecord(store, open_job(store, 0, at), wrench="TW-7")
            step = next(i for i, one in enumerate(unit.sheet.steps) if isinstance(one, Torque))
            for earlier in range(step):
                unit.add([Override(None, earlier, "foreman", "for the test's sake")], at=at)
            torque = unit.sheet.steps[step]
            assert isinstance(torque, Torque)
            (written,) = unit.add([StepDone(step, "Ana", torque_unm=torque.value_unm)], at=at)
            assert isinstance(written.fact, StepDone) and written.fact.wrench == said
            told = [one.text for one in unit.now.standing.remarks if one.code == "wrench_overdue"]
            assert told == ([f"{said}, when step {step + 1} was tightened: torque not assured."] if said else [])
        assert verify(home / "record.sqlite").mismatch is None
