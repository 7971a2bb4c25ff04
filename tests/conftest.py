"""Fixtures that more than one test file uses."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest
from broker import Mosquitto, Peer

# A gate must say the same of the same commit twice; new examples are looked for at a developer's desk.
hypothesis.settings.register_profile("gate", derandomize=True)
if os.environ.get("CI"):
    hypothesis.settings.load_profile("gate")


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
