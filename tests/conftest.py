"""Fixtures that more than one test file uses."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest

from tests.support.broker import Mosquitto, Peer
from tests.support.postgres import Postgres

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


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Postgres]:
    server = Postgres()
    server.start()
    yield server
    server.close()


@pytest.fixture
def postgres(postgres_server: Postgres, monkeypatch: pytest.MonkeyPatch) -> Iterator[Postgres]:
    """A PostgreSQL server with an empty database for the collector."""
    import sqlalchemy as sa  # slow to import, and most tests need none of it

    from capture.collect import DatabaseSettings
    from capture.collect.schema import VERSION_TABLE, metadata

    server = postgres_server
    server.start()
    monkeypatch.setenv("PGPASSFILE", str(server.passfile))
    yield server
    server.start()
    engine = sa.create_engine(DatabaseSettings(url=server.url).address)
    with engine.begin() as connection:
        for table in (*metadata.tables, VERSION_TABLE):
            connection.execute(sa.text(f"DROP TABLE IF EXISTS {table} CASCADE"))  # and the views of it
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database for the collector, of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/collect.sqlite"
    return str(request.getfixturevalue("postgres").url)
