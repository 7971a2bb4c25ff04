"""The bench's settings: a TOML file in the XDG place, over which environment variables and options win."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_settings import BaseSettings, InitSettingsSource, PydanticBaseSettingsSource, SettingsConfigDict

from capture.clearance.gauge.masters import Room
from capture.clearance.signing import SignedAct
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.settings import BrokerSettings, SecretFile
from capture.plumbing.checked_file import FileKind, Place, place_in
from capture.plumbing.toml_lines import TomlLines
from capture.plumbing.user_folders import data_folder, settings_folder
from capture.plumbing.wrong_values import wrong_places
from capture.unit.gauge_identity import Gauge
from drivers.torque import TorqueSettings
from drivers.units import parse_duration

__all__ = [
    "SETTINGS_FILE",
    "Alerts",
    "Anchors",
    "Config",
    "ConfigError",
    "Retention",
    "default_config_path",
    "load_config",
    "settings_place",
    "settings_table",
    "settings_used",
]


class ConfigError(Exception):
    """The settings cannot be used; the text names the file or variable, the key and what was expected."""


SETTINGS_FILE: Final = FileKind("settings file", ConfigError)


def default_config_path() -> Path:
    """Return where the settings are looked for: `$XDG_CONFIG_HOME/strokelog/config.toml`."""
    return settings_folder() / "config.toml"


class Indicator(BaseModel):
    """The indicator: its port, its driver, and that driver's settings."""

    model_config = ConfigDict(extra="allow", frozen=True)

    driver: str = "line"
    port: str = ""

    def driver_settings(self) -> dict[str, Any]:
        """Return what the driver's own settings model validates."""
        return dict(self.__pydantic_extra__ or {})


class Fixture(BaseModel):
    """The air-check fixture: its port, its wiring, how the button works, and that wiring's settings."""

    model_config = ConfigDict(extra="allow", frozen=True)

    driver: str = "hand"
    port: str = ""
    button: Literal["hold", "press"] = "hold"
    """Air while the fixture's button is down; or one press runs the check."""

    def driver_settings(self) -> dict[str, Any]:
        """Return what the driver's own settings model validates."""
        return dict(self.__pydantic_extra__ or {})


class Wrench(TorqueSettings):
    """The torque wrench: its port, and how its lines are read."""

    port: str = Field(min_length=1)
    serial: str = ""
    """As it stands in the record of its checks (`strokelog gauge instrument`)."""


class GaugeIdentity(BaseModel):
    """The indicator as the shop knows it. The driver's own settings, under [indicator], know nothing of this."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    serial: str = Field(min_length=1, max_length=60)
    calibration_due: date | None = None
    valid_for: Annotated[int, BeforeValidator(parse_duration), Field(ge=3_600 * 10**9, le=31 * 86_400 * 10**9)] = (
        86_400 * 10**9
    )
    """How long a check against a master holds, ns."""
    pressure_gauge: str = Field(default="", max_length=60)
    """Serial number of the bench's pressure gauge, as it stands in the record of its checks."""
    room_c: float = Field(default=20.0, ge=0, le=50, allow_inf_nan=False)
    """How warm it is where the gauge is checked, degrees Celsius."""
    room_within_k: float = Field(default=5.0, ge=0, le=20, allow_inf_nan=False)
    """Within how many kelvin that holds."""

    def identity(self) -> Gauge:
        """Return it as plain data."""
        held = timedelta(microseconds=self.valid_for // 1000)
        return Gauge(self.serial, self.calibration_due, held, self.pressure_gauge)

    def room(self) -> Room:
        """Return where it is checked."""
        return Room(self.room_c, self.room_within_k)


class Faces(BaseModel):
    """Who besides the user that measures may look at the bench's screen, and ask for its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    group: str = ""
    """A group of this machine, such as the one that owns its serial ports; empty for nobody."""
    web: str = ""
    """Where the bench's page is served, such as 127.0.0.1:8710; empty for nowhere."""
    token_file: Path | None = None
    """What a page on another machine must say to press keys; None for a file that is made in the data folder."""


class SigningSettings(BaseModel):
    """What people sign by a key, a PIN or a badge, and not by a name that is typed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    keys_for: tuple[SignedAct, ...] = ()
    """Of "sign-off", "override", "correction" and "gauge-check"."""


class Retention(BaseModel):
    """How long raw recordings are kept, in days; what is not given is never done."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    compress_after_days: int | None = Field(default=None, ge=0)
    prune_after_days: int | None = Field(default=None, ge=1)
    """Since anything was last said of a job that is closed and signed off."""
    prune_unsigned_after_days: int | None = Field(default=None, ge=1)
    """The same of a job that is closed but was not signed off."""
    keep_newest_jobs: int = Field(default=20, ge=0)
    """So many of the newest jobs keep theirs, whatever a wrong clock says."""

    @model_validator(mode="after")
    def _longer_unsigned(self) -> Retention:
        signed, unsigned = self.prune_after_days, self.prune_unsigned_after_days
        if unsigned is not None and (signed is None or unsigned < signed):
            raise ValueError(
                f"prune_unsigned_after_days = {unsigned} is shorter than prune_after_days ({signed or 'never'}); a job "
                "without a sign-off still needs its recordings, so its limit is the longer one"
            )
        return self


class Anchors(BaseModel):
    """Where `record anchor` writes the record's head: out of reach of whoever owns the bench."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    file: Path | None = None
    """A file that lines are added to, on another computer's disk."""
    printer: tuple[str, ...] = ()
    """A command that prints what it is given on standard input, word by word."""
    broker: BrokerSettings | None = None
    """A second broker, which another keeps."""
    stamp: str = Field(default="", pattern="^(https?://.+)?$")
    """The address of an RFC 3161 time-stamping service."""


class Alerts(BaseModel):
    """Whom a board tells of a need that a person must see, beside who looks at it; each at most once a need."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    webhook: str = Field(default="", pattern="^(https?://.+)?$")
    """Where an object is posted, as JSON; empty for nowhere."""
    token_file: SecretFile | None = None
    """What is said there as a bearer token."""
    topic: bool = False
    """Whether the broker is told, at `strokelog-alerts/v1/BENCH`."""
    after_s: int = Field(default=60, ge=5, le=3600)
    """For so long a need must have stood."""
    kinds: tuple[str, ...] = (
        "out of air", "no readings", "stuck", "gauge out", "offline", "record broken", "clock off",
    )  # fmt: skip
    """Of which needs, as the board names them; what waits at a bench for its own technician only where it is named."""


class Shop(BaseModel):
    """How the shop calls itself on what it hands out, and where it collects what its benches say."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(default="", max_length=120)
    logo: Path | None = None
    """A PNG or JPEG file."""
    database: str = ""
    """What `collect` keeps, by its URL without a password: for a unit that was signed off at another bench."""
    database_password_file: Path | None = None


class Config(BaseSettings):
    """All settings of a bench. Environment variables are named STROKELOG_BENCH, STROKELOG_INDICATOR__PORT and so on."""

    model_config = SettingsConfigDict(env_prefix="STROKELOG_", env_nested_delimiter="__", extra="forbid", frozen=True)

    shared: Path | None = None
    """Settings that benches share, beside this file: what is not said here is as it says there."""
    bench: str = Field(default="bench-1", min_length=1, max_length=60)
    technician: str = ""
    sheet: Path | None = None
    data_dir: Path = Field(default_factory=data_folder)
    stock: Path | None = None
    """The stock's SQLite file, where benches share one; else it lies beside the record."""
    indicator: Indicator = Indicator()
    gauge: GaugeIdentity | None = None
    wrench: Wrench | None = None
    fixture: Fixture = Fixture()
    broker: BrokerSettings | None = None
    plant: PlantSettings | None = None
    """A plant's system that is told as well; None for none."""
    faces: Faces = Faces()
    people: SigningSettings = SigningSettings()
    retention: Retention | None = None
    anchors: Anchors = Anchors()
    alerts: Alerts = Alerts()
    shop: Shop = Shop()

    @property
    def record_path(self) -> Path:
        """The SQLite file with all jobs of this bench."""
        return self.data_dir / "record.sqlite"

    @property
    def stock_path(self) -> Path:
        """The SQLite file of the stock."""
        return self.stock or self.data_dir / "stock.sqlite"


@dataclass(frozen=True, slots=True)
class _SettingsFile:
    """A file as it is read, before what is in it is checked."""

    path: Path
    text: str
    raw: dict[str, Any]

    @classmethod
    def at(cls, path: Path) -> _SettingsFile:
        text = SETTINGS_FILE.text(path)
        return cls(path, text, SETTINGS_FILE.table(text, path))


def _settings_files(path: Path | None) -> tuple[_SettingsFile | None, _SettingsFile | None]:
    """Return the bench's own file, if there is one, and the one that it shares with others, if it names one."""
    source = path or default_config_path()
    if path is not None and not path.is_file():
        raise ConfigError(f"{path}: there is no such settings file")
    own = _SettingsFile.at(source) if source.is_file() else None
    named = os.environ.get("STROKELOG_SHARED") or (own.raw.get("shared") if own is not None else None)
    if not isinstance(named, str):  # a wrong one is told with what else is wrong
        return own, None
    shared = _SettingsFile.at(source.parent / named)
    for key in ("bench", "shared"):
        if key in shared.raw:
            where = place_in(shared.text, shared.path)((key,))
            raise ConfigError(f"{where}: {key}: belongs to a bench's own settings, and not to those that benches share")
    return own, shared


def _together(own: _SettingsFile | None, shared: _SettingsFile | None) -> dict[str, Any]:
    """Return what the files say: the bench's own wins, key by key; `{bench}` in a shared text is the bench's name."""
    raw = own.raw if own is not None else {}
    if shared is None:
        return raw
    bench = os.environ.get("STROKELOG_BENCH") or raw.get("bench", Config.model_fields["bench"].default)
    return _over(raw, _for_bench(shared.raw, str(bench)))


def _over(own: dict[str, Any], shared: dict[str, Any]) -> dict[str, Any]:
    # Another driver has other settings: of the shared one's none would fit.
    if "driver" in own and own["driver"] != shared.get("driver"):
        return own
    tables = {key: _over(own[key], one) for key, one in shared.items() if _tables(one, own.get(key))}
    return {**shared, **own, **tables}


def _tables(*values: object) -> bool:
    return all(isinstance(one, dict) for one in values)


def _for_bench(value: Any, bench: str) -> Any:
    if isinstance(value, dict):
        return {key: _for_bench(one, bench) for key, one in value.items()}
    if isinstance(value, list):
        return [_for_bench(one, bench) for one in value]
    return value.replace("{bench}", bench) if isinstance(value, str) else value


#: What the files of the settings that are being read say.
_SAID: Final[ContextVar[dict[str, Any]]] = ContextVar("said")


class _FromFile(Config):
    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return init_settings, env_settings, InitSettingsSource(settings_cls, _SAID.get())


def settings_table(path: Path | None = None) -> dict[str, Any]:
    """Return what the settings' files say, those of benches in common with them; raises ConfigError."""
    return _together(*_settings_files(path))


def load_config(path: Path | None = None) -> Config:
    """Read the settings from `path`, or from the XDG place if there is a file; raises ConfigError."""
    said = _SAID.set(settings_table(path))
    try:
        return _FromFile()
    except ValidationError as error:
        place = settings_place(path)
        raise ConfigError("\n".join(f"{place(way)}: {text}" for way, text in wrong_places(error, Config))) from error
    finally:
        _SAID.reset(said)


def settings_place(path: Path | None = None) -> Place:
    """Return what names a setting's place: "bay-1.toml, line 14", or the environment's variable.

    Of what stands nowhere, the place is that of the nearest table around it, else the bench's own file.
    """
    files = [(one.path, TomlLines(one.text)) for one in _settings_files(path) if one is not None]

    def place(way: Sequence[str | int]) -> str:
        for length in range(len(way), 0, -1):
            if (variable := _variable(way[:length])) in os.environ:
                return f"the environment, {variable}"
            for file, lines in files:
                if (span := lines.span(way[:length])) is not None:
                    return f"{file}, line {span[0]}"
        return str(path or default_config_path())

    return place


def _variable(way: Sequence[str | int]) -> str:
    return "STROKELOG_" + "__".join(str(part).upper() for part in way)


def settings_used(settled: Config, place: Place) -> list[tuple[tuple[str, ...], Any, str]]:
    """Return every setting that a bench would use: its way, its value, and where that is from."""
    given = settled.model_dump(mode="json", exclude_unset=True)

    def leaves(values: dict[str, Any], told: Any, way: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], Any, str]]:
        for key, value in values.items():
            inner = told.get(key) if isinstance(told, dict) else None
            if isinstance(value, dict):
                yield from leaves(value, inner, (*way, key))
            elif value is not None:
                said = isinstance(told, dict) and key in told
                yield (*way, key), value, place((*way, key)) if said else "default"

    return list(leaves(settled.model_dump(mode="json"), given, ()))
