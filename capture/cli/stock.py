"""The commands of the stock: `strokelog stock import`, `show`, `measure`, `reserve` and the others."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.options import ConfigFile, Json, Settings, errors_in_words, fail, pairs, settings_of
from capture.plumbing.outward import say, say_json, warn, write

if TYPE_CHECKING:
    from capture.stock import Holdings, Reservation, StockRoom
    from capture.stock.holdings import Bin

__all__ = [
    "StockPath",
    "consume",
    "export",
    "give_back",
    "import_",
    "measure",
    "opened",
    "receive",
    "release",
    "reserve",
    "show",
    "stock_at",
    "tell_reservations",
    "warn_low",
]

StockPath = Annotated[
    Path | None, typer.Option("--stock", help="The stock, SQLite; several benches may share it. Made if there is none.")
]
_By = Annotated[str | None, typer.Option("--by", help="Who does it; else the settings' technician.")]
_Part = Annotated[str, typer.Argument(help="The part, as the build sheet names it.")]
_Thickness = Annotated[str, typer.Argument(help="The thickness it is sold by, such as '2.80 mm'.")]
_Serial = Annotated[str | None, typer.Option("--serial", help="The measured part with this serial.")]
_Pack = Annotated[str, typer.Option("--pack", help="The pack it is for.")]


def stock_at(stock: Path | None, config: Path | None) -> tuple[Path, str]:
    """Return where the stock is and who uses it, by the options and else the settings."""
    from capture.config import load_config

    settled = load_config(config)
    return stock or settled.stock_path, settled.technician


@contextmanager
def stock_errors() -> Iterator[None]:
    """Say in words what goes wrong with a stock, a file of it, or an allotment."""
    from capture.plumbing.checked_file import TableError
    from capture.stock import StockError
    from capture.stock.allotment import AllotError

    with errors_in_words():
        try:
            yield
        except (AllotError, StockError, TableError) as error:
            fail(str(error))


@contextmanager
def opened(stock: Path | None, config: Path | None, by: str | None) -> Iterator[tuple[StockRoom, str, datetime]]:
    """Open the stock for a command; what goes wrong is said in words."""
    from capture.stock import StockError, StockRoom

    with stock_errors():
        path, technician = stock_at(stock, config)
        if stock is None:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise StockError(
                    f"cannot make the folder {path.parent}: {error.strerror}; give the stock's file with --stock"
                ) from error
        with StockRoom.open(path) as room:
            yield room, technician if by is None else by, datetime.now(UTC)


def _length(text: str, what: str) -> int:
    from drivers.units import parse_length

    try:
        value = parse_length(text)
    except ValueError as error:
        fail(f"{what}: {error}", 2)
    if value <= 0:
        fail(f"{what}: {text!r} is not above zero; expected such as '2.80 mm'", 2)
    return value


def warn_low(before: Holdings, after: Holdings) -> None:
    """Say on standard error which bins have just become low."""
    was = {(one.part, one.thickness_nm) for one in before.low()}
    warn_of([one for one in after.low() if (one.part, one.thickness_nm) not in was])


def warn_of(low: Iterable[Bin]) -> None:
    """Say on standard error of which sizes so few are free that the stock's file asks for an order."""
    for one in low:
        warn(f"strokelog: low stock: {one.text}: {one.free} free, order at {one.low}")


def _reservation_json(one: Reservation) -> dict[str, Any]:
    return {
        "type": "reservation",
        "number": one.number,
        "part": one.part,
        "thickness_nm": one.thickness_nm,
        "serial": one.serial,
        "unit": one.place.unit,
        "job": one.place.job,
        "pack": one.place.pack,
        "adjuster": one.place.adjuster,
        "from_unit": one.source.unit if one.source else None,
        "from_pack": one.source.pack if one.source else None,
        "at": one.at.isoformat(),
        "by": one.by,
    }


def tell_reservations(found: list[Reservation], did: str, as_json: bool) -> None:
    """Print reservations that were just made or closed."""
    for one in found:
        if as_json:
            say_json({**_reservation_json(one), "did": did})
        else:
            say(f"{did}: {one.text} (reservation {one.number})")


def import_(
    file: Annotated[Path, typer.Argument(help="A stock file, TOML.")],
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Make the shelf what a stock file says, as after counting it. What the file does not list stays."""
    from capture.stock import load_stock

    with stock_errors():
        loaded = load_stock(file)
    with opened(stock, config, by) as (room, who, at):
        changed = room.import_file(loaded, by=who, at=at)
        low = room.holdings().low()
    if as_json:
        say_json({"type": "imported", "changed": changed})
        return
    for line in changed:
        say(line)
    say(f"{len(loaded.parts)} thicknesses read, {len(changed)} changes.")
    warn_of(low)


def export(
    file: Annotated[Path | None, typer.Argument(help="Where to; standard output if left out.")] = None,
    stock: StockPath = None,
    config: ConfigFile = None,
) -> None:
    """Write the shelf as a stock file, TOML, to edit and to import."""
    from capture.stock import write_stock

    with opened(stock, config, "") as (room, _, _):
        text = write_stock(room.holdings().bins)
    if file is None:
        write(text)
        return
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        fail(f"cannot write {file}: {error.strerror}")


def show(as_json: Json = False, stock: StockPath = None, config: ConfigFile = None) -> None:
    """Show what there is, what is reserved and for whom, and what to order."""
    with opened(stock, config, "") as (room, _, _):
        holdings = room.holdings()
    if not as_json:
        _show_tables(holdings)
        return
    for one in holdings.bins:
        line = {
            "type": "bin",
            "part": one.part,
            "thickness_nm": one.thickness_nm,
            "thickness": one.thickness_text,
            "tolerance_nm": one.tolerance_nm,
            "count": one.shelf,
            "reserved": one.reserved,
            "free": one.free,
            "low": one.low,
            "is_low": one.is_low,
            "measured": [
                {
                    "serial": part.serial,
                    "actual_nm": part.actual_nm,
                    "expanded_uncertainty_nm": part.expanded_uncertainty_nm,
                    "reserved": part.reserved,
                }
                for part in one.measured
            ],
        }
        say_json(line)
    for reservation in holdings.reservations:
        say_json(_reservation_json(reservation))


def _show_tables(holdings: Holdings) -> None:
    from rich.table import Table
    from rich.text import Text

    from capture.plumbing.outward import harmless_console
    from drivers.units import format_length

    console = harmless_console()
    table = Table(title="Stock", title_justify="left")
    for name in ("part", "thickness", "on shelf", "reserved", "free", "order at", "measured parts"):
        table.add_column(name, justify="right" if name in ("on shelf", "reserved", "free", "order at") else "left")
    for one in holdings.bins:
        measured = ", ".join(
            f"{part.serial} {format_length(part.actual_nm, one.unit)}{' (reserved)' if part.reserved else ''}"
            for part in one.measured
        )
        order = "-" if one.low is None else f"{one.low}{'  LOW' if one.is_low else ''}"
        cells = (one.part, one.thickness_text, str(one.shelf), str(one.reserved), str(one.free), order, measured)
        table.add_row(*(Text(cell) for cell in cells), style="bold" if one.is_low else "")
    console.print(table)
    for reservation in holdings.reservations:
        at = f"{reservation.at.astimezone():%Y-%m-%d %H:%M}"
        who = f", by {reservation.by}" if reservation.by else ""
        say(f"reservation {reservation.number}: {reservation.text} ({at}{who})")


def receive(
    part: _Part,
    thickness: _Thickness,
    count: Annotated[int, typer.Argument(min=1, max=100_000, help="How many.")],
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Put new parts on the shelf, of a thickness that the stock lists."""
    value = _length(thickness, "THICKNESS")
    with opened(stock, config, by) as (room, who, at):
        room.receive(part, value, count, by=who, at=at)
    if as_json:
        say_json({"type": "received", "part": part, "thickness_nm": value, "count": count})
    else:
        say(f"{count} {part} {thickness} received.")


def measure(
    part: _Part,
    thickness: _Thickness,
    serial: Annotated[str, typer.Argument(help="The serial on the part's tag; a new one is put on a loose part.")],
    micrometer: Annotated[str | None, typer.Option("--micrometer", help="What it measures, typed in.")] = None,
    uncertainty: Annotated[
        str | None, typer.Option("--uncertainty", help="Expanded uncertainty (95 %) of the measurement.")
    ] = None,
    port: Annotated[str | None, typer.Option("--port", help="Read it from this instrument's port instead.")] = None,
    driver: Annotated[str, typer.Option("--driver", help="The instrument's driver.")] = "line",
    settings: Settings = None,
    seconds: Annotated[float, typer.Option("--seconds", min=1, help="How long to wait for the port.")] = 30.0,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Keep a part's measured thickness, typed in or read from an instrument that was zeroed before."""
    from capture.stock.holdings import misfit
    from drivers.units import format_length, length_unit

    sold = _length(thickness, "THICKNESS")
    expanded = _length(uncertainty, "--uncertainty") if uncertainty is not None else None
    if (micrometer is None) == (port is None):
        fail("give what it measures, --micrometer '2.803 mm', or the port to read it from, --port PORT", 2)
    if micrometer is not None and expanded is None:
        fail("--micrometer needs --uncertainty, such as '0.004 mm': its maker's or its calibration's word", 2)
    actual = 0 if micrometer is None else _length(micrometer, "--micrometer")
    if port is not None:
        from drivers.thickness import read_thickness

        wire, chosen = settings_of(driver, pairs(settings))
        warn(f"Measure {part} {thickness}, {serial}: hold still until it is read.")
        with errors_in_words():
            try:
                read = asyncio.run(read_thickness(port, wire, chosen, lambda nm: misfit(nm, sold, ()), seconds))
            except TimeoutError as error:
                fail(str(error))
        if not chosen.max_error and expanded is None:
            warn("strokelog: no --set max_error given: only the display's steps are taken as uncertain")
        actual = read.actual_nm
        expanded = expanded if expanded is not None else read.expanded_uncertainty_nm
    assert expanded is not None
    with opened(stock, config, by) as (room, who, at):
        room.measure(part, sold, serial.strip(), actual, expanded, by=who, at=at)
    if as_json:
        line = {"type": "measured", "serial": serial, "actual_nm": actual, "expanded_uncertainty_nm": expanded}
        say_json(line)
    else:
        unit = length_unit(thickness)
        places = 5 if unit == "in" else 4
        text = f"{format_length(actual, unit, places)} ± {format_length(expanded, unit, places)}"
        say(f"{part} {thickness}, {serial}: {text}")


def reserve(
    part: _Part,
    thickness: _Thickness,
    unit: Annotated[str, typer.Argument(help="The unit's serial number, or a job's UUID.")],
    pack: _Pack = "",
    serial: _Serial = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Reserve one part for a unit."""
    from capture.stock import PieceWanted, Place

    value = _length(thickness, "THICKNESS")
    if not unit.strip():
        fail("UNIT: is empty; expected the unit's serial number", 2)
    with opened(stock, config, by) as (room, who, at):
        before = room.holdings()
        made = room.reserve([PieceWanted(part, value, serial, Place("", unit, pack))], by=who, at=at)
        warn_low(before, room.holdings())
    tell_reservations(made, "reserved", as_json)


def _chosen(unit: str | None, number: int | None) -> str | int:
    if (unit is None) == (number is None):
        fail("name the UNIT, or one reservation with --number N; `strokelog stock show` lists them", 2)
    return number if number is not None else str(unit)


def _tell_closed(closed: list[Reservation], did: str, chosen: str | int, as_json: bool) -> None:
    if not closed:
        fail(f"nothing is reserved for {chosen}; `strokelog stock show` lists the reservations")
    tell_reservations(closed, did, as_json)


_Unit = Annotated[str | None, typer.Argument(help="The unit's serial number, or a job's UUID.")]
_OnlyPack = Annotated[str | None, typer.Option("--pack", help="Only what is reserved for this pack.")]
_Number = Annotated[int | None, typer.Option("--number", help="Only this reservation.")]


def release(
    unit: _Unit = None,
    pack: _OnlyPack = None,
    number: _Number = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Give up what is reserved for a unit; the parts are free again."""
    chosen = _chosen(unit, number)
    with opened(stock, config, by) as (room, who, at):
        _tell_closed(room.release(chosen, pack, by=who, at=at), "released", chosen, as_json)


def consume(
    unit: _Unit = None,
    pack: _OnlyPack = None,
    number: _Number = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Take what is reserved for a unit off the shelf for good: it is fitted, and the unit signed off."""
    chosen = _chosen(unit, number)
    with opened(stock, config, by) as (room, who, at):
        _tell_closed(room.consume(chosen, pack, by=who, at=at), "consumed", chosen, as_json)


def give_back(
    part: _Part,
    thickness: _Thickness,
    serial: _Serial = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: _By = None,
) -> None:
    """Put a part that came out of a unit back on the shelf."""
    value = _length(thickness, "THICKNESS")
    with opened(stock, config, by) as (room, who, at):
        room.take_back(part, value, serial, by=who, at=at)
    if as_json:
        say_json({"type": "returned", "part": part, "thickness_nm": value, "serial": serial})
    else:
        say(f"{part} {thickness}{' ' + serial if serial else ''} is on the shelf again.")
