"""Where an MQTT broker is and how to be let in: settings, credentials, TLS, and its refusals in words.

Secrets are only ever in files: `password_file`, `cert_file` and `key_file` name one, either by its path or as
`credential:NAME`, a credential that systemd handed to the service (`LoadCredential=`, systemd.exec(5)). They are read
anew for every connection, so a changed one needs no restart. No text made here holds what is in them. What is said to
a broker is not here, and how long a link is kept up is link.py's.
"""

from __future__ import annotations

import os
import ssl
from pathlib import Path
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from capture.mqtt.settings import _CREDENTIAL, BrokerSettings

_UNKNOWN: Final = (
    "is signed by nobody trusted here",
    "name the shop's own certificate authority with ca_file",
)
#: OpenSSL's results of verifying a certificate (x509_vfy.h, X509_V_ERR_*): what is wrong with it, and what to do.
_NOT_VERIFIED: Final = {
    9: ("is not valid yet", "check this computer's date and time, then the certificate"),
    10: ("has expired", "renew it, or check this computer's date and time"),
    **dict.fromkeys((18, 19, 20, 21), _UNKNOWN),
    62: ("is for another host name", "write the name of the certificate in the url"),
    64: ("is for another address", "write the name of the certificate in the url"),
}


def let_in(settings: BrokerSettings) -> dict[str, Any]:
    """Return the user, password and TLS options of an `aiomqtt.Client`, for one connection. Blocks on files.

    Raises ConnectionError, in words and without anything read, if a credential cannot be used.
    """
    options: dict[str, Any] = {"username": settings.username}
    try:
        if settings.password_file is not None:
            options["password"] = secret_text(settings.password_file, "password_file")
        if settings.tls:
            options["tls_context"] = _tls(settings)
    except ValueError as error:
        raise ConnectionError(str(error)) from None
    return options


def failure_of_tls(options: dict[str, Any]) -> OSError | None:
    """Return why TLS failed on the connection made with `options`, which aiomqtt does not tell; None if it did not."""
    context = options.get("tls_context")
    return context.trouble if isinstance(context, _Context) else None


def _place(path: Path, key: str) -> Path:
    """Return where the file is that the setting `key` names; raises ValueError if it cannot be read."""
    place = path
    if str(path).startswith(_CREDENTIAL):
        name, folder = str(path).removeprefix(_CREDENTIAL), os.environ.get("CREDENTIALS_DIRECTORY")
        missing = f"there is no systemd credential {name!r}, which {key} names"
        if not folder:
            raise ValueError(
                f"{missing}: this process was given none ($CREDENTIALS_DIRECTORY is not set); run it as the service "
                f"with LoadCredential={name}:FILE, or name the file by its path"
            )
        place = Path(folder) / name
        if not place.exists():
            raise ValueError(f"{missing}; add LoadCredential={name}:FILE to the service's unit")
    try:
        with place.open("rb"):
            return place
    except OSError as error:
        raise ValueError(
            f"cannot read the file that {key} names, {place}: {error.strerror}; check that it is there and that this "
            "user may read it"
        ) from None


def secret_text(path: Path, key: str) -> str:
    """Return what stands in the file that the setting `key` names; raises ValueError, without anything read."""
    place = _place(path, key)
    try:
        return place.read_text(encoding="utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        # From None: the original would carry the file's bytes.
        raise ValueError(f"the file that {key} names, {place}, is no UTF-8 text; write it anew") from None


def _tls(settings: BrokerSettings) -> _Context:
    context = _Context(ssl.PROTOCOL_TLS_CLIENT)  # verifies certificate and host name
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _TellingSocket
    if settings.ca_file is None:
        context.load_default_certs()
    else:
        place = _place(settings.ca_file, "ca_file")
        try:
            context.load_verify_locations(place)
        except ssl.SSLError:
            raise ValueError(f"the file that ca_file names, {place}, holds no certificate in PEM form") from None
    if settings.cert_file is not None and settings.key_file is not None:
        cert, key = _place(settings.cert_file, "cert_file"), _place(settings.key_file, "key_file")
        try:
            context.load_cert_chain(cert, key, password=_no_passphrase)
        except ssl.SSLError as error:
            why = _plain(error.reason or "no PEM form")
            raise ValueError(
                f"the certificate {cert} and the key {key} cannot be used ({why}); expected "
                "a certificate and the key that belongs to it, both in PEM form"
            ) from None
    return context


def _no_passphrase() -> str:
    # Without this OpenSSL would ask for it on the terminal, in the middle of a check.
    raise ValueError("the key that key_file names is locked with a passphrase; expected a key without one")


class _Context(ssl.SSLContext):
    """A context that remembers what its connection met."""

    trouble: OSError | None = None


class _TellingSocket(ssl.SSLSocket):
    """Tells its context why TLS failed, and closes itself when the handshake does.

    paho only forgets a socket whose handshake failed, and Python then warns of a leak. A broker's refusal of a client
    certificate comes after the handshake (TLS 1.3), with the first bytes received.
    """

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError as error:
            if isinstance(error, (ssl.SSLError, ConnectionError)):
                self._tell(error)
            self.close()
            raise

    def recv(self, buflen: int = 1024, flags: int = 0) -> bytes:
        try:
            return super().recv(buflen, flags)
        except ssl.SSLError as error:
            self._tell(error)
            raise

    def send(self, data: Any, flags: int = 0) -> int:
        try:
            return super().send(data, flags)
        except ssl.SSLError as error:
            self._tell(error)
            raise

    def _tell(self, error: OSError) -> None:
        if isinstance(self.context, _Context) and not isinstance(error, (ssl.SSLWantReadError, ssl.SSLWantWriteError)):
            self.context.trouble = self.context.trouble or error


def refusal_in_words(
    settings: BrokerSettings,
    error: aiomqtt.MqttError,
    options: dict[str, Any],
    *,
    who: str,
    was_up: bool,
    lost_hint: str = "",
) -> str:
    """Return why `who`, connecting with `options`, has no connection, and what to do about it.

    The reason comes first: a narrow screen shows no more than the first line of it.
    """
    url, trouble = settings.url, failure_of_tls(options)
    if isinstance(error, MqttConnectError):
        words = str(error).partition("] ")[2] or str(error)
        return (
            f"the broker refused {who}: {words} ({url}); check username and password_file in the broker "
            "settings, and what the broker allows"
        )
    if isinstance(trouble, ssl.SSLCertVerificationError):
        otherwise = (f"is not valid ({trouble.verify_message})", "check it")
        what, then = _NOT_VERIFIED.get(trouble.verify_code, otherwise)
        return f"the broker's certificate {what} ({url}); {then}"
    if trouble is not None:
        what, then = _failure_in_words(trouble, who)
        return f"{what} ({url}); {then}"
    if was_up:
        hint = f", {lost_hint}" if lost_hint else ""
        return (
            f"no connection with the broker at {url}: it was up and is lost ({error}); check that it runs and the "
            f"network{hint}"
        )
    return f"no connection with the broker at {url}: {error}; check that it runs and the network"


def _failure_in_words(trouble: OSError, who: str) -> tuple[str, str]:
    """Return a TLS failure that is not the broker's certificate's (RFC 8446, 6.2 names the alerts), and what to do."""
    reason = (trouble.reason if isinstance(trouble, ssl.SSLError) else None) or ""
    if "CERTIFICATE_REQUIRED" in reason or reason == "SSLV3_ALERT_HANDSHAKE_FAILURE":
        return "the broker asks for a client certificate", "set cert_file and key_file"
    if "ALERT" in reason and ("CERTIFICATE" in reason or "UNKNOWN_CA" in reason or "DECRYPT" in reason):
        what = f"the broker refused the certificate of {who}: {_plain(reason)}"
        return what, "check cert_file and what the broker trusts"
    if not reason or reason in ("WRONG_VERSION_NUMBER", "UNEXPECTED_EOF_WHILE_READING", "HTTP_REQUEST"):
        return "what answers there as the broker does not speak TLS", "check the port of the url"
    return f"TLS with the broker failed: {_plain(reason)}", "check the port of the url and the broker's log"


def _plain(reason: str) -> str:
    """Return OpenSSL's name of a reason as words."""
    return (reason.partition("ALERT_")[2] or reason).replace("_", " ").lower()
