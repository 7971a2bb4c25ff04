"""Fixtures that more than one test file uses."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from broker import Mosquitto, Peer


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker on a free loopback port; a test may `stop` and `start` it."""
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def peer() -> Iterator[Callable[[int], Peer]]:
    """Makes subscribers to the broker on a port."""
    peers: list[Peer] = []
    names = (f"peer{n}" for n in itertools.count())

    def make(port: int) -> Peer:
        peers.append(Peer(port, next(names)))
        peers[-1].wait_subscribed()
        return peers[-1]

    yield make
    for one in peers:
        one.stop()
