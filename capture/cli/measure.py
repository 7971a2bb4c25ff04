"""The commands that measure a unit: `run` on a real bench, `demo` on a simulated one."""

from __future__ import annotations

import asyncio
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.bench_run import BenchRun, attach, encodable, is_terminal, page_at
from capture.cli.extras import need
from capture.cli.options import (
    ConfigFile,
    DataDir,
    DriverName,
    Json,
    Settings,
    broker_settings,
    errors_in_words,
    fail,
    options_given,
    pairs,
    read_sheet,
    record_path,
    settings_of,
    stock_file,
)
from capture.plumbing.outward import warn
from drivers.typed_port import PREFIX as TYPED_PORT

if TYPE_CHECKING:
    from capture.air.standing import FixtureSetup
    from capture.collect.settings import DatabaseSettings
    from capture.config import Config
    from capture.sheet.sheet import Sheet
    from drivers.units import PressureUnit


def run(
    context: typer.Context,
    sheet: Annotated[Path | None, typer.Option("--sheet", help="The build sheet, TOML.")] = None,
    port: Annotated[
        str | None, typer.Option("--port", help="/dev/ttyUSB0, keyboard:, socket://..., rfc2217://..., recording:FILE")
    ] = None,
    driver: DriverName = None,
    settings: Settings = None,
    unit: Annotated[str, typer.Option("--unit", help="The unit's serial number.")] = "",
    tech: Annotated[str | None, typer.Option("--tech", help="Who measures.")] = None,
    bench: Annotated[str | None, typer.Option("--bench", help="What this bench is called.")] = None,
    broker: Annotated[str | None, typer.Option("--broker", help="mqtt://host:port or mqtts://host:port")] = None,
    fixture: Annotated[str | None, typer.Option("--fixture", help="The air-check fixture's wiring.")] = None,
    fixture_port: Annotated[str | None, typer.Option("--fixture-port", help="The fixture's port.")] = None,
    fixture_set: Annotated[
        list[str] | None, typer.Option("--fixture-set", metavar="KEY=VALUE", help="A fixture setting; may be repeated.")
    ] = None,
    way: Annotated[
        str | None,
        typer.Option("--button", help="hold: air while the button is down; press: one press runs the check."),
    ] = None,
    pack: Annotated[list[str] | None, typer.Option("--pack", help="Only this pack; may be repeated.")] = None,
    resume: Annotated[
        int | None, typer.Option("--resume", metavar="JOB", help="Go on with an unfinished unit; its sheet is kept.")
    ] = None,
    variant: Annotated[
        str | None, typer.Option("--variant", help="Which variant of the sheet is fitted; --tech confirms it.")
    ] = None,
    auto: Annotated[bool, typer.Option("--auto", help="Pack after pack without asking, then end.")] = False,
    repeat: Annotated[
        bool, typer.Option("--repeat", help="With --auto: begin the next unit when one is done.")
    ] = False,
    service: Annotated[
        bool, typer.Option("--service", help="Measure without a screen; screens of `run` come and go, unit after unit.")
    ] = False,
    web: Annotated[bool, typer.Option("--web", help="Show the bench as a page too, for a tablet beside it.")] = False,
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="ADDRESS:PORT", help="Where --web listens [127.0.0.1:8710].")
    ] = None,
    look: Annotated[bool, typer.Option("--look", help="Only look at a bench that is being measured.")] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Measure a unit: pack after pack, from the port to a verdict.

    On a terminal it shows the bench and takes its keys, while a process of its own measures: that goes on when the
    terminal is closed, and the same command shows it again. Exit code 0 if every pack is good or the unit was signed
    off, 3 if not. Without a keyboard (a pipe) it goes through the packs by itself, as with --auto.
    """
    from capture.bench.setup import BenchSetup
    from capture.cli.gauge_files import room_of
    from capture.config import load_config, settings_place
    from capture.session.wrench_field import WrenchSetup

    with errors_in_words():
        settled = load_config(config)
    name_of_bench, folder = bench or settled.bench, data_dir or settled.data_dir
    record = folder / "record.sqlite"
    terminal = is_terminal() and not (as_json or service)
    if service and (auto or repeat):
        fail("--service measures when a technician says so; leave --auto and --repeat out, or --service", 2)
    if look or (terminal and not auto):
        attach(name_of_bench, record, look=look, service=data_dir is None, unit=unit, technician=tech or "")
    if resume is not None and (sheet is not None or unit or repeat or variant is not None):
        fail("--resume goes on with the job's own sheet and unit; leave --sheet, --variant, --unit and --repeat out", 2)
    sheet_path = sheet or settled.sheet
    if resume is not None:
        loaded, text = _sheet_of_job(resume, config, data_dir)
    elif sheet_path is None:
        fail("no build sheet; give one with --sheet FILE, or set `sheet` in the settings file", 2)
    else:
        by = tech if tech is not None else settled.technician
        loaded, text = _sheet_for_unit(sheet_path, variant, by, encodable(unit), asks=terminal or service or repeat)
    name = driver or ("typed" if (port or "").startswith(TYPED_PORT) else settled.indicator.driver)
    where = port or settled.indicator.port or (TYPED_PORT if name == "typed" else "")
    if not where:
        fail("no port; give one with --port, or set `port` under [indicator]; `strokelog listen` lists ports", 2)
    if where.startswith("input:"):
        need("keyboard")
    if settled.plant is not None:
        need("plant")
    given = pairs(settings)
    values = {**(settled.indicator.driver_settings() if name == settled.indicator.driver else {}), **given}

    def stands(key: str) -> str:
        return "--set" if key in given or key not in values else settings_place(config)(("indicator", key))

    indicator_driver, indicator_settings = settings_of(name, values, stands)
    fixture_setup, fixture_header = _fixture(fixture, fixture_port, fixture_set, way, settled, loaded.pressure_unit)
    if indicator_settings.sends == "on-press" and fixture_setup is not None and fixture_setup.way == "press":
        fail("--button press makes strokes by itself; an indicator that sends on-press needs --button hold", 2)
    order = [one.name for one in loaded.order()]
    for wanted in pack or []:
        if wanted not in order:
            fail(f"no pack {wanted!r} in {sheet_path or 'the sheet'}; there are: {', '.join(order)}", 2)
    by_itself = not service and (auto or not terminal)
    if indicator_driver.typed != where.startswith(TYPED_PORT):
        fail(f"--port {where} and --driver {name}: a dial that is typed has --port keyboard: and --driver typed", 2)
    if indicator_driver.typed and by_itself:
        fail("--driver typed: readings are typed on a terminal, and there is none here; leave --auto and pipes out", 2)

    gauge = settled.gauge.identity() if settled.gauge else None
    overdue = gauge.warning(datetime.now().astimezone().date()) if gauge else ""
    if overdue:
        warn(f"warning: {overdue}")

    wrench = None
    if settled.wrench is not None:
        wrench = WrenchSetup(settled.wrench.port, settled.wrench)

    setup = BenchSetup(
        bench=name_of_bench,
        port=where,
        driver=indicator_driver,
        settings=indicator_settings,
        indicator={"driver": name, **values},
        sheet=loaded,
        sheet_toml=text,
        unit_serial=encodable(unit),
        technician=encodable(tech if tech is not None else settled.technician),
        data_dir=folder,
        record_path=record,
        broker=broker_settings(broker, settled),
        plant=settled.plant,
        gauge=gauge,
        room=room_of(None, settled),
        wrench_serial=settled.wrench.serial if settled.wrench is not None else "",
        fixture=fixture_setup,
        fixture_header=fixture_header,
        stock=stock_file(settled, data_dir),
        keys_for=settled.people.keys_for,
        shop_database=_shop_database(settled),
        resume=resume,
    )
    if listen is not None and not web:
        fail("--listen is where --web listens; give --web as well", 2)
    page = None
    if web or settled.faces.web:
        page = page_at(
            listen or settled.faces.web or "127.0.0.1:8710", settled.faces.token_file or folder / "page-token"
        )
    packs = ([order.index(one) for one in pack] if pack else list(range(len(order)))) if by_itself else None
    begun_with = options_given(context, "unit", "sheet", "variant", "resume", "repeat")
    bench_run = BenchRun(
        setup, packs=packs, wrench=wrench, as_json=as_json, repeats=repeat and by_itself, service=service,
        group=settled.faces.group, page=page, begun_with=begun_with,
    )  # fmt: skip
    with errors_in_words():
        raise typer.Exit(bench_run.on_terminal() if terminal else bench_run.here())


def _shop_database(settled: Config) -> DatabaseSettings | None:
    if not settled.shop.database:
        return None
    from pydantic import ValidationError

    from capture.collect.settings import DatabaseSettings
    from capture.plumbing.wrong_values import wrong_values

    given = {"url": settled.shop.database, "password_file": settled.shop.database_password_file}
    try:
        return DatabaseSettings.model_validate(given)
    except ValidationError as error:
        fail(f"[shop] database: {wrong_values(error, DatabaseSettings)[0]}", 2)


def _sheet_for_unit(path: Path, variant: str | None, by: str, unit: str, *, asks: bool) -> tuple[Sheet, str]:
    """Return the sheet and its text, with the variant that a named person says is fitted to the unit. `asks`: a screen
    asks for it where it is not given."""
    loaded, text = read_sheet(path, variant, by.strip(), unit)
    if variant is None and loaded.undecided and not asks:
        names = ", ".join(one.name for one in loaded.variants)
        fail(f"{path} has variants: say which is fitted, --variant NAME; there are: {names}", 2)
    if variant is not None and not by.strip():
        fail("--variant is confirmed by name: say who, --tech NAME", 2)
    if variant is not None and not unit:
        fail("--variant is confirmed for one unit: say which, --unit SERIAL", 2)
    return loaded, text


def _sheet_of_job(job_id: int, config: Path | None, data_dir: Path | None) -> tuple[Sheet, str]:
    """Return the build sheet exactly as the job began with it."""
    from capture.job.unfinished import sheet_of_job

    with errors_in_words():
        return sheet_of_job(record_path(config, data_dir), job_id)


def _fixture(
    name: str | None,
    port: str | None,
    words: list[str] | None,
    way: str | None,
    settled: Config,
    told: PressureUnit,
) -> tuple[FixtureSetup | None, dict[str, Any] | None]:
    """Return the fixture to drive and its name for recordings, (None, None) for a valve worked by hand."""
    from pydantic import ValidationError

    from capture.air.standing import FixtureSetup
    from capture.plumbing.wrong_values import wrong_values
    from drivers.registry import make_settings
    from drivers.wirings.registry import find_driver

    known = settled.fixture
    chosen = name or known.driver
    try:
        driver = find_driver(chosen)
    except LookupError as error:
        fail(str(error.args[0]), 2)
    if not driver.wired:
        return None, None
    where = port or known.port
    if not where:
        fail(f"fixture {chosen!r} needs its port: --fixture-port PORT, or `port` under [fixture]", 2)
    how = way or known.button
    if how not in ("hold", "press"):
        fail(f"--button {how}: expected hold or press", 2)
    values = {**(known.driver_settings() if chosen == known.driver else {}), **pairs(words)}
    try:
        checked = make_settings(driver, values)
    except ValidationError as error:
        fail(f"fixture {chosen!r}: {wrong_values(error, driver.settings)[0]}", 2)
    made = FixtureSetup(driver, checked, where, "press" if how == "press" else "hold", told)
    return made, {"driver": chosen, **values}


def demo(
    speed: Annotated[float, typer.Option("--speed", min=0.1, max=50, help="How many times faster than life.")] = 1.0,
    troubles: Annotated[
        bool, typer.Option("--troubles", help="Let every kind of trouble happen at least once.")
    ] = False,
    as_json: Json = False,
    data_dir: DataDir = None,
) -> None:
    """Show the whole job on a simulated bench: no hardware, no broker, no settings. About a minute."""
    need("demo")
    from capture.cli.demo_run import run_demo

    with errors_in_words():
        raise typer.Exit(asyncio.run(run_demo(speed=speed, troubles=troubles, as_json=as_json, data_dir=data_dir)))
