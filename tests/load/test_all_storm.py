"""Killed daemons, brokers and collectors together lose and double nothing; `load/all_storm.py` counts at length."""

from __future__ import annotations

import pytest

from tests.load.all_storm import run


@pytest.mark.timeout(110)
def test_whatever_dies_every_stroke_is_in_every_store_once() -> None:
    outcome = run(kills=2, benches=1, seed=3)
    assert outcome.wrong == []
    assert outcome.kills["broker"] == outcome.kills["collector"] == 2 and outcome.kills["daemon"] > 0
    assert outcome.collected == outcome.recorded >= outcome.printed
