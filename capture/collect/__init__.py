"""Takes what a shop's benches publish into one database: strokes, verdicts, statuses and units, each message once.

    broker -> subscriber -> rows -> sink -> any database SQLAlchemy knows
                  ^                   |
                  +--- acknowledged --+   only after the commit

A collector owns no truth: every bench keeps its own record. It can be killed at any point, because the broker keeps for
it what it has not acknowledged, and a message that comes again is known by its `id`.
A second one can stand by: `lease`.
"""

from __future__ import annotations

from capture.collect.collector import Collector
from capture.collect.events import Counts, Event, LinkChange
from capture.collect.settings import CollectSettings, DatabaseSettings, ShopBroker, load_settings

__all__ = [
    "CollectSettings",
    "Collector",
    "Counts",
    "DatabaseSettings",
    "Event",
    "LinkChange",
    "ShopBroker",
    "load_settings",
]
