"""Which waiting messages a broker will not take, and when one is to be set aside. Pure.

Theory. MQTT 5 refuses a message by name: its acknowledgement carries a reason (section 3.4.2.1). MQTT 3.1.1 has no such
answer: a broker can only end the connection (section 3.3.5), commonly after it has acknowledged. Then the message that
was acknowledged last and those under way are suspects. Each is sent again by itself, with a message behind it that the
broker is known to take: if that arrives, the suspect is cleared; if the connection ends again, it was refused. A
message refused three times is set aside, so that it does not hold up the others; after that, another on the same topic
is set aside at its first refusal, until the broker takes one there. Without reasons a broker that acknowledges what it
drops and ends the connection only with a later message can bring a neighbour under suspicion: what is set aside is
kept and can be sent again, and a bench speaks MQTT 5 where the broker does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

_TIMES: Final = 3
UNTOLD: Final = "the broker ends the connection at it, and gives no reason"


@dataclass(slots=True)
class Refusals:
    """What is known of the rows of one outbox at one broker, across connections."""

    _times: dict[int, int] = field(default_factory=dict)
    _why: dict[int, tuple[str, str]] = field(default_factory=dict)
    """Topic and reason of each row that was refused."""
    _topics: set[str] = field(default_factory=set)
    """Topics of messages that were set aside."""
    _suspects: set[int] = field(default_factory=set)

    def refused(self, row: int, topic: str, why: str = UNTOLD) -> None:
        """Note that the broker refused the message in `row`."""
        self._times[row] = self._times.get(row, 0) + 1
        self._why[row] = (topic, why)
        self._suspects.discard(row)

    def taken(self, row: int, topic: str) -> None:
        """Note that the broker took the message in `row`, and the connection held."""
        if self._times or self._topics or self._suspects:
            self._times.pop(row, None)
            self._why.pop(row, None)
            self._topics.discard(topic)
            self._suspects.discard(row)

    def suspect(self, rows: Iterable[int]) -> None:
        """Note what was under way, or acknowledged just before, when a connection ended."""
        self._suspects.update(row for row in rows if row not in self._times)

    def is_suspect(self, row: int, topic: str) -> bool:
        """Return whether the message in `row` is to be sent by itself, and the connection tried after it."""
        return row in self._suspects or topic in self._topics or self._why.get(row, ("", ""))[1] == UNTOLD

    def first(self) -> int | None:
        """Return the oldest row that was refused and is to be sent again, None if there is none."""
        return min(self._times, default=None)

    def times(self, row: int) -> int:
        """Return how often `row` was refused."""
        return self._times.get(row, 0)

    def due(self) -> dict[int, str]:
        """Return the rows that are to be set aside now, and why."""
        return {
            row: self._why[row][1]
            for row, times in self._times.items()
            if times >= _TIMES or self._why[row][0] in self._topics
        }

    def set_aside(self, rows: Iterable[int]) -> None:
        """Note that these rows are out of the outbox."""
        for row in rows:
            del self._times[row]
            self._topics.add(self._why.pop(row)[0])
