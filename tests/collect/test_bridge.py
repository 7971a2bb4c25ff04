"""The sample bridge of a shop behind NAT: two real brokers by the samples, one killed, and each stroke there once."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
import trustme

from capture.collect.schema import strokes
from tests.load.collector_storm import DURABLE, compare
from tests.mqtt.test_publisher import call
from tests.support.broker import Mosquitto
from tests.support.fleet import CollectorProcess, Shop, count_strokes, read, wait_until

SAMPLES = Path(__file__).resolve().parents[2] / "systemd"
PASSWORD = "a password for both"


def lines_of(sample: str, changed: dict[str, str]) -> list[str]:
    """The sample's lines, each of the places in it once and changed."""
    text = (SAMPLES / sample).read_text()
    for place, here in changed.items():
        assert text.count(place) == 1, place
        text = text.replace(place, here)
    return text.splitlines()


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Mosquitto]:
    """The office's broker, with the sample settings: TLS, users, and rules for shops."""
    folder = tmp_path / "office"
    folder.mkdir()
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(folder / "office.pem"))
    issued = authority.issue_cert("127.0.0.1")
    issued.private_key_pem.write_to_path(str(folder / "broker.key"))
    issued.cert_chain_pems[0].write_to_path(str(folder / "broker.pem"))
    passwords = folder / "passwords"
    passwords.write_text("".join(f"{name}:{PASSWORD}\n" for name in ("north", "collector")))
    passwords.chmod(0o600)
    call("mosquitto_passwd", "-U", passwords)
    (folder / "password").write_text(PASSWORD)
    (folder / "office.acl").write_text((SAMPLES / "mosquitto-office.acl").read_text())
    broker = Mosquitto(folder)
    broker.lines = lines_of(
        "mosquitto.conf",
        {
            "listener 8883": "",
            "/etc/mosquitto/ca_certificates/shop.pem": f"{folder}/office.pem",
            "/etc/mosquitto/certs/broker.pem": f"{folder}/broker.pem",
            "/etc/mosquitto/certs/broker.key": f"{folder}/broker.key",
            "password_file /etc/mosquitto/strokelog.passwords": f"password_file {passwords}",
            "acl_file /etc/mosquitto/strokelog.acl": f"acl_file {folder}/office.acl",
            "autosave_interval 10": "",
            "max_queued_messages 0": "",  # the test's broker says it already
        },
    ) + list(DURABLE)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def shop(office: Mosquitto, tmp_path: Path) -> Iterator[Mosquitto]:
    """The shop's broker with the sample bridge to the office's."""
    folder = tmp_path / "shop"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.lines += lines_of(
        "mosquitto-bridge.conf",
        {
            "address broker.office.example:8883": f"address 127.0.0.1:{office.port}",
            "/etc/mosquitto/ca_certificates/office.pem": f"{tmp_path}/office/office.pem",
            "write-it-here": PASSWORD,
            "restart_timeout 5 60": "restart_timeout 1",
        },
    )
    broker.start()
    yield broker
    broker.stop()


def test_what_a_shop_publishes_while_the_office_is_gone_waits_over_restarts_and_arrives_once(
    office: Mosquitto, shop: Mosquitto, tmp_path: Path
) -> None:
    database = f"sqlite:///{tmp_path}/collect.sqlite"
    config = tmp_path / "collect.toml"
    config.write_text(
        f'name = "office"\n[database]\nurl = "{database}"\n[[brokers]]\nurl = "mqtts://127.0.0.1:{office.port}"\n'
        f'prefixes = ["+"]\nusername = "collector"\npassword_file = "{tmp_path}/office/password"\n'
        f'ca_file = "{tmp_path}/office/office.pem"\n'
    )
    collector = CollectorProcess(0, database, "--config", str(config), name=None)
    try:
        collector.wait_up()
        benches = Shop(shop.port, benches=5)
        for n in range(20):
            benches.apply(n % 5)
        wait_until(lambda: count_strokes(database) == 20)
        saved = tmp_path / "office" / "mosquitto.db"
        office.send_signal(signal.SIGUSR1)  # as it does by itself now and then: a broker knows who subscribed before
        wait_until(lambda: saved.exists() and b"+/strokelog/v1/+/unit" in saved.read_bytes())
        office.send_signal(signal.SIGKILL)
        for n in range(300):
            benches.apply(n % 5)
        benches.wait_acknowledged()
        benches.close()
        shop.stop()  # what waits for the office is on its disk
        shop.start()
        office.stop()
        office.start()
        wait_until(lambda: count_strokes(database) == 320)
    finally:
        collector.stop()
    assert compare(benches.sent, database).well
    assert set(read(database, sa.select(strokes.c.shop))) == {"north"}
