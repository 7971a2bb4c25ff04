"""Proves what still waits for the broker, and what the broker refused. They are no part of the chain, since a message
leaves when the broker has it; so each is held against the chain."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from capture.custody.verify_messages import MessageProver
from capture.mqtt.outgoing import Outgoing
from capture.record import Store

_AT_ONCE: Final = 500


def prove_outbox(store: Store, messages: MessageProver) -> int:
    """Hold every message that waits or was set aside against the record; return how many those are.

    Raises Mismatch for the first that says something else.
    """
    count = 0
    for aside, words in ((True, "was set aside"), (False, "waits for the broker")):
        for one in _rows(store, aside):
            messages.waiting(f"message {one.id} that {words}", one)
            count += 1
    return count


def _rows(store: Store, aside: bool) -> Iterator[Outgoing]:
    last = 0
    while rows := store.outbox_after(last, _AT_ONCE, aside=aside):
        yield from (one.message for one in rows)
        last = rows[-1].row
