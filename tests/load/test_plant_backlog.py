"""A plant that was long away is told everything once and in order, by a birth that does not grow; a short run of
`tests.load.plant_backlog`, which measures it with as many strokes as one likes."""

from __future__ import annotations

from pathlib import Path

from tests.load.plant_backlog import measure


async def test_what_waited_for_a_plant_is_told_once_in_order_and_its_birth_stays_small(tmp_path: Path) -> None:
    found = await measure(tmp_path, 100)
    assert found.in_order and (found.twice, found.missing) == (0, 0)
    assert found.node_birth_bytes < 4000 and found.largest_data_bytes < 2000
