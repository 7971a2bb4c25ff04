"""A collector's settings: which brokers, which topics, which database. No password is ever written in them.

A password of a broker is read from `password_file`. One of the database is read by libpq itself (PGPASSFILE,
~/.pgpass), or from the database's own `password_file`.
"""

from __future__ import annotations

import socket
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Final, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from capture.config import Config, ConfigError, load_config, settings_table
from capture.mqtt.settings import BrokerSettings
from capture.mqtt.topics import ROOT, topic_filters
from capture.plumbing.user_folders import data_folder
from capture.plumbing.wrong_values import wrong_values

_EXPECTED: Final = (
    "expected such as sqlite:////var/lib/strokelog/collect.sqlite or postgresql://user@db.shop.example/strokelog"
)


def _database_url(text: str) -> str:
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise ValueError(f"this is no database address; {_EXPECTED}") from None  # the text may hold a password
    if url.password is not None or any("password" in key for key in url.query):
        raise ValueError(
            "a database address holds no password, because process lists and logs show it; use PGPASSFILE, ~/.pgpass "
            f"or password_file; {_EXPECTED}"
        )
    if url.get_backend_name() == "sqlite" and url.database in (None, "", ":memory:"):
        raise ValueError(f"an SQLite database without a file keeps nothing; {_EXPECTED}")
    file = Path(url.database or "")
    if url.get_backend_name() == "sqlite" and not str(file).startswith("file:") and not file.absolute().parent.is_dir():
        raise ValueError(f"there is no folder {file.absolute().parent} for the database {file.name}; make it first")
    return text


def _prefix(text: str) -> str:
    levels = text.split("/") if text else []
    if any(not level or "#" in level or ("+" in level and level != "+") for level in levels) or text.startswith("$"):
        raise ValueError(f"{text!r} is no place before {ROOT} in a topic; expected levels such as north or works/+")
    return text


def _group(text: str) -> str:
    if not text or any(character in "/+#" for character in text):  # MQTT 5.0, section 4.8.2
        raise ValueError(f"{text!r} is no name of a group; expected at least one character, none of them / + #")
    return text


class DatabaseSettings(BaseModel):
    """Which database, by an SQLAlchemy URL without a password, and how many whole months of messages it keeps before
    this one; all of them if it is not said."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: Annotated[str, AfterValidator(_database_url)] = Field(
        default_factory=lambda: f"sqlite:///{data_folder() / 'collect.sqlite'}"
    )
    password_file: Path | None = None
    keep_months: int | None = Field(default=None, ge=1, le=1200)

    @property
    def address(self) -> URL:
        """The URL with the driver this software is tested with."""
        url = make_url(self.url)
        return url.set(drivername="postgresql+psycopg") if url.drivername in ("postgresql", "postgres") else url


class ShopBroker(BrokerSettings):
    """A broker, and where in its topics the benches of one or more shops are.

    A bridge between brokers commonly puts a shop's name before the benches' topics: those are `prefixes`, in which `+`
    stands for any one level. `shop` is kept beside every message; not given, it is what the topic has in place of the
    prefix. All prefixes of a broker share one connection, because a broker may allow a user only one.
    """

    prefixes: tuple[Annotated[str, AfterValidator(_prefix)], ...] = ("",)
    shop: str = ""

    @model_validator(mode="after")
    def _somewhere(self) -> Self:
        if not self.prefixes:
            raise ValueError("prefixes is empty, so nothing would be collected; leave it out, or name at least one")
        return self

    @property
    def filters(self) -> tuple[str, ...]:
        """The topic filters of everything that is collected."""
        roots = [f"{prefix}/{ROOT}" if prefix else ROOT for prefix in self.prefixes]
        return tuple(one for root in roots for one in topic_filters(root=root))


class CollectSettings(BaseModel):
    """All settings of a collector.

    The brokers know a collector by its `name`, and keep for that name what it has not taken: give each its own, and do
    not change it. A broker may go by the user instead, which then has to be its own as well. With `take_over_session`
    it takes what they keep although the database never took from there.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(default_factory=socket.gethostname, min_length=1, max_length=60)
    take_over_session: bool = False
    share: Annotated[str, AfterValidator(_group)] | None = None
    database: DatabaseSettings = DatabaseSettings()
    brokers: tuple[ShopBroker, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if len({broker.address for broker in self.brokers}) < len(self.brokers):
            raise ValueError("the same broker is there twice; give each once, with all its prefixes")
        return self


def load_database(path: Path | None, url: str | None) -> DatabaseSettings:
    """Return the database to read: at `url`, else that of a collector's settings file, else this machine's own. A login
    in the file stays with its database. Raises ConfigError."""
    known = settings_table(path).get("database", {}) if path is not None else {}
    told = known if url is None or known.get("url") == url else {**known, "url": url}
    try:
        found = DatabaseSettings.model_validate(told)
    except ValidationError as error:
        raise ConfigError("\n".join(f"database: {one}" for one in wrong_values(error, DatabaseSettings))) from None
    file = found.address.database
    if found.address.get_backend_name() == "sqlite" and not (file and Path(file).is_file()):
        raise ConfigError(
            f"there is no database {found.url}: nothing was collected there; give another with --database"
        )
    return found


def load_settings(
    path: Path | None = None,
    *,
    brokers: Sequence[str] = (),
    prefixes: Sequence[str] = (),
    database: str | None = None,
    share: str | None = None,
    name: str | None = None,
    take_over_session: bool = False,
) -> CollectSettings:
    """Read the settings from `path`, if there is one; what else is given wins over it. Raises ConfigError.

    `brokers` are urls, and `prefixes` are for all of them. A broker that the file has too keeps its other settings
    there, and a `database` keeps the file's password_file. Where neither names a broker, it is the bench settings' one:
    [broker] of the same file, else of the settings that `run` and `board` read.
    """
    where = str(path) if path is not None else "command line"
    values: dict[str, Any] = {}
    if path is not None:
        values = settings_table(path)
    try:
        # A bench's settings file serves as well: what else is in it is of no matter here.
        own = values.pop("broker", None)
        if own is not None:
            values = {key: value for key, value in values.items() if key not in Config.model_fields}
        values |= {key: value for key, value in (("share", share), ("name", name)) if value is not None}
        if database is not None:
            values["database"] = {**values.get("database", {}), "url": database}
        if brokers:
            known = {one.get("url"): one for one in [*([own] if own else []), *values.get("brokers", [])]}
            everywhere = {"prefixes": prefixes} if prefixes else {}
            values["brokers"] = [{**known.get(url, {}), "url": url, **everywhere} for url in brokers]
        elif "brokers" not in values:
            if own is None and path is None and (settled := load_config().broker) is not None:
                own = settled.model_dump(exclude_unset=True)
            values["brokers"] = [own] if own is not None else []
        if take_over_session:
            values["take_over_session"] = True
        settings = CollectSettings.model_validate(values)
    except ValidationError as error:
        raise ConfigError("\n".join(f"{where}: {one}" for one in wrong_values(error, CollectSettings))) from None
    if not settings.brokers:
        raise ConfigError(
            f"{where}: no broker; give --broker mqtt://host, or url under [broker] or [[brokers]] in the settings file"
        )
    return settings
