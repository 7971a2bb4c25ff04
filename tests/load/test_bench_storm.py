"""A few kills of a bench, its valve's keeper and its screen; `python -m tests.load.bench_storm` does hundreds."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.load.bench_storm import kill_any


@pytest.mark.timeout(240)
async def test_whoever_is_killed_nothing_is_lost_or_doubled_and_the_valve_is_shut(tmp_path: Path) -> None:
    outcome = await kill_any(tmp_path, kills=4, seed=8)
    assert outcome.wrong == []
    assert outcome.kills.keys() == {"bench", "keeper", "face"}
    assert outcome.counts.recorded >= outcome.counts.printed > 0
