"""Which of several collectors may keep what a broker's session holds: one at a time, fenced by the database.

Theory of operation. Collectors of one name and user are one session to a broker, so only one of them may be connected.
A row for each session says who that is (`holder`), how often it changed hands (`number`), and how often its holder
showed that it lives (`beat`); with that it says why it has no broker, where it has none (`broker_lost`). Every
transaction that keeps messages first raises the beat of the row it holds: where
another has taken the row, that changes none, and the transaction keeps nothing. The row is locked until the commit, so
it cannot be taken in the middle of one. Whoever waits takes a row whose beat stood still for 6 s of its own clock, by a
statement that names the beat it saw: of two who wait, one gets it. No clock of one machine is held against another's.
"""

from __future__ import annotations

import os
import secrets
import socket
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, select, update

from capture.collect.schema import leases

#: A lease whose beat stood still for so long may be taken.
STILL_S: Final = 6.0
#: How often a holder shows that it lives where it has nothing to keep.
BEAT_S: Final = 1.5
#: How often who waits looks.
LOOK_S: Final = 0.5


class LeaseLost(Exception):
    """Another collector has taken over; nothing was kept."""


@dataclass(frozen=True, slots=True)
class Lease:
    """Who may keep what comes from `session`, as a row said it; `holder` is empty where nobody does."""

    session: str
    holder: str = ""
    number: int = 0
    beat: int = 0
    broker_lost: str = ""

    @staticmethod
    def read(connection: Connection, session: str) -> Lease | None:
        """Return how the lease of `session` stands, None if nobody ever had it."""
        row = connection.execute(select(leases).where(leases.c.session == session)).mappings().first()
        return None if row is None else Lease(**row)

    def taken(self, connection: Connection, holder: str) -> Lease | None:
        """Take the lease as it was seen; None if it has moved meanwhile. It must have a row."""
        mine = Lease(self.session, holder, self.number + 1, self.beat + 1)
        done = connection.execute(
            update(leases)
            .where(leases.c.session == self.session, leases.c.number == self.number, leases.c.beat == self.beat)
            .values(holder=holder, number=mine.number, beat=mine.beat, broker_lost="")
        )
        return mine if done.rowcount else None

    def beaten(self, connection: Connection, *, holder: str | None = None, broker_lost: str | None = None) -> None:
        """Raise the beat, and lock the row for this transaction; with `holder` it is handed over as well.

        `broker_lost`: why the broker cannot be reached, empty where it can. Raises LeaseLost if the lease is another's.
        """
        said = {} if broker_lost is None else {"broker_lost": broker_lost}
        done = connection.execute(
            update(leases)
            .where(leases.c.session == self.session, leases.c.number == self.number, leases.c.holder == self.holder)
            .values(beat=leases.c.beat + 1, holder=self.holder if holder is None else holder, **said)
        )
        if not done.rowcount:
            raise LeaseLost


class Watch:
    """Tells when a lease that another holds stood still for so long that it may be taken. Pure; times in seconds."""

    def __init__(self) -> None:
        self._seen: Lease | None = None
        self._since_s = self._looked_s = 0.0

    def may_take(self, lease: Lease, now_s: float) -> bool:
        """Look at how the lease stands. A time in which nobody could look does not count as stillness."""
        if lease != self._seen or now_s - self._looked_s > STILL_S / 2:
            self._seen, self._since_s = lease, now_s
        self._looked_s = now_s
        return not lease.holder or now_s - self._since_s >= STILL_S


def holder_of_this_process() -> str:
    """Return what no other process is called, for people to recognise: host and process, and a part drawn at random."""
    return f"{socket.gethostname()} process {os.getpid()} {secrets.token_hex(3)}"
