"""Who is let in and who is trusted: TLS, certificates and passwords at a real broker, and no secret in any text."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from pydantic import ValidationError
from typer.testing import CliRunner

from capture.cli.main import app
from capture.config import ConfigError, load_config
from capture.mqtt.connection import let_in
from capture.mqtt.publisher import BrokerState
from capture.mqtt.settings import BrokerSettings
from tests.mqtt.test_publisher import Bench, call
from tests.support.broker import Mosquitto, Peer, free_port, until

ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "kestrel-ninety-seven"
UP = BrokerState("up", 0, "")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    bench = Bench(tmp_path / "record.sqlite")
    yield bench
    bench.store.close()
    bench.thread.shutdown()


class Shop:
    """A shop's own certificate authority, as files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self.authority = trustme.CA(organization_name="workshop")
        self.ca_file = folder / "ca.pem"
        self.authority.cert_pem.write_to_path(str(self.ca_file))

    def certificate(self, *names: str, **options: Any) -> dict[str, Path]:
        issued = self.authority.issue_cert(*names, **options)
        cert, key = self.folder / f"{names[0]}.crt", self.folder / f"{names[0]}.key"
        cert.write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
        issued.private_key_pem.write_to_path(str(key))
        return {"cert_file": cert, "key_file": key}


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path / "shop")


def serve(mosquitto: Mosquitto, cert_file: Path, key_file: Path, *lines: str) -> None:
    """Start the broker anew with TLS."""
    mosquitto.stop()
    mosquitto.lines += [f"certfile {cert_file}", f"keyfile {key_file}", *lines]
    mosquitto.start()


async def reason(bench: Bench, mosquitto: Mosquitto, scheme: str = "mqtts", **settings: Any) -> str:
    """Return why the broker is not up."""
    await bench.put(1)
    async with bench.publishing(mosquitto.port, scheme, **settings) as publisher:
        await until(lambda: publisher.state.link == "down")
        assert publisher.state.waiting == 1  # kept
        return publisher.state.reason


async def test_the_shop_s_authority_is_trusted_and_no_other(
    mosquitto: Mosquitto, bench: Bench, shop: Shop, tmp_path: Path
) -> None:
    serve(mosquitto, **shop.certificate("127.0.0.1"))
    words = "the broker's certificate is signed by nobody trusted here (mqtts://127.0.0.1"
    assert words in await reason(bench, mosquitto, ca_file=Shop(tmp_path / "another").ca_file)
    await bench.run(bench.store.drop_outbox, [1])
    assert words in await reason(bench, mosquitto)  # the system's authorities
    async with bench.publishing(mosquitto.port, "mqtts", ca_file=shop.ca_file) as publisher:
        await until(lambda: publisher.state == UP)
    assert bench.store.outbox_size() == 0


async def test_a_certificate_for_another_name_is_refused(mosquitto: Mosquitto, bench: Bench, shop: Shop) -> None:
    serve(mosquitto, **shop.certificate("broker.shop.example"))
    words = "the broker's certificate is for another address (mqtts://127.0.0.1"
    assert words in await reason(bench, mosquitto, ca_file=shop.ca_file)
    at_name = {"url": f"mqtts://localhost:{mosquitto.port}", "ca_file": shop.ca_file}
    await bench.run(bench.store.drop_outbox, [1])
    assert "the broker's certificate is for another host name" in await reason(bench, mosquitto, **at_name)


@pytest.mark.parametrize(
    ("begins", "ends", "words"),
    [(-2, -1, "the broker's certificate has expired"), (1, 2, "certificate is not valid yet")],
)
async def test_a_certificate_out_of_its_time_is_refused(
    mosquitto: Mosquitto, bench: Bench, shop: Shop, begins: int, ends: int, words: str
) -> None:
    now = datetime.now(UTC)
    valid = {"not_before": now + timedelta(days=begins), "not_after": now + timedelta(days=ends)}
    serve(mosquitto, **shop.certificate("127.0.0.1", **valid))
    assert words in await reason(bench, mosquitto, ca_file=shop.ca_file)


async def test_a_client_certificate_lets_in_and_nobody_without_one(
    mosquitto: Mosquitto, bench: Bench, shop: Shop, tmp_path: Path
) -> None:
    asks = (f"cafile {shop.ca_file}", "require_certificate true", "use_identity_as_username true")
    certificate = shop.certificate("127.0.0.1")
    serve(mosquitto, certificate["cert_file"], certificate["key_file"], *asks)
    known = {"ca_file": shop.ca_file}
    assert "the broker asks for a client certificate" in await reason(bench, mosquitto, **known)
    await bench.run(bench.store.drop_outbox, [1])
    stranger = Shop(tmp_path / "another").certificate("bay-1", common_name="bay-1")
    refused = await reason(bench, mosquitto, **known, **stranger)
    assert "the broker refused the certificate of this bench: unknown ca" in refused
    await bench.run(bench.store.drop_outbox, [2])
    expired = shop.certificate("bay-1", common_name="bay-1", not_after=datetime.now(UTC) - timedelta(days=1))
    refused = await reason(bench, mosquitto, **known, **expired)
    assert "the broker refused the certificate of this bench: certificate expired" in refused
    good = shop.certificate("bay-1", common_name="bay-1")
    async with bench.publishing(mosquitto.port, "mqtts", **known, **good) as publisher:
        await until(lambda: publisher.state == UP)


async def test_a_port_without_tls_is_told_in_words(mosquitto: Mosquitto, bench: Bench, shop: Shop) -> None:
    assert "does not speak TLS" in await reason(bench, mosquitto, ca_file=shop.ca_file)


def login(mosquitto: Mosquitto, folder: Path) -> None:
    """Start the broker anew with one user, bay-1."""
    mosquitto.stop()
    passwords = folder / "passwords"
    passwords.write_text(f"bay-1:{PASSWORD}\n")
    passwords.chmod(0o600)
    call("mosquitto_passwd", "-U", passwords)
    mosquitto.lines = ["allow_anonymous false", f"password_file {passwords}"]
    mosquitto.start()


async def test_secrets_come_from_the_service_manager(
    mosquitto: Mosquitto, bench: Bench, shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """systemd.exec(5), LoadCredential=: each is a file of its name in $CREDENTIALS_DIRECTORY."""
    given = tmp_path / "credentials"
    given.mkdir()
    login(mosquitto, tmp_path)
    certificate = shop.certificate("127.0.0.1")
    serve(mosquitto, certificate["cert_file"], certificate["key_file"])
    mine = shop.certificate("bay-1")
    settings = {
        "username": "bay-1",
        "password_file": "credential:mqtt-password",
        "ca_file": shop.ca_file,
        "cert_file": mine["cert_file"],
        "key_file": "credential:mqtt-key",
    }
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    words = "there is no systemd credential 'mqtt-password', which password_file names: this process was given none"
    assert words in await reason(bench, mosquitto, **settings)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(given))
    await bench.run(bench.store.drop_outbox, [1])
    words = "which password_file names; add LoadCredential=mqtt-password:FILE to the service's unit"
    assert words in await reason(bench, mosquitto, **settings)
    (given / "mqtt-password").write_text(PASSWORD + "\n")
    (given / "mqtt-key").write_bytes(mine["key_file"].read_bytes())
    async with bench.publishing(mosquitto.port, "mqtts", **settings) as publisher:
        await until(lambda: publisher.state == UP)


def test_a_credential_has_a_plain_name() -> None:
    for name in ("credential:", "credential:..", "credential:a/b"):
        with pytest.raises(ValidationError, match="expected credential:NAME"):
            BrokerSettings.model_validate({"url": "mqtts://h", "username": "bay-1", "password_file": name})


def test_the_unit_hands_over_the_credentials_the_readme_names(tmp_path: Path) -> None:
    unit = (ROOT / "systemd" / "strokelog@.service").read_text()
    assert "LoadCredential=mqtt-password:strokelog-%i.mqtt-password" in unit
    assert "LoadCredential=mqtt-key:strokelog-%i.mqtt-key" in unit


async def test_no_text_holds_the_password(
    mosquitto: Mosquitto, bench: Bench, peer: Callable[[int], Peer], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    login(mosquitto, tmp_path)
    secret = tmp_path / "secret"
    settings: dict[str, Any] = {"username": "bay-1", "password_file": secret}
    texts = []
    with caplog.at_level(logging.DEBUG):
        for content in (PASSWORD + "-wrong\n", "\xe9" + PASSWORD, PASSWORD + "\n"):
            secret.write_text(content, encoding="latin-1")
            async with bench.publishing(mosquitto.port, **settings) as publisher:
                await until(lambda: publisher.state.link in ("up", "down"))
                texts += [repr(publisher.state), repr(publisher), repr(publisher._settings), repr(bench.states)]
        assert publisher.state.link == "off" and bench.states[-2].link == "up"
        # A fault nobody thought of is logged with its traceback.
        settings["password_file"] = tmp_path
        async with bench.publishing(mosquitto.port, **settings) as publisher:
            await until(lambda: publisher.state.link == "down")
            texts.append(publisher.state.reason)
    assert "refused this bench" in "".join(texts) and "is no UTF-8 text; write it anew" in "".join(texts)
    assert caplog.records
    assert PASSWORD not in caplog.text
    assert PASSWORD not in "".join(texts)
    assert PASSWORD.encode() not in (tmp_path / "record.sqlite").read_bytes()


def test_a_password_in_the_settings_is_refused_and_not_repeated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "config.toml"
    urls = [f"mqtt://bay-1:{PASSWORD}@{host}" for host in ("h", "h:99999", "[h", "h/x?y")]
    wrong = [f'url = "{url}"' for url in urls] + [f'url = "mqtt://h"\npassword = "{PASSWORD}"']
    for lines in wrong:
        file.write_text(f"[broker]\n{lines}\n")
        with pytest.raises(ConfigError) as told:
            load_config(file)
        assert PASSWORD not in str(told.value)
    file.write_text("")
    monkeypatch.setenv("STROKELOG_BROKER__URL", "mqtt://h")
    monkeypatch.setenv("STROKELOG_BROKER__PASSWORD", PASSWORD)
    with pytest.raises(ConfigError) as told:
        load_config(file)
    assert PASSWORD not in str(told.value)


def test_the_command_line_does_not_repeat_a_password() -> None:
    sheet = str(ROOT / "fixtures" / "demo" / "workshop-forwarder.toml")
    for host in ("h", "h:99999"):
        broker = f"mqtt://bay-1:{PASSWORD}@{host}"
        ended = CliRunner().invoke(app, ["run", "--sheet", sheet, "--port", "/dev/null", "--broker", broker])
        assert ended.exit_code == 2
        assert PASSWORD not in ended.output and "use username and password_file" in ended.output


@pytest.mark.parametrize(
    ("key", "content", "words"),
    [
        ("ca_file", "nothing", "holds no certificate in PEM form"),
        ("cert_file", "nothing", "cannot be used"),
        ("key_file", "another", "key values mismatch"),
        ("key_file", "locked", "locked with a passphrase"),
        ("key_file", None, "cannot read the file that key_file names"),
    ],
)
def test_a_file_that_cannot_be_used_is_named(shop: Shop, key: str, content: str | None, words: str) -> None:
    mine = shop.certificate("bay-1")
    files = {"ca_file": shop.ca_file, **mine}
    bad = shop.folder / "bad.pem"
    if content == "nothing":
        bad.write_text("nothing\n")
    elif content == "another":
        bad.write_bytes(shop.certificate("bay-2")["key_file"].read_bytes())
    elif content == "locked":
        call("openssl", "pkey", "-in", mine["key_file"], "-aes128", "-passout", "pass:open", "-out", bad)
    files[key] = bad
    with pytest.raises(ConnectionError, match=words) as told:
        let_in(BrokerSettings.model_validate({"url": f"mqtts://h:{free_port()}", **files}))
    assert str(bad) in str(told.value) or content == "locked"
