"""A study that is worked off over days: in a random order, each technician his own, on the unit that is there."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from capture.clearance.gauge.facts import (
    GaugeEntry,
    GaugeFact,
    StudyKept,
    StudyMeasured,
    StudyPlanned,
    body_of,
    gauge_fact_of,
    kind_of,
)
from capture.clearance.gauge.study import Cell, StudyError
from capture.clearance.gauge.study_at_bench import OpenStudy, open_study, pack_of, unit_of

AT = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
PLAN = StudyPlanned("DI-0413", ("TR-7/C1", "TR-7/C2", "TR-8/C1"), ("Ana", "Bo"), 2, 5, "foreman")


def measured(cell: Cell, plan: int = 1, value_nm: int = 1_000_000) -> StudyMeasured:
    return StudyMeasured("DI-0413", plan, cell.part, cell.operator, cell.trial, 1, value_nm, 900.0, cell.operator)


def kept(*facts: GaugeFact) -> list[GaugeEntry]:
    return [GaugeEntry(n, f"{n:064x}", AT + timedelta(hours=n), fact) for n, fact in enumerate(facts, 1)]


def study(facts: Sequence[GaugeFact]) -> OpenStudy:
    found = open_study(kept(*facts), "DI-0413")
    assert found is not None
    return found


def test_everything_is_left_of_a_study_that_was_only_planned() -> None:
    found = study([PLAN])
    assert len(found.left) == len(set(found.cells)) == 3 * 2 * 2
    assert [cell.trial for cell in found.cells] != sorted(cell.trial for cell in found.cells)  # in random order
    assert open_study(kept(PLAN), "DI-7") is None


def test_a_technician_is_led_through_his_own_part_on_the_unit_that_is_there() -> None:
    facts: list[GaugeFact] = [PLAN]
    seen = []
    while (cell := study(facts).next_for("Ana", "TR-7")) is not None:
        seen.append(cell)
        facts.append(measured(cell))
    assert {(cell.operator, unit_of(cell.part)) for cell in seen} == {("Ana", "TR-7")} and len(seen) == 4
    order = study([PLAN]).cells
    assert seen == sorted(seen, key=order.index)
    assert "Ana on unit TR-8: 2" in study(facts).left_words() and "Bo on unit TR-7: 4" in study(facts).left_words()
    assert study(facts).next_for("Cy", "TR-7") is None and pack_of(seen[0].part) in ("C1", "C2")


def test_a_study_that_is_worked_off_is_open_no_longer_and_is_analysed() -> None:
    rng = np.random.default_rng(4)
    facts: list[GaugeFact] = [PLAN]
    for cell in study(facts).cells[:-1]:
        facts.append(measured(cell, value_nm=round(rng.normal(1_000_000, 2_000))))
    last = study(facts)
    with pytest.raises(StudyError):
        last.kept()
    done = [*facts, measured(last.left[0])]
    assert open_study(kept(*done), "DI-0413") is None
    whole = OpenStudy(1, PLAN, tuple(one for one in done if isinstance(one, StudyMeasured)))
    assert whole.kept().grr_nm > 0 and whole.kept().within_nm == pytest.approx(900.0) and not whole.kept().of_pairs


def test_a_plan_made_anew_begins_anew() -> None:
    begun = [PLAN, measured(study([PLAN]).cells[0])]
    assert len(study(begun).left) == 11
    assert len(study([*begun, PLAN]).left) == 12


@pytest.mark.parametrize(
    "fact", [PLAN, measured(Cell("C1", "Ana", 1)), StudyKept("DI-7", (("a", "b", 1.0),), 1.0, 2.0, 3.0, 4.0, "x", 5.0)]
)
def test_what_is_kept_of_a_study_comes_back_as_it_was(fact: GaugeFact) -> None:
    assert gauge_fact_of(kind_of(fact), json.loads(json.dumps(body_of(fact)))) == fact
