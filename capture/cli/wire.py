"""The commands that read a wire or a recording of one: `replay`, `decode`, `listen`, `fixture test`."""

from __future__ import annotations

import asyncio
import os
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.extras import need
from capture.cli.options import (
    ConfigFile,
    DriverName,
    Json,
    Settings,
    errors_in_words,
    fail,
    pairs,
    read_sheet,
    settings_of,
)
from capture.cli.progress_bar import ProgressBar
from capture.plumbing.outward import say, say_json, warn

if TYPE_CHECKING:
    from capture.sheet.sheet import Pack, SheetAir
    from drivers.identify import HeardAtBaud, WireFit


def replay(
    recording: Annotated[Path, typer.Argument(help="A recording, .jsonl")],
    sheet: Annotated[Path | None, typer.Option("--sheet", help="Judge by this build sheet.")] = None,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack of the sheet that was measured.")] = None,
    variant: Annotated[str | None, typer.Option("--variant", help="The variant of the sheet that was fitted.")] = None,
    speed: Annotated[float | None, typer.Option("--speed", min=0.01, help="Times the recorded pace.")] = None,
    explain: Annotated[bool, typer.Option("--explain", help="Show the uncertainty budget.")] = False,
    leave_out: Annotated[
        list[int] | None, typer.Option("--leave-out", metavar="STROKE", help="Judge without this stroke; may repeat.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Measure a recording again. Exit code 0, or 1 if the recording cannot be read.

    It is begun anew each time, unlike a proof: hours of readings take seconds, and what a stroke is may rest on all
    that came before it.
    """
    from capture.output.json_forms import stroke_json, unjudged_json, verdict_json
    from capture.output.printed_tables import budget_table, report_strokes
    from capture.plumbing.outward import harmless_console
    from capture.recordings.file import RecordingWarning
    from capture.recordings.replay import Replay
    from drivers.units import pressure_unit_beside

    chosen, unit, air = _chosen_pack(sheet, pack, variant)
    if explain and chosen is None:
        fail("--explain needs a verdict: give --sheet and --pack", 2)
    if leave_out and chosen is None:
        fail("--leave-out needs a verdict: give --sheet and --pack", 2)
    with errors_in_words(), warnings.catch_warnings(record=True) as caught, ProgressBar() as bar:
        warnings.simplefilter("always", RecordingWarning)
        played = Replay(recording, chosen, unit, air, progress=lambda part: bar.show(part, recording.name))
        if played.unknown_settings:
            warn(f"strokelog: indicator settings not used: {', '.join(played.unknown_settings)}")
        shown = []
        for kept in played.strokes(speed):
            bar.end()
            shown.append(kept)
            if as_json:
                say_json(stroke_json(kept))
    try:
        played.leave_out(leave_out or ())
    except ValueError as error:
        fail(f"{error}", 2)
    for said in dict.fromkeys(f"{one.message}" for one in caught):
        warn(f"strokelog: {said}")
    verdict = played.verdict
    if played.air_at_start:
        warn(f"strokelog: {played.air_at_start}")
    if as_json:
        if chosen is not None and verdict is not None:
            say_json(verdict_json(chosen, verdict, played.advice, played.out_of_reach))
        elif chosen is not None:
            say_json(unjudged_json(chosen, played.counted, played.remarks))
            warn(f"strokelog: no verdict: {played.counted} strokes count; at least 2 are needed")
        return
    console = harmless_console(highlight=True)
    # Without a sheet, what the indicator showed says in which unit this shop reads.
    unit = unit if chosen is not None else played.shown_unit or unit
    console.print(
        report_strokes(shown, unit, chosen.pressure_unit if chosen is not None else pressure_unit_beside(unit))
    )
    if chosen is not None and verdict is None:
        say(f"No verdict: {played.counted} strokes count; at least 2 are needed.")
        for text in (remark.text for remark in played.remarks if remark.text != played.air_at_start):
            say(text)
    elif verdict is not None:
        from capture.output.words import CAUTION_LINE, plain_line

        say(plain_line(verdict, unit, chosen.name if chosen else ""))
        for advice in played.advice:
            say(f"advice: {advice.text}")
        if played.advice:
            say(CAUTION_LINE)
        if played.out_of_reach:
            say(f"out of reach: {played.out_of_reach}")
        if explain:
            console.print(budget_table(verdict, unit))


def _chosen_pack(sheet: Path | None, pack: str | None, variant: str | None) -> tuple[Pack | None, Any, SheetAir | None]:
    if sheet is None:
        if pack is not None or variant is not None:
            fail(f"{'--pack' if pack is not None else '--variant'} needs --sheet", 2)
        return None, "mm", None
    loaded, _ = read_sheet(sheet, variant)
    if loaded.undecided:
        fail(f"{sheet} has variants; say which --variant: {', '.join(one.name for one in loaded.variants)}", 2)
    if pack is None:
        if len(loaded.packs) > 1:
            fail(f"{sheet} has several packs; choose with --pack: {', '.join(one.name for one in loaded.packs)}", 2)
        return loaded.packs[0], loaded.display_unit, loaded.air
    with errors_in_words():
        return loaded.pack(pack), loaded.display_unit, loaded.air


def decode(
    driver: Annotated[str, typer.Option("--driver", help="The driver.")],
    settings: Settings = None,
) -> None:
    """Decode raw bytes from standard input: one JSON object a reading. Exit code 1 if none came out."""
    wire, values = settings_of(driver, pairs(settings))
    decoder = wire.decoder(values)
    count = 0
    stdin = sys.stdin.buffer
    while True:
        data = os.read(stdin.fileno(), 65536)
        for reading in decoder.feed(data) if data else decoder.finish():
            count += 1
            say_json({"value_nm": reading.value_nm, "unit": reading.unit, "flags": list(reading.flags)})
        sys.stdout.flush()
        if not data:
            break
    if decoder.skipped:
        warn(f"strokelog: {decoder.skipped} bytes were no frame of {driver!r}")
    raise typer.Exit(0 if count else 1)


def listen(
    port: Annotated[str | None, typer.Argument(help="The port; without one, the ports there are.")] = None,
    driver: DriverName = None,
    settings: Settings = None,
    seconds: Annotated[float, typer.Option("--seconds", min=0.2, help="How long to listen at each baud.")] = 2.0,
    keep: Annotated[bool, typer.Option("--write", help="Add what was found to the settings file.")] = False,
    udev: Annotated[bool, typer.Option("--udev", help="Print a udev rule that gives the port a lasting name.")] = False,
    as_json: Json = False,
    config: ConfigFile = None,
) -> None:
    """What comes out of this port? Tries drivers and baud rates, or shows one driver live with --driver.

    What was found is printed as a part of the settings file, with the port's lasting path.
    """
    from capture.cli.indicator_block import show_block, show_rule, write_block
    from capture.cli.print_listening import follow, list_them, name_the_form
    from capture.config import default_config_path

    values = pairs(settings)
    if port is None and (keep or udev):
        fail("--write and --udev need a port", 2)
    if keep and (driver is not None or as_json):
        fail("--write adds what was found; leave --driver and --json out", 2)

    def settled(fit: WireFit, heard: HeardAtBaud) -> None:
        assert port is not None
        if keep:
            write_block(port, fit, heard, config or default_config_path())
        else:
            show_block(port, fit, heard)

    with errors_in_words():
        if port is None:
            raise typer.Exit(list_them(as_json))
        if port.startswith("input:"):
            need("keyboard")
        if udev:
            show_rule(port)
            return
        if driver is None:
            raise typer.Exit(asyncio.run(name_the_form(port, values, seconds, as_json, settled)))
        wire, chosen = settings_of(driver, values)
        raise typer.Exit(asyncio.run(follow(port, wire, chosen, seconds, as_json)))


def check_fixture(
    port: Annotated[str, typer.Argument(help="The fixture's port.")],
    fixture: Annotated[str, typer.Option("--fixture", help="The fixture's wiring.")] = "ascii",
    settings: Annotated[
        list[str] | None, typer.Option("--set", metavar="KEY=VALUE", help="A fixture setting; may be repeated.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="The cautions are heeded; do not ask.")] = False,
    button: Annotated[bool, typer.Option("--button/--no-button", help="Ask for presses of the apply button.")] = True,
    as_json: Json = False,
) -> None:
    """Test a real fixture, point by point. Opens its valve: heed the cautions. Exit code 1 if a point fails."""
    from pydantic import ValidationError

    from capture.output.words import CAUTIONS
    from capture.plumbing.wrong_values import wrong_values
    from drivers.registry import make_settings
    from drivers.wirings.conformance import check_fixture as test_points
    from drivers.wirings.registry import find_driver

    try:
        driver = find_driver(fixture)
        make_settings(driver, pairs(settings))
    except LookupError as error:
        fail(str(error.args[0]), 2)
    except ValidationError as error:
        fail(f"--set {wrong_values(error, driver.settings)[0]}", 2)
    if not driver.wired:
        fail(f"fixture {fixture!r} has no wiring to test", 2)
    for text in CAUTIONS:
        warn(f"caution: {text}")
    warn("This test opens and shuts the valve. Take the pack off the port first.")
    if not yes and not (sys.stdin.isatty() and typer.confirm("Go on?", err=True)):
        fail("not tested: answer the question, or give --yes once this is so", 2)

    def ask(text: str) -> None:
        warn(f"{text}")

    with errors_in_words():
        results = asyncio.run(test_points(port, fixture, pairs(settings), ask=ask if button else None))
    for result in results:
        if as_json:
            say_json({"point": result.name, "passed": result.passed, "text": result.text})
        else:
            word = {True: "pass", False: "FAIL", None: "not tried"}[result.passed]
            say(f"{word:9} {result.name}: {result.text}")
    if not as_json:
        say(f"If strokelog dies, the valve is shut by {driver.closes_without_daemon}.")
    raise typer.Exit(1 if any(result.passed is False for result in results) else 0)
