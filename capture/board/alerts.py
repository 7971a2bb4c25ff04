"""Which needs are to be told to whoever does not look at the board: each once, however long it stands. Pure.

Theory of operation. A need is a kind of need at a bench. It is told once it has stood for a while, and not again until
it has been away for five minutes: what comes and goes is one need. What was told is plain data, to be kept over a
restart. While the board has no broker it knows nothing of any bench: then that alone is told, and what it knew stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import uuid4

from capture.board.bench_row import BenchRow
from capture.board.floor import Broker
from capture.board.needs import KINDS, RECONNECT

#: A need that was away for less is the same one.
AWAY: Final = timedelta(minutes=5)
#: Told of no bench, but of the board itself.
BROKER_LOST: Final = "broker lost"


@dataclass(frozen=True, slots=True)
class Alert:
    """One need, as it is told. `bench` is empty where it is the board's own."""

    id: str
    """The same however often it comes."""
    bench: str
    kind: str
    words: str
    unit_serial: str
    at: datetime

    def form(self) -> dict[str, Any]:
        """Return it as it is sent."""
        return {
            "type": "alert",
            "id": self.id,
            "at": self.at.isoformat(timespec="milliseconds"),
            "bench": self.bench,
            "kind": self.kind,
            "words": self.words,
            "unit_serial": self.unit_serial,
        }


@dataclass(slots=True)
class _Standing:
    since: datetime
    seen: datetime
    told: bool = False


@dataclass(slots=True)
class AlertWatch:
    """Says what is to be told. Raises ValueError for a kind of need that there is not."""

    kinds: Sequence[str]
    after: timedelta
    _standing: dict[tuple[str, str], _Standing] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if wrong := [kind for kind in self.kinds if kind not in KINDS]:
            raise ValueError(f"{wrong[0]!r} is no kind of need; expected of: {', '.join(KINDS)}")

    def remember(self, told: Iterable[tuple[str, str]], now: datetime) -> None:
        """Take needs, each a bench and a kind, that were told before this process began."""
        for key in told:
            self._standing[key] = _Standing(now, now, told=True)

    def told(self) -> list[tuple[str, str]]:
        """Return the needs that were told and are not over."""
        return sorted(key for key, one in self._standing.items() if one.told)

    def look(self, rows: Iterable[BenchRow], broker: Broker, now: datetime) -> list[Alert]:
        """Return what is to be told now, the most urgent first."""
        standing: dict[tuple[str, str], tuple[str, str]] = {}
        if broker.link != "up":
            standing["", BROKER_LOST] = (broker.reason or "the board has no broker", "")
        elif now - broker.since >= RECONNECT:  # the benches had the time to come back
            for row in rows:
                for need in row.needs:
                    if need.kind in self.kinds:
                        standing.setdefault((row.bench, need.kind), (need.words, row.unit_serial))
        alerts = [alert for key, words in standing.items() if (alert := self._seen(key, words, now)) is not None]
        self._forget(standing, broker, now)
        ranks: dict[str, int] = {kind: number for number, kind in enumerate(KINDS)}
        return sorted(alerts, key=lambda one: (ranks.get(one.kind, -1), one.bench))

    def _seen(self, key: tuple[str, str], words: tuple[str, str], now: datetime) -> Alert | None:
        one = self._standing.setdefault(key, _Standing(now, now))
        one.seen = now
        if one.told or now - one.since < self.after:
            return None
        one.told = True
        return Alert(str(uuid4()), key[0], key[1], words[0], words[1], now)

    def _forget(self, standing: Mapping[tuple[str, str], object], broker: Broker, now: datetime) -> None:
        """End the needs that are over. One that was not told yet begins anew when it comes again."""
        knows = broker.link == "up" and now - broker.since >= RECONNECT
        for key, one in list(self._standing.items()):
            if key in standing:
                continue
            if key[0] and not knows:
                one.seen = now  # nobody can know
            elif not one.told or now - one.seen >= AWAY:
                del self._standing[key]
