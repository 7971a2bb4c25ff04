"""Where an MQTT broker is, and what is needed to be let in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

_SCHEMES: Final = {"mqtt": 1883, "mqtts": 8883}


_CREDENTIAL: Final = "credential:"


def _broker_url(url: str) -> str:
    expected = "expected such as mqtt://broker.shop.example:1883, or mqtts:// with TLS"
    if "@" in url:  # first, so that no other error repeats a password
        raise ValueError(f"a broker address holds no user or password; use username and password_file; {expected}")
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"{url!r} is no broker address ({error}); {expected}") from None
    if parts.scheme not in _SCHEMES or not parts.hostname or port == 0:
        raise ValueError(f"{url!r} is no broker address; {expected}")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError(f"{url!r} has something after host and port; {expected}")
    return url


def _secret_file(path: Path) -> Path:
    name = str(path).removeprefix(_CREDENTIAL)
    if str(path).startswith(_CREDENTIAL) and (name in ("", ".", "..") or "/" in name):
        raise ValueError(f"{str(path)!r} names no credential; expected credential:NAME, NAME as in LoadCredential=")
    return path


SecretFile = Annotated[Path, AfterValidator(_secret_file)]


class BrokerSettings(BaseModel):
    """Where the broker is and how to be let in. A password is only ever read from a file."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)

    url: Annotated[str, AfterValidator(_broker_url)]
    username: str | None = None
    password_file: SecretFile | None = None
    ca_file: SecretFile | None = None
    cert_file: SecretFile | None = None
    key_file: SecretFile | None = None
    mqtt_version: Literal["5", "3.1.1"] = Field(
        default="5", description='The newest to speak. "3.1.1" helps with a broker that falls silent at a newer one.'
    )
    keepalive: int = Field(default=15, ge=5, le=3600, description="Seconds.")
    keep_acknowledged_s: int = Field(
        default=60,
        ge=0,
        le=7200,
        description="How long a message is kept after the broker took it: longer than the broker's interval of saving.",
    )

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is set without username; set both, or neither")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file belong together; set both, or neither")
        if not self.tls and (self.ca_file is not None or self.cert_file is not None):
            raise ValueError("ca_file, cert_file and key_file need TLS; write the url with mqtts://")
        return self

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return urlsplit(self.url).scheme == "mqtts"

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        parts = urlsplit(self.url)
        return parts.hostname or "", parts.port or _SCHEMES[parts.scheme]
