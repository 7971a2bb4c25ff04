"""The finder's table holds together, and the picture of every machine is current."""

from __future__ import annotations

import pytest

from capture.strokes.machine import TABLE, Sign, StrokeState
from tests.support.draw_machines import MACHINES, PICTURES, draw


def test_every_state_can_be_reached_and_every_state_ends_with_the_stream() -> None:
    reached = {StrokeState.STARTING}
    for _ in StrokeState:
        reached |= {to for (state, _), to in TABLE.items() if state in reached}
    assert reached == set(StrokeState)
    assert all(TABLE[state, Sign.ENDS] is StrokeState.STARTING for state in StrokeState)


def test_nothing_is_called_applied_before_it_cleared_the_threshold() -> None:
    into = {(state, sign) for (state, sign), to in TABLE.items() if to is StrokeState.APPLIED}
    assert into == {(StrokeState.LEAVING, Sign.CLEARS), (StrokeState.RETURNING, Sign.DIPPED)}


@pytest.mark.parametrize(("name", "title", "table"), MACHINES, ids=lambda one: one if isinstance(one, str) else "")
def test_the_picture_of_a_machine_shows_its_table_as_it_is(name: str, title: str, table: object) -> None:
    """After a change of a table: `python -m tests.support.draw_machines`."""
    assert (PICTURES / name).read_text(encoding="utf-8") == draw(title, table)  # type: ignore[arg-type]
