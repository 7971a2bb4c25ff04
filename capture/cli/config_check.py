"""The command `config check`: what each bench would use, where that is from, and what is wrong, before any starts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from capture.cli.options import Json
from capture.plumbing.outward import harmless_console, say, say_json, warn

if TYPE_CHECKING:
    from capture.config import Config
    from capture.plumbing.checked_file import Place

#: What no two benches may have alike, and why.
_OWN: Final = {
    ("bench",): "the name of two benches",
    ("indicator", "port"): "the indicator's port of two benches",
    ("fixture", "port"): "the fixture's port of two benches",
    ("broker", "username"): "the user of two benches, of which the broker would throw one out",
    ("plant", "username"): "the user of two benches, of which the plant's broker would throw one out",
}
_USED = tuple[tuple[str, ...], Any, str]


@dataclass(frozen=True, slots=True)
class _Looked:
    """What was found of one file."""

    file: Path
    used: Sequence[_USED]
    wrong: list[str]


def check(
    files: Annotated[
        list[Path] | None, typer.Argument(metavar="FILE...", help="Settings of benches; without, this user's.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Say what each bench would use and where each value is from. Exit code 1 if any is wrong, by file and line.

    Files given together are compared too: no two benches may have a name, a port or a broker's user in common.
    Nothing is opened but the files and the build sheets that they name.
    """
    from capture.config import default_config_path

    looked = [_look(one) for one in files or [default_config_path()]]
    for one in looked:
        one.wrong.extend(_like_others(one, looked))
        if as_json:
            told = [{"key": ".".join(way), "value": value, "from": place} for way, value, place in one.used]
            say_json({"type": "settings", "file": str(one.file), "values": told, "wrong": one.wrong})
        else:
            _show(one)
    wrong = sum(len(one.wrong) for one in looked)
    if not as_json and not wrong:
        say(f"{len(looked)} settings files, and nothing is wrong." if len(looked) > 1 else "Nothing is wrong.")
    raise typer.Exit(1 if wrong else 0)


def _look(file: Path) -> _Looked:
    from capture.config import ConfigError, load_config, settings_place, settings_used

    try:
        settled, place = load_config(file), settings_place(file)
        return _Looked(file, settings_used(settled, place), list(_of_drivers_and_sheet(settled, place)))
    except ConfigError as error:
        return _Looked(file, (), str(error).splitlines())


def _of_drivers_and_sheet(settled: Config, place: Place) -> Iterator[str]:
    """What only shows where a driver or the sheet is taken up."""
    from capture.sheet.sheet import SheetError, sheet_and_text
    from drivers.indicators.registry import find_driver as find_indicator
    from drivers.wirings.registry import find_driver as find_wiring

    for table, find, chosen in (
        ("indicator", find_indicator, settled.indicator),
        ("fixture", find_wiring, settled.fixture),
    ):
        try:
            driver = find(chosen.driver)
        except LookupError as error:
            yield f"{place((table, 'driver'))}: {error.args[0]}"
            continue
        yield from _of_driver(driver, chosen.driver_settings(), table, place)
    if settled.sheet is not None:
        try:
            sheet_and_text(settled.sheet)
        except SheetError as error:
            yield f"{place(('sheet',))}: {error}"


def _of_driver(driver: Any, values: dict[str, Any], table: str, place: Place) -> Iterator[str]:
    from pydantic import ValidationError

    from capture.plumbing.wrong_values import wrong_places
    from drivers.registry import make_settings

    try:
        make_settings(driver, values)
    except ValidationError as error:
        for way, text in wrong_places(error, driver.settings, missing="{key}: is missing, and the driver needs it"):
            yield f"{place((table, *way))}: {table}.{text}"


def _like_others(one: _Looked, looked: Sequence[_Looked]) -> Iterator[str]:
    for way, value, place in one.used:
        if way in _OWN and value != "":
            twins = [str(other.file) for other in looked if other is not one and _value(other, way) == value]
            if twins:
                yield f"{place}: {'.'.join(way)}: {value!r} is {_OWN[way]}: also in {', '.join(twins)}"


def _value(looked: _Looked, wanted: tuple[str, ...]) -> Any:
    return next((value for way, value, _ in looked.used if way == wanted), None)


def _in_hours(value: Any) -> str:
    """Return a time as a person writes it: as it stands in the file, or what it is where the file says nothing, ns."""
    return f"{value / 3.6e12:g} h" if isinstance(value, int) else str(value)


def _show(looked: _Looked) -> None:
    from rich.table import Table

    used = [one for one in looked.used if one[1] not in ("", [])]
    if used:
        table = Table(title=str(looked.file), title_justify="left", box=None, pad_edge=False)
        for column in ("setting", "value", "from"):
            table.add_column(column, overflow="fold")
        for way, value, place in used:
            table.add_row(".".join(way), _in_hours(value) if way == ("gauge", "valid_for") else str(value), place)
        harmless_console().print(table)
        say()
    for text in looked.wrong:
        warn(text, error=True)
