"""Keeps checks of a gauge against masters in a record, each with its recording, as a bench does."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from capture.clearance.gauge.facts import MastersListed
from capture.clearance.gauge.masters import ASSUMED_ROOM, Room, load_masters
from capture.job.gauge_now import gauge_checked, place_for_check
from capture.record import Store
from tests.support.master_recording import MASTERS, write_masters

GAUGE = "DI-0413"
#: The first master three times, the second once.
A_MORNING = [1_000_120] * 3 + [1_999_900]


def list_masters(store: Store, home: Path, at: datetime) -> int:
    """Keep the shop's masters."""
    file = home / "masters.toml"
    file.write_text(MASTERS)
    return store.add_gauge_fact(MastersListed(tuple(load_masters(file)), "foreman"), at=at)


def keep_morning(
    store: Store,
    home: Path,
    at: datetime,
    *,
    error: Callable[[int], float] = lambda nm: 0.0,
    step_nm: int = 1_000,
    max_error: str = "0.004 mm",
    seed: int = 1,
    as_left: bool = False,
    bench: str = "bay-1",
    room: Room = ASSUMED_ROOM,
) -> int:
    """Keep a morning's check; return its entry's number."""
    place = place_for_check(home, GAUGE, at)
    place.parent.mkdir(parents=True, exist_ok=True)
    write_masters(
        place,
        A_MORNING,
        error=error,
        step_nm=step_nm,
        max_error=max_error,
        bench=bench,
        started=at,
        seed=seed,
        gauge=GAUGE,
    )
    (home / "masters.toml").write_text(MASTERS)
    masters = load_masters(home / "masters.toml")
    fact = gauge_checked(place, home, masters, gauge=GAUGE, bench=bench, by="early shift", as_left=as_left, room=room)
    return store.add_gauge_fact(fact, at=at)
