"""The commands. Each parses its words, calls the part that does the work, and turns errors into one clear line.

What a command needs is imported where it is used: a bench daemon must start in under a second.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from capture import __version__

if TYPE_CHECKING:
    from capture.air_check import FixtureSetup
    from capture.config import Config
    from capture.record import Job
    from capture.sheet import Air, Pack, Sheet
    from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings

__all__ = ["app", "main"]

app = typer.Typer(
    name="strokelog",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Capture clutch-pack strokes from a digital indicator, judge the clearance, keep the proof.",
    epilog=(
        "Compressed air injects and blinds; air-applied pistons pinch. Eye protection on, hands clear, supply "
        "regulated and relieved. Follow the manufacturer's service literature and local codes."
    ),
)

Json = Annotated[bool, typer.Option("--json", help="One JSON object a line, for pipes.")]
SheetFile = Annotated[Path, typer.Option("--sheet", help="The build sheet, TOML.")]
Settings = Annotated[
    list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="An indicator setting; may be repeated.")
]
DriverName = Annotated[str | None, typer.Option("--driver", help="The indicator's wire form.")]
ConfigFile = Annotated[Path | None, typer.Option("--config", help="The settings file, TOML.")]
DataDir = Annotated[Path | None, typer.Option("--data-dir", help="Where record and recordings are kept.")]


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"strokelog {__version__}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Capture clutch-pack strokes from a digital indicator, judge the clearance, keep the proof."""


def fail(text: str, code: int = 1) -> NoReturn:
    """Say what is wrong on standard error and exit."""
    sys.stderr.write(f"strokelog: {text}\n")
    raise typer.Exit(code)


def say(text: str = "") -> None:
    """Write a line to standard output."""
    sys.stdout.write(text + "\n")


@contextmanager
def _errors_in_words() -> Iterator[None]:
    from capture.config import ConfigError
    from capture.record import RecordError
    from capture.recording import RecordingError
    from capture.sheet import SheetError

    try:
        yield
    except (ConfigError, RecordError, RecordingError, SheetError, ConnectionError) as error:
        fail(str(error))


def _settings_of(name: str, values: dict[str, Any], where: str) -> tuple[IndicatorDriver, IndicatorSettings]:
    """Validate an indicator's settings, or exit naming the one that is wrong."""
    from pydantic import ValidationError

    from drivers.indicators.registry import find_driver, make_settings

    try:
        driver = find_driver(name)
    except LookupError as error:
        fail(str(error.args[0]), 2)
    try:
        return driver, make_settings(driver, values)
    except ValidationError as error:
        lines = []
        for item in error.errors():
            key = ".".join(str(part) for part in item["loc"]) or "settings"
            what = str(item["msg"]).removeprefix("Value error, ")
            if item["type"] == "extra_forbidden":
                what = f"no setting of {name!r}; there are: {', '.join(driver.settings.model_fields)}"
            elif item["type"] == "missing":
                what = f"{name!r} needs it; give it with --set {key}=VALUE"
            lines.append(f"{where}: {key}: {what}")
        fail("\n".join(lines), 2)


def _pairs(words: list[str] | None) -> dict[str, Any]:
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


def _load_sheet(path: Path) -> tuple[Sheet, str]:
    from capture.sheet import SheetError, load_sheet

    try:
        return load_sheet(path), path.read_text()
    except SheetError as error:
        fail(str(error))


# -- measuring -------------------------------------------------------------------------------------------


@app.command()
def run(
    sheet: Annotated[Path | None, typer.Option("--sheet", help="The build sheet, TOML.")] = None,
    port: Annotated[
        str | None, typer.Option("--port", help="/dev/ttyUSB0, socket://..., rfc2217://..., recording:FILE")
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
        str | None, typer.Option("--way", help="hold: air while the button is down; press: one press runs the check.")
    ] = None,
    pack: Annotated[list[str] | None, typer.Option("--pack", help="Only this pack; may be repeated.")] = None,
    auto: Annotated[bool, typer.Option("--auto", help="Pack after pack without asking, then end.")] = False,
    repeat: Annotated[
        bool, typer.Option("--repeat", help="With --auto: begin the next unit when one is done.")
    ] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Measure a unit: pack after pack, from the port to a verdict.

    Ends with 0 if every pack is good, 3 if not. Without a keyboard (a pipe, a service) it goes through the packs by
    itself, as with --auto.
    """
    from capture.config import load_config
    from capture.daemon import BenchSetup
    from capture.session import Face, Session, by_hand, in_order, run_session, summary

    with _errors_in_words():
        settled = load_config(config)
    sheet_path = sheet or settled.sheet
    if sheet_path is None:
        fail("no build sheet; give one with --sheet FILE, or set `sheet` in the settings file", 2)
    loaded, text = _load_sheet(sheet_path)
    where = port or settled.indicator.port
    if not where:
        fail("no port; give one with --port, or set `port` under [indicator]; `strokelog listen` lists ports", 2)
    name = driver or settled.indicator.driver
    values = {**(settled.indicator.driver_settings() if name == settled.indicator.driver else {}), **_pairs(settings)}
    indicator_driver, indicator_settings = _settings_of(name, values, "indicator")
    fixture_setup, fixture_header = _fixture(fixture, fixture_port, fixture_set, way, settled)
    order = [one.name for one in loaded.order()]
    for wanted in pack or []:
        if wanted not in order:
            fail(f"no pack {wanted!r} in {sheet_path}; there are: {', '.join(order)}", 2)
    by_itself = auto or as_json or not (sys.stdin.isatty() and sys.stdout.isatty())

    async def once() -> int:
        setup = BenchSetup(
            bench=bench or settled.bench,
            port=where,
            driver=indicator_driver,
            settings=indicator_settings,
            indicator={"driver": name, **values},
            sheet=loaded,
            sheet_toml=text,
            unit_serial=unit,
            technician=tech if tech is not None else settled.technician,
            data_dir=data_dir or settled.data_dir,
            record_path=(data_dir / "record.sqlite") if data_dir else settled.record_path,
            broker=_broker(broker, settled),
            fixture=fixture_setup,
            fixture_header=fixture_header,
        )
        session = Session(setup, Face.JSON if as_json else Face.TERMINAL)
        indices = [order.index(one) for one in pack] if pack else list(range(len(order)))
        code = await run_session(session, in_order(indices) if by_itself else by_hand)
        if not by_itself:
            for line in summary(session):
                say(line)
        if session.leave.is_set():
            raise typer.Exit(code)
        return code

    with _errors_in_words():
        code = asyncio.run(once())
        while repeat and by_itself:
            code = asyncio.run(once())
    raise typer.Exit(code)


def _fixture(
    name: str | None, port: str | None, words: list[str] | None, way: str | None, settled: Config
) -> tuple[FixtureSetup | None, dict[str, Any] | None]:
    """Return the fixture to drive and its name for recordings, (None, None) for a valve worked by hand."""
    from pydantic import ValidationError

    from capture.air_check import FixtureSetup
    from drivers.fixtures.registry import find_driver, make_settings

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
    how = way or known.way
    if how not in ("hold", "press"):
        fail(f"--way {how}: expected hold or press", 2)
    values = {**(known.driver_settings() if chosen == known.driver else {}), **_pairs(words)}
    try:
        checked = make_settings(driver, values)
    except ValidationError as error:
        item = error.errors()[0]
        key = ".".join(str(part) for part in item["loc"])
        what = str(item["msg"]).removeprefix("Value error, ")
        fail(f"fixture: {key}: {what}; {chosen!r} takes: {', '.join(driver.settings.model_fields)}", 2)
    return FixtureSetup(driver, checked, where, "press" if how == "press" else "hold"), {"driver": chosen, **values}


def _broker(url: str | None, settled: Config) -> Any:
    from pydantic import ValidationError

    from capture.publish import BrokerSettings

    if url is None:
        return settled.broker
    known = settled.broker.model_dump(exclude_none=True) if settled.broker else {}
    try:
        return BrokerSettings.model_validate({**known, "url": url})
    except ValidationError as error:
        fail(f"--broker: {str(error.errors()[0]['msg']).removeprefix('Value error, ')}", 2)


@app.command()
def demo(
    speed: Annotated[float, typer.Option("--speed", min=0.1, max=50, help="How many times faster than life.")] = 1.0,
    troubles: Annotated[
        bool, typer.Option("--troubles", help="Let every kind of trouble happen at least once.")
    ] = False,
    as_json: Json = False,
    data_dir: DataDir = None,
) -> None:
    """Show the whole job on a simulated bench: no hardware, no broker, no settings. About a minute."""
    from capture.demo import run_demo

    with _errors_in_words():
        raise typer.Exit(asyncio.run(run_demo(speed=speed, troubles=troubles, as_json=as_json, data_dir=data_dir)))


# -- replay and wire forms -------------------------------------------------------------------------------


@app.command()
def replay(
    recording: Annotated[Path, typer.Argument(help="A recording, .jsonl")],
    sheet: Annotated[Path | None, typer.Option("--sheet", help="Judge by this build sheet.")] = None,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack of the sheet that was measured.")] = None,
    speed: Annotated[float | None, typer.Option("--speed", min=0.01, help="Times the recorded pace.")] = None,
    explain: Annotated[bool, typer.Option("--explain", help="Show the uncertainty budget.")] = False,
    as_json: Json = False,
) -> None:
    """Measure a recording again. Ends with 0, or 1 if the recording cannot be read."""
    from rich.console import Console

    from capture.dashboard import budget_table, report_strokes
    from capture.recording import RecordingWarning
    from capture.replay import Replay, stroke_json, verdict_json
    from capture.view import StrokeView

    chosen, unit, air = _chosen_pack(sheet, pack)
    if explain and chosen is None:
        fail("--explain needs a verdict: give --sheet and --pack", 2)
    with _errors_in_words(), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", RecordingWarning)
        played = Replay(recording, chosen, unit, air)
        if played.unknown_settings:
            sys.stderr.write(f"strokelog: indicator settings not used: {', '.join(played.unknown_settings)}\n")
        shown = []
        for kept in played.strokes(speed):
            shown.append(StrokeView(kept.stroke, kept.seat))
            if as_json:
                say(json.dumps(stroke_json(kept), ensure_ascii=False))
    for one in caught:
        sys.stderr.write(f"strokelog: {one.message}\n")
    verdict = played.verdict
    if as_json:
        if chosen is not None and verdict is not None:
            say(json.dumps(verdict_json(chosen, verdict, played.advice), ensure_ascii=False))
        elif chosen is not None:
            sys.stderr.write(f"strokelog: no verdict: {played.counted} strokes count; at least 2 are needed\n")
        return
    console = Console()
    console.print(report_strokes(shown, unit))
    if chosen is not None and verdict is None:
        say(f"No verdict: {played.counted} strokes count; at least 2 are needed.")
    elif verdict is not None:
        from capture.dashboard import plain_line

        say(plain_line(verdict, unit, chosen.name if chosen else ""))
        for advice in played.advice:
            say(f"advice: {advice.text}")
        if explain:
            console.print(budget_table(verdict, unit))


def _chosen_pack(sheet: Path | None, pack: str | None) -> tuple[Pack | None, Any, Air | None]:
    if sheet is None:
        if pack is not None:
            fail("--pack needs --sheet", 2)
        return None, "mm", None
    loaded, _ = _load_sheet(sheet)
    if pack is None:
        if len(loaded.packs) > 1:
            fail(f"{sheet} has several packs; choose with --pack: {', '.join(one.name for one in loaded.packs)}", 2)
        return loaded.packs[0], loaded.display_unit, loaded.air
    with _errors_in_words():
        return loaded.pack(pack), loaded.display_unit, loaded.air


@app.command()
def decode(
    driver: Annotated[str, typer.Option("--driver", help="The wire form.")],
    settings: Settings = None,
) -> None:
    """Decode raw bytes from standard input: one JSON object a reading. Ends with 1 if none came out."""
    wire, values = _settings_of(driver, _pairs(settings), "--set")
    decoder = wire.decoder(values)
    count = 0
    stdin, stdout = sys.stdin.buffer, sys.stdout
    while True:
        data = os.read(stdin.fileno(), 65536)
        for reading in decoder.feed(data) if data else decoder.finish():
            count += 1
            stdout.write(json.dumps({"value_nm": reading.value_nm, "unit": reading.unit, "flags": list(reading.flags)}))
            stdout.write("\n")
        stdout.flush()
        if not data:
            break
    if decoder.skipped:
        sys.stderr.write(f"strokelog: {decoder.skipped} bytes were no frame of {driver!r}\n")
    raise typer.Exit(0 if count else 1)


@app.command()
def listen(
    port: Annotated[str | None, typer.Argument(help="The port; without one, the ports there are.")] = None,
    driver: DriverName = None,
    settings: Settings = None,
    seconds: Annotated[float, typer.Option("--seconds", min=0.2, help="How long to listen at each baud.")] = 2.0,
    as_json: Json = False,
) -> None:
    """What comes out of this port? Tries wire forms and baud rates, or shows one wire form live with --driver."""
    from capture.listening import follow, list_them, name_the_form

    values = _pairs(settings)
    with _errors_in_words():
        if port is None:
            raise typer.Exit(list_them(as_json))
        if driver is None:
            bauds = [int(values["baud"])] if str(values.get("baud", "")).isdigit() else None
            raise typer.Exit(asyncio.run(name_the_form(port, bauds, seconds, as_json)))
        wire, chosen = _settings_of(driver, values, "--set")
        raise typer.Exit(asyncio.run(follow(port, wire, chosen, seconds, as_json)))


@app.command(name="check-fixture")
def check_fixture(
    port: Annotated[str, typer.Argument(help="The fixture's port.")],
    fixture: Annotated[str, typer.Option("--fixture", help="The fixture's wiring.")] = "ascii",
    settings: Settings = None,
    yes: Annotated[bool, typer.Option("--yes", help="The cautions are heeded; do not ask.")] = False,
    button: Annotated[bool, typer.Option("--button/--no-button", help="Ask for presses of the apply button.")] = True,
    as_json: Json = False,
) -> None:
    """Test a real fixture, point by point. Opens its valve: heed the cautions. Ends with 1 if a point fails."""
    from pydantic import ValidationError

    from capture.dashboard import CAUTIONS
    from drivers.fixtures.conformance import check_fixture as test_points
    from drivers.fixtures.registry import find_driver, make_settings

    try:
        driver = find_driver(fixture)
        make_settings(driver, _pairs(settings))
    except LookupError as error:
        fail(str(error.args[0]), 2)
    except ValidationError as error:
        fail(f"--set: {error.errors()[0]['msg']}", 2)
    if not driver.wired:
        fail(f"fixture {fixture!r} has no wiring to test", 2)
    for text in CAUTIONS:
        sys.stderr.write(f"caution: {text}\n")
    sys.stderr.write(
        "This test opens and shuts the valve. Take the pack off the port, or shut the supply off and vent.\n"
    )
    if not yes and not (sys.stdin.isatty() and typer.confirm("Go on?", err=True)):
        fail("not tested: answer the question, or give --yes once this is so", 2)

    def ask(text: str) -> None:
        sys.stderr.write(f"{text}\n")

    with _errors_in_words():
        results = asyncio.run(test_points(port, fixture, _pairs(settings), ask=ask if button else None))
    for result in results:
        if as_json:
            say(json.dumps({"point": result.name, "passed": result.passed, "text": result.text}))
        else:
            word = {True: "pass", False: "FAIL", None: "not tried"}[result.passed]
            say(f"{word:9} {result.name}: {result.text}")
    if not as_json:
        say(f"If strokelog dies, the valve is shut by {driver.closes_without_daemon}.")
    raise typer.Exit(1 if any(result.passed is False for result in results) else 0)


# -- records and sheets ----------------------------------------------------------------------------------


def _store(config: Path | None, data_dir: Path | None) -> Any:
    from capture.config import load_config
    from capture.record import Store

    path = data_dir / "record.sqlite" if data_dir else load_config(config).record_path
    if not path.is_file():
        fail(f"there is no record at {path} yet; `strokelog run` or `strokelog demo` makes one")
    return Store.open(path)


@app.command()
def jobs(
    limit: Annotated[int, typer.Option("--limit", min=1, help="The newest so many.")] = 20,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """List the jobs in the record, newest first."""
    from capture.showing import job_json, jobs_table

    with _errors_in_words(), _store(config, data_dir) as store:
        found: list[Job] = store.jobs(limit)
    if as_json:
        for job in found:
            say(json.dumps(job_json(job, strokes=False), ensure_ascii=False))
    else:
        jobs_table(found)


@app.command()
def show(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    explain: Annotated[bool, typer.Option("--explain", help="Show each verdict's uncertainty budget.")] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Show one job: its checks, their strokes and verdicts."""
    from capture.showing import job_json, show_job

    with _errors_in_words(), _store(config, data_dir) as store:
        found: Job = store.job(job)
    if as_json:
        say(json.dumps(job_json(found, strokes=True), ensure_ascii=False))
    else:
        show_job(found, explain)


@app.command(name="check-sheet")
def check_sheet(
    sheet: Annotated[Path, typer.Argument(help="A build sheet, TOML.")],
    as_json: Json = False,
) -> None:
    """Check a build sheet and show what it asks for. Ends with 1 if it cannot be used."""
    from capture.showing import show_sheet

    loaded, _ = _load_sheet(sheet)
    if as_json:
        say(json.dumps(loaded.model_dump(mode="json"), ensure_ascii=False))
    else:
        show_sheet(loaded)


def main() -> None:
    """The console script."""
    try:
        app()
    except BrokenPipeError:
        # The reader of a pipe left; that is how pipes end. Point the rest of the output nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)


if __name__ == "__main__":
    main()
