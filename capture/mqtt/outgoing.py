"""Messages in the outbox: ready for it, waiting in it, and set aside."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message ready for the outbox: where it goes and the exact text that will be sent."""

    id: str
    topic: str
    payload: str
    retain: bool


@dataclass(frozen=True, slots=True)
class SetAside:
    """Messages that the broker refused: how many, and of the newest its topic and why."""

    count: int
    topic: str
    why: str


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A message waiting for the broker. Row ids grow in the order the messages happened."""

    row: int
    message: Outgoing
