"""The collector against a real broker and real databases: every stroke there once, whatever happens to any of them."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from capture.collect import Counts
from capture.collect.schema import strokes
from tests.load.collector_memory import MOST_MIB, catch_up
from tests.load.collector_storm import DURABLE, compare, storm
from tests.support.broker import Mosquitto, free_port
from tests.support.fleet import CollectorProcess, Shop, count_strokes, read, wait_until
from tests.support.postgres import Postgres

ROOT = Path(__file__).resolve().parents[2]
Start = Callable[..., CollectorProcess]


@pytest.fixture
def start() -> Iterator[Start]:
    """Starts collectors, and ends those that still run."""
    running: list[CollectorProcess] = []

    def begin(*words: Any, **options: Any) -> CollectorProcess:
        running.append(CollectorProcess(*words, **options))
        return running[-1]

    yield begin
    for one in running:
        if one.process.poll() is None:
            one.kill()


@pytest.fixture
def durable(mosquitto: Mosquitto) -> Mosquitto:
    """A broker that saves every second, which is sooner than benches forget what it acknowledged."""
    mosquitto.stop()
    mosquitto.lines += DURABLE
    mosquitto.start()
    return mosquitto


@pytest.fixture
def make_shop() -> Iterator[Callable[..., Shop]]:
    shops: list[Shop] = []

    def make(*words: Any, **options: Any) -> Shop:
        shops.append(Shop(*words, **options))
        return shops[-1]

    yield make
    for shop in shops:
        shop.close()


def test_everything_a_shop_publishes_arrives(
    durable: Mosquitto, database: str, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=10)
    collector = start(durable.port, database)
    collector.wait_up()
    for bench in range(10):
        shop.report(bench)
        shop.apply(bench)
        shop.judge(bench)
    wait_until(lambda: count_strokes(database) == 10)
    # A clean stop: what was committed was acknowledged, so the next one is given nothing twice.
    counts = collector.stop()
    assert collector.process.returncode == 0
    shop.wait_acknowledged()
    for bench in range(10):
        shop.apply(bench)  # while it is away
    shop.wait_acknowledged()
    again = start(durable.port, database)
    wait_until(lambda: count_strokes(database) == 20)
    more = again.stop()
    assert counts["strokes"] + more["strokes"] == 20
    assert counts["verdicts"] + more["verdicts"] == 10
    assert counts["statuses"] + more["statuses"] == 10
    # Retained verdicts and statuses come again at every subscription; strokes do not.
    assert more["repeated"] <= counts["verdicts"] + counts["statuses"]
    assert compare(shop.sent, database).well


def test_a_trial_run_does_not_take_what_the_broker_keeps_for_the_real_one(
    durable: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    """Both have the host's name, since neither was given one."""
    real, trial = (f"sqlite:///{tmp_path}/{name}.sqlite" for name in ("real", "trial"))
    shop = make_shop(durable.port, benches=3)
    first = start(durable.port, real, name=None)
    first.wait_up()
    first.stop()
    for bench in range(3):
        shop.apply(bench)
    shop.wait_acknowledged()
    for words in ((), ("--leave",)):
        refused = start(durable.port, trial, *words, name=None)
        assert refused.process.wait(20) == 1
        refused.kill()  # only to have read all that it said
        assert socket.gethostname() in refused.errors and "never took any of them" in refused.errors
        assert "Nothing was taken" in refused.errors and "--take-over-session" in refused.errors
    assert count_strokes(trial) == 0
    again = start(durable.port, real, name=None)  # its own database knows it
    wait_until(lambda: count_strokes(real) == 3)
    again.stop()
    for bench in range(3):
        shop.apply(bench)
    shop.wait_acknowledged()
    told = start(durable.port, trial, "--take-over-session", name=None)
    wait_until(lambda: count_strokes(trial) == 3)
    told.stop()
    start(durable.port, trial, name=None).wait_up()  # from then on it is the trial's


def test_a_trial_with_the_real_one_s_user_takes_nothing_whatever_its_name(
    durable: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    """The sample settings of a broker take the user as client id: there two names are one session."""
    passwords = tmp_path / "passwords"
    passwords.write_text("collector:word\n")
    passwords.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
    durable.stop()
    benches = free_port()  # which have no user here
    durable.lines += [f"password_file {passwords}", "use_username_as_clientid true", f"listener {benches} 127.0.0.1"]
    durable.start()
    (tmp_path / "word").write_text("word")

    def settings(name: str, user: str = "collector") -> tuple[str, str]:
        file = tmp_path / f"{name}.toml"
        file.write_text(
            f'name = "{name}"\n[database]\nurl = "sqlite:///{tmp_path}/{name}.sqlite"\n'
            f'[[brokers]]\nurl = "mqtt://127.0.0.1:{durable.port}"\nusername = "{user}"\n'
            f'password_file = "{tmp_path}/word"\n'
        )
        return "--config", str(file)

    real, trial = (f"sqlite:///{tmp_path}/{name}.sqlite" for name in ("real", "trial"))
    first = start(0, real, *settings("real"), name=None)
    first.wait_up()
    first.stop()
    shop = make_shop(benches, benches=3)
    for bench in range(3):
        shop.apply(bench)
    shop.wait_acknowledged()
    refused = start(0, trial, *settings("trial"), name="trial")
    assert refused.process.wait(20) == 1
    refused.kill()
    assert "under the user 'collector'" in refused.errors and "Nothing was taken" in refused.errors
    assert count_strokes(trial) == 0
    again = start(0, real, *settings("real"), name=None)
    wait_until(lambda: count_strokes(real) == 3)
    again.stop()


@pytest.mark.parametrize("seed", [3])
def test_a_collector_killed_at_random_moments_loses_nothing(durable: Mosquitto, database: str, seed: int) -> None:
    outcome = storm("collector", 3, durable, database, None, seed=seed, within_s=0.9)
    assert outcome.well, outcome


def test_a_broker_killed_at_random_moments_loses_nothing(durable: Mosquitto, tmp_path: Path) -> None:
    outcome = storm("broker", 3, durable, f"sqlite:///{tmp_path}/collect.sqlite", None, seed=5, within_s=0.9)
    assert outcome.well, outcome


def test_nothing_is_acknowledged_before_it_is_committed(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=5)
    first = start(durable.port, postgres.url)
    first.wait_up()
    postgres.stop()
    for n in range(40):
        shop.apply(n % 5)
    shop.wait_acknowledged()
    wait_until(lambda: first.link("database")["state"] == "down")
    words = first.link("database")["reason"]
    assert "the brokers keep what arrives" in words
    first.kill()  # it had taken them all, and could write none
    postgres.start()
    start(durable.port, postgres.url)
    wait_until(lambda: count_strokes(postgres.url) == 40)
    assert compare(shop.sent, postgres.url).well


def test_a_database_that_comes_back_is_caught_up(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=5)
    postgres.stop()
    collector = start(durable.port, postgres.url)  # also while starting
    wait_until(lambda: collector.link("database")["state"] == "down" and collector.link("broker")["state"] == "up")
    for again in (False, True):
        if again:
            postgres.stop()
        for n in range(20):
            shop.apply(n % 5)
        postgres.start()
        wait_until(lambda: count_strokes(postgres.url) == len(shop.sent))
    assert compare(shop.sent, postgres.url).well
    assert postgres.password not in collector.errors + str(collector.lines)


def test_two_collectors_share_the_load(
    durable: Mosquitto, postgres: Postgres, start: Start, make_shop: Callable[..., Shop]
) -> None:
    shop = make_shop(durable.port, benches=10)
    pair = [start(durable.port, postgres.url, "--share", "shop", name=f"c{n}") for n in (1, 2)]
    for one in pair:
        one.wait_up()
    with shop.applying(400):
        wait_until(lambda: count_strokes(postgres.url) > 100)
        pair[0].kill()
        before = len(shop.sent)
        wait_until(lambda: len(shop.sent) > before + 100)
        pair[0] = start(durable.port, postgres.url, "--share", "shop", name="c1")
        pair[0].wait_up()
    shop.wait_acknowledged()
    wait_until(lambda: count_strokes(postgres.url) == len(shop.sent))
    assert compare(shop.sent, postgres.url).well
    # The months were made meanwhile, whichever of the two was first, and this one's strokes lie in theirs.
    month = sa.table(f"collected_strokes_{datetime.now(UTC):%Y_%m}")
    wait_until(lambda: read(postgres.url, sa.select(sa.func.count()).select_from(month)) == [len(shop.sent)])
    for one in pair:
        counts = one.stop()
        assert counts["strokes"] > 20  # each had its part


def test_a_member_that_leaves_takes_its_part_and_is_forgotten(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    pair = [start(mosquitto.port, database, "--share", "shop", name=f"c{n}") for n in (1, 2)]
    for one in pair:
        one.wait_up()
    pair[1].stop()
    shop = make_shop(mosquitto.port, benches=10)
    for n in range(20):
        shop.apply(n % 10)
    shop.wait_acknowledged()
    leaving = start(mosquitto.port, database, "--share", "shop", "--leave", name="c2")
    assert leaving.process.wait(20) == 0
    for n in range(20):
        shop.apply(n % 10)
    wait_until(lambda: count_strokes(database) == 40)  # none of the second twenty waits for one that is gone
    leaving.stop()
    assert leaving.lines[-1]["strokes"] > 0
    assert compare(shop.sent, database).well


def test_shops_behind_several_brokers_and_prefixes_are_told_apart(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    folder = tmp_path / "other"
    folder.mkdir()
    other = Mosquitto(folder)
    other.start()
    (tmp_path / "new folder").mkdir()
    database = f"sqlite:///{tmp_path}/new folder/collect.sqlite"
    config = tmp_path / "collect.toml"
    config.write_text(
        f'name = "office"\n[database]\nurl = "{database}"\n'
        f'[[brokers]]\nurl = "mqtt://127.0.0.1:{mosquitto.port}"\nprefixes = ["+"]\n'
        f'[[brokers]]\nurl = "mqtt://127.0.0.1:{other.port}"\nshop = "west"\n'
    )
    collector = CollectorProcess(0, database, "--config", str(config))
    try:
        wait_until(lambda: sum(line.get("state") == "up" for line in collector.lines) == 3)  # brokers and database
        for port, prefix in ((mosquitto.port, "north"), (mosquitto.port, "south"), (other.port, "")):
            make_shop(port, benches=1, prefix=prefix).apply(0)
        wait_until(lambda: count_strokes(database) == 3)
    finally:
        collector.stop()
        other.stop()
    assert sorted(read(database, sa.select(strokes.c.shop))) == ["north", "south", "west"]


def test_a_long_backlog_does_not_fill_the_memory(tmp_path: Path) -> None:
    """The short version of tests/load/collector_memory.py: what it holds does not grow with what waits for it."""
    found = catch_up(6000, tmp_path)
    assert found.kept == 6000
    assert found.peak_mib < MOST_MIB


def test_a_message_the_broker_should_not_have_let_through_stops_nothing(
    mosquitto: Mosquitto, tmp_path: Path, start: Start, make_shop: Callable[..., Shop]
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    collector = start(mosquitto.port, database)
    collector.wait_up()
    shop = make_shop(mosquitto.port, benches=1)
    publish = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(mosquitto.port), "-q", "1", "-t"]
    subprocess.run([*publish, "strokelog/v1/bay-1/low/stroke", "-m", "no JSON"], check=True)
    # Longer than the collector lets the broker send: the broker drops it, and goes on.
    subprocess.run([*publish, "strokelog/v1/bay-1/low/stroke", "-s"], input=b"x" * 200_000, check=True)
    shop.apply(0)
    wait_until(lambda: count_strokes(database) == 1)
    counts = collector.stop()
    assert (counts["strokes"], counts["refused"]) == (1, 1)


def test_the_unit_is_right_and_hardened(tmp_path: Path) -> None:
    unit = ROOT / "systemd" / "strokelog-collect.service"
    copy = tmp_path / unit.name  # systemd-analyze asks that the program exists, which it does not here
    copy.write_text(unit.read_text().replace("/usr/bin/strokelog", shutil.which("true") or "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", str(copy)], capture_output=True, text=True)
    assert [line for line in (done.stdout + done.stderr).splitlines() if "strokelog" in line] == []
    command = ["systemd-analyze", "security", "--offline=true", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    level = next(line for line in done.stdout.splitlines() if "Overall exposure level" in line)
    assert float(level.split(":")[1].split()[0]) < 2


def test_a_service_manager_is_told(mosquitto: Mosquitto, tmp_path: Path, start: Start) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        collector = start(mosquitto.port, f"sqlite:///{tmp_path}/c.sqlite", NOTIFY_SOCKET=str(tmp_path / "notify"))
        assert manager.recv(1000) == b"READY=1"
        collector.wait_up()
        collector.stop()
        told = []
        while not told or told[-1] != b"STOPPING=1":
            told.append(manager.recv(1000))
        assert any(one.startswith(b"STATUS=broker") and one.endswith(b" up") for one in told)


def test_a_broker_that_is_away_is_told_in_words(tmp_path: Path, start: Start) -> None:
    collector = start(free_port(), f"sqlite:///{tmp_path}/collect.sqlite")
    wait_until(lambda: collector.link("broker")["state"] == "down")
    assert "Connection refused; check that it runs" in collector.link("broker")["reason"]
    assert collector.stop() == {"type": "counts", **dict.fromkeys(Counts.__dataclass_fields__, 0)}


def test_a_second_collector_of_the_same_name_is_told(mosquitto: Mosquitto, tmp_path: Path, start: Start) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    first = start(mosquitto.port, database)
    first.wait_up()
    start(mosquitto.port, database)
    wait_until(lambda: any("no other collector has this one's name" in line.get("reason", "") for line in first.lines))


def test_a_wrong_word_ends_the_command_at_once() -> None:
    command = [
        sys.executable,
        "-m",
        "capture.cli",
        "collect",
        "--broker",
        "mqtt://h",
        "--database",
        "postgresql://a:b@h/d",
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 2
    assert "holds no password" in done.stderr
    assert "a:b" not in done.stderr
