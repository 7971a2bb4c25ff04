"""A collector beside a bare subscriber, in short: both have every stroke once, soon. The figures are the script's."""

from __future__ import annotations

from tests.load.collector_cost import LATEST_S, run
from tests.support.postgres import Postgres


def test_a_collector_and_a_bare_subscriber_take_every_stroke_once(postgres: Postgres) -> None:
    side = run(200, 800, 1, postgres)
    assert side.bare is not None
    assert side.collector.rows == side.bare.rows == side.sent == 800
    assert side.collector.median_s < LATEST_S
    assert side.times is not None and side.times < 4, "of so few strokes most is what starting costs"
