"""The commands that finish a unit: `unit steps`, `step`, `override`, `sign-off`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from capture.cli.options import (
    ConfigFile,
    DataDir,
    DriverName,
    Json,
    errors_in_words,
    fail,
    open_store,
    stock_file,
)
from capture.plumbing.outward import harmless, say, say_json

if TYPE_CHECKING:
    from capture.job.unit_on_record import UnitOnRecord
    from capture.sheet.dimensions import Dimension
    from capture.unit.facts import Fact
    from capture.unit.signoff_standing import Objection

__all__ = ["By", "JobNumber", "add_fact", "leave_out", "named_pack", "override", "person", "sign_off", "step", "steps"]

JobNumber = Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")]
By = Annotated[str, typer.Option("--by", help="Who does it: a name, or a scanned badge.")]
Note = Annotated[str, typer.Option("--note", help="Anything the record should say beside it.")]


def steps(job: JobNumber, as_json: Json = False, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """Show the packs and steps of a job: what is done, what is next, and what stands against signing off."""
    from capture.cli.print_steps import show_standing
    from capture.output.json_forms import standing_json

    with unit_of(job, config, data_dir) as unit:
        standing, now = unit.now.standing, datetime.now(UTC)
    if as_json:
        for one in standing_json(unit.sheet, standing, now):
            say_json(one)
    else:
        show_standing(unit.sheet, standing, now)


def step(
    job: JobNumber,
    number: Annotated[
        str, typer.Argument(metavar="N", help="The step's number, from `strokelog unit steps`, or its code.")
    ],
    by: By,
    value: Annotated[
        list[str] | None,
        typer.Option("--value", help="The torque reached, such as '46 N m', for all bolts or each; or a reading."),
    ] = None,
    wrench: Annotated[
        str | None, typer.Option("--wrench", metavar="PORT", help="Read the torque from a wrench at this port.")
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help="A setting of the wrench: unit, decimal, baud, framing."),
    ] = None,
    wait: Annotated[float, typer.Option("--wait", min=1, help="Seconds to wait for each tightening or reading.")] = 120,
    port: Annotated[
        str | None,
        typer.Option("--port", help="Read a dimension from the instrument at this port."),
    ] = None,
    driver: DriverName = None,
    begin: Annotated[bool, typer.Option("--begin", help="It begins now: a soak or a cure.")] = False,
    lasted: Annotated[
        str | None, typer.Option("--lasted", help="How long it lasted, such as '35 min', where it was not begun here.")
    ] = None,
    confirm_typed: Annotated[
        bool,
        typer.Option("--confirm-typed", help="The time of --lasted is right, though this record saw it begin later."),
    ] = False,
    note: Note = "",
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Confirm a step of a job, or begin one that takes its time."""
    from capture.cli.read_dimension import read_dimension
    from capture.cli.step_torque import tightened_to, wrench_settings
    from capture.unit.facts import StepBegun, StepDone

    if sum((begin, lasted is not None, bool(value), wrench is not None)) > 1:
        fail("--begin, --lasted, --value and --wrench exclude each other; give one of them", 2)
    if settings and wrench is None and port is None:
        fail("--set is for a wrench or an instrument; give its port with --wrench or --port", 2)
    if port is not None and (value or wrench is not None or lasted is not None or begin):
        fail("--port reads a dimension; leave --value, --wrench, --lasted and --begin out", 2)
    set_so = wrench_settings(settings if port is None else None)
    lasted_ns = None if lasted is None else _lasted(lasted)
    with unit_of(job, config, data_dir) as unit:
        index, name = _step_of(unit, number), person(unit, by)
        dimension = _dimension_of(unit, index)
        if port is not None and dimension is None:
            fail(f"step {index + 1} is no dimension, and nothing of it is read from --port", 2)
        if dimension is not None and (value or port is not None):
            readings = read_dimension(dimension, value, port, driver, settings, wait)
            done = StepDone(index, name, note=note, readings_nm=readings, instrument=dimension.instrument)
            add_fact(unit, done, as_json)
            return
        if begin:
            add_fact(unit, StepBegun(index, name, note), as_json)
            return
        done = StepDone(index, name, lasted_ns=lasted_ns, note=note)
        if value or wrench is not None:
            done = tightened_to(unit, done, " ; ".join(value or ()), wrench, set_so, wait, partial(_need, unit))
        why = unit.to_confirm(done, datetime.now(UTC))
        if why and not confirm_typed and not _agreed(f"step {index + 1} was {why}"):
            fail(f"step {index + 1} was {why}. Nothing was written; if that is right, give --confirm-typed as well")
        add_fact(unit, done, as_json)


def _agreed(text: str) -> bool:
    """Ask whoever sits at the terminal; nobody does where it is a pipe."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    return typer.confirm(harmless(f"{text[:1].upper()}{text[1:]}. Is that right?"), err=True)


def override(
    job: JobNumber,
    by: By,
    reason: Annotated[str, typer.Option("--reason", help="Why it may pass; the record keeps it for ever.")],
    pack: Annotated[str | None, typer.Option("--pack", help="The pack to let pass as it is now.")] = None,
    step: Annotated[str | None, typer.Option("--step", metavar="N", help="The step to let pass.")] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Let one pack or one step of a job pass as it is, by name and with a reason."""
    from capture.cli.people import signed_way
    from capture.config import load_config
    from capture.unit.facts import Override

    if (pack is None) == (step is None):
        fail("an override lets one pack or one step pass; give --pack or --step", 2)
    with unit_of(job, config, data_dir) as unit:
        index = None if step is None else _step_of(unit, step)
        named = None if pack is None else named_pack(unit, pack)
        name = person(unit, by)
        signed = signed_way(name, "override", load_config(config), data_dir)
        add_fact(unit, Override(named, index, name, reason.strip(), signed), as_json)


def note(
    job: JobNumber,
    text: Annotated[str, typer.Argument(help="What there is to know.")],
    by: By,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack that it is about; else the unit.")] = None,
    stroke: Annotated[
        int | None, typer.Option("--stroke", min=1, help="The stroke of the pack's newest check that it is about.")
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Keep a note to a job's unit, a pack or a stroke, by name. It decides nothing, and stands on the report."""
    from capture.unit.facts import NoteMade

    if stroke is not None and pack is None:
        fail("--stroke is a stroke of a pack: give --pack as well", 2)
    with unit_of(job, config, data_dir) as unit:
        named = None if pack is None else named_pack(unit, pack)
        add_fact(unit, NoteMade(text.strip(), person(unit, by), named, stroke), as_json)


def leave_out(
    job: JobNumber,
    pack: Annotated[str, typer.Argument(help="The pack, as the build sheet names it.")],
    stroke: Annotated[int, typer.Argument(help="The stroke's number in the pack's newest check.", metavar="STROKE")],
    by: By,
    reason: Annotated[str, typer.Option("--reason", help="What was wrong with it; the record keeps it for ever.")],
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Leave one stroke out of a pack's newest check, by name and with a reason. The verdict is worked out anew.

    The stroke is kept and shown, and whoever signs the unit off acknowledges what it changed.
    """
    with unit_of(job, config, data_dir) as unit:
        fact = unit.left_out(named_pack(unit, pack), stroke, person(unit, by), reason.strip())
        if fact.verdict is None:
            fail(f"{fact.pack} is being measured: leave the stroke out at its bench (l). Nothing was written")
        add_fact(unit, fact, as_json)


def sign_off(
    job: JobNumber,
    by: By,
    note: Note = "",
    acknowledge: Annotated[
        str | None,
        typer.Option(
            "--acknowledge",
            metavar="WHY",
            help="You know what is to be acknowledged, and why the unit may go out all the same; kept for ever.",
        ),
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Sign a unit off. Exit code 1 and says what is open, unless every pack is good and every step done.

    What must be acknowledged: a change that did not come out as predicted, a gauge whose calibration had run out, a
    seal that leaks, strokes left out by hand where that changes what the pack is or leaves too few.
    """
    from capture.cli.people import signed_way
    from capture.config import load_config
    from capture.unit.facts import SignedOff

    with unit_of(job, config, data_dir) as unit:
        standing = unit.now.standing
        if standing.open:
            lines = "\n".join(f"open: {item.text}; {item.do}" for item in standing.open)
            fail(f"job {job} is not signed off, {len(standing.open)} open:\n{lines}")
        if standing.remarks and standing.signed is None and not (acknowledge or "").strip():
            lines = "\n".join(f"to acknowledge: {one.text}" for one in standing.remarks)
            fail(
                f"job {job} is not signed off, since whoever signs must acknowledge this:\n{lines}\n"
                "if the unit may go out all the same, say why with --acknowledge"
            )
        if not as_json:
            for caution in standing.cautions:
                say(f"look at: {caution}")
        why = (acknowledge or "").strip() if standing.remarks else ""
        name = person(unit, by)
        signed = signed_way(name, "sign-off", load_config(config), data_dir)
        add_fact(unit, SignedOff(name, note, standing.remarks, why, signed), as_json)
        # Somebody else may have written between the look and the entry; the record's order decides.
        if unit.now.standing.signed is None:
            raise typer.Exit(1)


@contextmanager
def unit_of(job: int, config: Path | None, data_dir: Path | None) -> Iterator[UnitOnRecord]:
    """Open the record and the stock for one job's unit; what is refused or goes wrong is said in words."""
    from capture.config import load_config
    from capture.job.unit_on_record import FactRefused, UnitOnRecord

    with errors_in_words():
        settled = load_config(config)
        stock = stock_file(settled, data_dir)
        wrench = settled.wrench.serial if settled.wrench is not None else ""
        with open_store(config, data_dir) as store:
            try:
                yield UnitOnRecord(store, job, stock=stock, publishes=settled.broker is not None, wrench=wrench)
            except FactRefused as error:
                _refuse(error.why)


#: The options of `step` that say what is missing.
_OPTIONS = {
    "unmeasured_torque": "--value, or --wrench to read it",
    "unmeasured_time": "--begin or --lasted",
    "backwards": "--lasted",
    "too_long": "--lasted or --begin",
    "nameless": "--by",
}


def _refuse(why: Objection) -> NoReturn:
    """End with what stands against a fact, and the option that says what is missing."""
    option = _OPTIONS.get(why.code)
    fail(f"{why.text}{f' ({option})' if option else ''}. Nothing was written")


def add_fact(unit: UnitOnRecord, fact: Fact, as_json: bool) -> None:
    from capture.unit.words import next_words

    for one in unit.add([fact], at=datetime.now(UTC)):
        if as_json:
            say_json({**one.data, **({"notes": list(one.notes)} if one.notes else {})})
        else:
            job = unit.job
            say(f"job {job.id}, unit {job.unit_serial}: {one.text}")
            for note in one.notes:
                say(note)
            say(next_words(unit.now.sheet, unit.now.standing))


def _step_of(unit: UnitOnRecord, text: str) -> int:
    """Return the index of a step given by its number or its code."""
    from capture.unit.codes import StepChosen, read_scan

    found = read_scan(f"step:{text}" if text.strip().isdigit() else text, unit.sheet)
    if not isinstance(found, StepChosen):
        count = len(unit.sheet.steps)
        there = f"steps 1 to {count}" if count else "no steps"
        fail(f"there is no step {text!r}; the sheet has {there}, see `strokelog unit steps {unit.job.id}`", 2)
    return found.step


def named_pack(unit: UnitOnRecord, text: str) -> str:
    """Return a pack's name, given by itself or by its code."""
    from capture.unit.codes import PackChosen, read_scan

    found = read_scan(text, unit.sheet)
    return found.pack if isinstance(found, PackChosen) else text


def person(unit: UnitOnRecord, text: str) -> str:
    """Return a name, given by itself or by a badge's code."""
    from capture.unit.codes import TechnicianNamed, read_scan

    found = read_scan(text, unit.sheet)
    return found.name if isinstance(found, TechnicianNamed) else text.strip()


def _lasted(text: str) -> int:
    from drivers.units import parse_duration

    try:
        return parse_duration(text)
    except ValueError as error:
        fail(f"--lasted: {error}", 2)


def _dimension_of(unit: UnitOnRecord, index: int) -> Dimension | None:
    """Return the step where it is a dimension of a part."""
    from capture.sheet.dimensions import Dimension

    step = unit.sheet.steps[index]
    return step if isinstance(step, Dimension) else None


def _need(unit: UnitOnRecord, fact: Fact) -> None:
    """End with what stands against `fact`."""
    why = unit.against(fact, datetime.now(UTC))
    if why:
        _refuse(why)
