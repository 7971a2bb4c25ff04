"""Every attack of the table once on two wirings and some mixtures; `python -m tests.load.air_storm` makes a thousand on
all four."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.load.air_storm import ATTACKS, attacks_on, storm
from tests.support.attacked_bench import WIRINGS


@pytest.mark.timeout(300)
@pytest.mark.parametrize("wiring", [name for name in WIRINGS if name not in ("lines, DTR", "registers")])
async def test_whatever_is_done_in_an_apply_the_valve_is_shut_in_time(tmp_path: Path, wiring: str) -> None:
    kinds = attacks_on(wiring)
    outcome = await storm(tmp_path, wiring, len(kinds) + 3, seed=3, mixed=7)
    assert outcome.late == []
    assert {one.name for one in kinds} <= set(outcome.took) and outcome.mixtures >= 2


def test_every_attack_is_made_on_some_wiring() -> None:
    assert {one.name for name in WIRINGS for one in attacks_on(name)} == {one.name for one in ATTACKS}
