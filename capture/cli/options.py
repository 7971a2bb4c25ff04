"""What every command shares: its options, how it speaks and fails, and how it reads settings, sheets and the record."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from capture.plumbing.outward import warn

if TYPE_CHECKING:
    from capture.config import Config
    from capture.mqtt.settings import BrokerSettings
    from capture.sheet.sheet import Sheet
    from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings

__all__ = [
    "ConfigFile",
    "DataDir",
    "DriverName",
    "Json",
    "Settings",
    "broker_settings",
    "errors_in_words",
    "fail",
    "head_option",
    "many",
    "open_store",
    "pairs",
    "read_sheet",
    "record_path",
    "settings_of",
    "stock_file",
]

Json = Annotated[bool, typer.Option("--json", help="One JSON object a line, for pipes.")]
SheetFile = Annotated[Path, typer.Option("--sheet", help="The build sheet, TOML.")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="An indicator setting; may be repeated.")
]
DriverName = Annotated[str | None, typer.Option("--driver", help="The indicator's driver.")]
ConfigFile = Annotated[Path | None, typer.Option("--config", help="The settings file, TOML.")]
DataDir = Annotated[Path | None, typer.Option("--data-dir", help="Where record and recordings are kept.")]


def fail(text: str, code: int = 1) -> NoReturn:
    """Say what is wrong on standard error and exit."""
    warn(f"strokelog: {text}", error=True)
    raise typer.Exit(code)


@contextmanager
def errors_in_words() -> Iterator[None]:
    from capture.config import ConfigError
    from capture.job.people import PeopleError
    from capture.record import RecordError
    from capture.recordings.file import RecordingError
    from capture.sheet.sheet import SheetError
    from capture.unit.changes import PlanError

    try:
        yield
    except BrokenPipeError:  # a reader that left is no fault; `main` ends quietly
        raise
    except (ConfigError, PeopleError, PlanError, RecordError, RecordingError, SheetError, ConnectionError) as error:
        fail(str(error))


def settings_of(
    name: str, values: dict[str, Any], where: Callable[[str], str] = lambda key: "--set"
) -> tuple[IndicatorDriver, IndicatorSettings]:
    """Validate an indicator's settings, or exit naming the one that is wrong; `where` says where a key stands."""
    from pydantic import ValidationError

    from capture.plumbing.wrong_values import wrong_places
    from drivers.indicators.registry import find_driver
    from drivers.registry import make_settings

    try:
        driver = find_driver(name)
    except LookupError as error:
        fail(str(error.args[0]), 2)
    try:
        return driver, make_settings(driver, values)
    except ValidationError as error:
        wrong = wrong_places(error, driver.settings, missing=f"{name!r} needs it; give it with --set {{key}}=VALUE")
        fail("\n".join(f"{where(str(way[0]) if way else '')}: {text}" for way, text in wrong), 2)


def pairs(words: list[str] | None) -> dict[str, Any]:
    """Turn KEY=VALUE words into settings; a value in brackets or quotes is JSON."""
    values: dict[str, Any] = {}
    for word in words or []:
        key, sign, text = word.partition("=")
        if not sign or not key.strip():
            fail(f"--set {word}: expected KEY=VALUE, such as --set unit=in", 2)
        value: Any = text
        if text[:1] in '[{"':
            try:
                value = json.loads(text)
            except json.JSONDecodeError as error:
                fail(f"--set {word}: no JSON: {error.msg}", 2)
        values[key.strip()] = value
    return values


def options_given(context: typer.Context, *but: str) -> str:
    """Return the options of the command that runs, as they were given on the command line and a shell takes them.

    Parameters named in `but` are left out, and so is what settings or defaults say.
    """
    words: list[str] = []
    for one in context.command.params:
        source = context.get_parameter_source(one.name or "")
        if one.name in but or source is None or source.name != "COMMANDLINE":
            continue
        value = context.params[one.name or ""]
        if isinstance(value, bool):
            words += one.opts[:1] if value else one.secondary_opts[:1]
        else:
            for each in value if isinstance(value, (list, tuple)) else [value]:
                words += [one.opts[0], str(each)]
    return shlex.join(words)


def read_sheet(path: Path, variant: str | None = None, by: str = "", unit: str = "") -> tuple[Sheet, str]:
    """Return a sheet and its text, for the variant that is fitted where one is named, or exit saying what is wrong."""
    from capture.sheet.sheet import SheetError, parse_sheet, sheet_and_text
    from capture.sheet.variants import chosen_text

    try:
        sheet, text = sheet_and_text(path)
        if variant is None:
            return sheet, text
        names = [one.name for one in sheet.variants]
        if variant not in names:
            fail(f"--variant {variant}: no variant of {path}; there are: {', '.join(names) or 'none'}", 2)
        text = chosen_text(text, variant, by, unit)
        return parse_sheet(text, str(path)), text
    except (SheetError, ValueError) as error:
        fail(str(error))


def broker_settings(url: str | None, settled: Config) -> BrokerSettings | None:
    """Return the broker of the settings, at `url` if one is given, or exit saying what is wrong with it."""
    from pydantic import ValidationError

    from capture.mqtt.settings import BrokerSettings
    from capture.plumbing.wrong_values import wrong_values

    if url is None:
        return settled.broker
    known = settled.broker.model_dump(exclude_none=True) if settled.broker else {}
    try:
        return BrokerSettings.model_validate({**known, "url": url})
    except ValidationError as error:
        fail(f"--broker: {wrong_values(error)[0]}", 2)


def record_path(config: Path | None, data_dir: Path | None) -> Path:
    """Return where the record is, or exit if there is none yet."""
    from capture.config import load_config

    path = data_dir / "record.sqlite" if data_dir else load_config(config).record_path
    if not path.is_file():
        fail(f"there is no record at {path} yet; `strokelog run` or `strokelog demo` makes one")
    return path


def open_store(config: Path | None, data_dir: Path | None) -> Any:
    from capture.record import Store

    return Store.open(record_path(config, data_dir))


def stock_file(settled: Config, data_dir: Path | None) -> Path | None:
    """Return where the stock is: as the settings say, else beside the record; None if the shop keeps none."""
    path = settled.stock or (data_dir or settled.data_dir) / "stock.sqlite"
    return path if path.is_file() else None


def head_option(expect: str | None) -> tuple[int, str] | None:
    """Return the number and hash of --expect; fails where it is none."""
    if expect is None:
        return None
    found = re.fullmatch(r"\s*([1-9][0-9]{0,17}):([0-9a-fA-F]{64})\s*", expect)
    if found is None:
        fail(
            f"--expect {expect}: expected NUMBER:HASH as `verify` prints it, 64 hex digits",
            2,
        )
    return int(found[1]), found[2].lower()


def many(number: int, noun: str) -> str:
    """Return so many of them in words: "1 check", "3 checks", "2 entries"."""
    if number == 1:
        return f"1 {noun}"
    return f"{number} {noun.removesuffix('y')}ies" if noun.endswith("y") else f"{number} {noun}s"
