"""A message ready for the outbox."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Outgoing"]


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message ready for the outbox: where it goes and the exact text that will be sent."""

    id: str
    topic: str
    payload: str
    retain: bool
