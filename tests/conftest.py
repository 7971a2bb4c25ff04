"""Fixtures that more than one test file uses."""

from __future__ import annotations

import itertools
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest

from capture.plumbing.long_lived import keep_for_good
from tests.support.broker import Mosquitto, Peer
from tests.support.postgres import Postgres
from tests.support.stood_still import Watch

# Hundreds of processes of strokelog are started here. Where a machine's settings forbid compiled files, each of them
# would compile all of it again, and every worker all tests: a quarter of the time of a short command.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# A gate must say the same of the same commit twice; new examples are looked for at a developer's desk. How long an
# example takes is the machine's, and no claim about the code.
hypothesis.settings.register_profile("gate", derandomize=True, deadline=None)
hypothesis.settings.register_profile("desk", deadline=None)
hypothesis.settings.load_profile("gate" if os.environ.get("CI") else "desk")


def pytest_collection_finish() -> None:
    """Leave what all tests brought in to no collection of garbage.

    One over it stands still for half a second and more, and with it every thread that plays hardware in this process,
    whatever its priority.
    """
    keep_for_good()


_WATCH = pytest.StashKey[Watch]()


def pytest_sessionstart(session: pytest.Session) -> None:
    session.config.stash[_WATCH] = Watch()


def pytest_unconfigure(config: pytest.Config) -> None:
    if _WATCH in config.stash:
        config.stash[_WATCH].end()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    item.config.stash[_WATCH].begin()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Have a test that fails run again, twice at most, where the machine stood still meanwhile, and only there."""
    watch = config.stash[_WATCH]
    again = pytest.mark.flaky(reruns=2, condition=lambda: watch.longest_s() > 0)
    for item in items:
        item.add_marker(again)


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


@pytest.fixture(scope="session")
def collected_in_postgres(postgres_server: Postgres) -> str:
    """A database with the collector's tables and nothing in them: to copy it takes a tenth of making it."""
    from capture.collect import DatabaseSettings  # slow to import, and most tests need none of it
    from capture.collect.database import bring_up_to_date, engine_of

    postgres_server.make("collected", "template1")
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("PGPASSFILE", str(postgres_server.passfile))
        engine = engine_of(DatabaseSettings(url=postgres_server.url))
        bring_up_to_date(engine)
        engine.dispose()
    return postgres_server.database


@pytest.fixture(scope="session")
def collected_in_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same as an SQLite file."""
    from capture.collect import DatabaseSettings
    from capture.collect.database import bring_up_to_date, engine_of

    file = tmp_path_factory.mktemp("collected") / "collect.sqlite"
    engine = engine_of(DatabaseSettings(url=f"sqlite:///{file}"))
    bring_up_to_date(engine)
    engine.dispose()
    return file


def _used(server: Postgres, like: str) -> Iterator[Postgres]:
    server.start()
    server.make("shop", like)
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("PGPASSFILE", str(server.passfile))
        yield server
    server.start()


@pytest.fixture
def postgres(postgres_server: Postgres, collected_in_postgres: str) -> Iterator[Postgres]:
    """A PostgreSQL server with a database for the collector, in which nothing was collected yet."""
    yield from _used(postgres_server, collected_in_postgres)


@pytest.fixture
def empty_postgres(postgres_server: Postgres) -> Iterator[Postgres]:
    """A PostgreSQL server with an empty database."""
    yield from _used(postgres_server, "template1")


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a database of each kind for the collector, in which nothing was collected yet."""
    if request.param == "sqlite":
        shutil.copy(request.getfixturevalue("collected_in_sqlite"), tmp_path / "collect.sqlite")
        return f"sqlite:///{tmp_path}/collect.sqlite"
    return str(request.getfixturevalue("postgres").url)


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/collect.sqlite"
    return str(request.getfixturevalue("empty_postgres").url)
