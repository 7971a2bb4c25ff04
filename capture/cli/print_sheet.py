"""What `strokelog sheet check` prints: what the bench will ask of whoever works by the sheet, in the order it asks."""

from __future__ import annotations

from collections.abc import Iterator

from capture.plumbing.outward import say
from capture.sheet.dimensions import Dimension
from capture.sheet.sheet import Adjuster, Pack, Sheet, Shim
from capture.sheet.steps import EVERY_PACK, Step, Torque
from capture.sheet.variants import Variant
from drivers.reading import LengthUnit
from drivers.units import format_duration, format_length


def show_sheet(sheet: Sheet) -> None:
    """Print what a sheet asks for, pack by pack in the order of checking, then the steps."""
    unit = sheet.display_unit
    lines = [f"{sheet.sheet.name}, revision {sheet.sheet.revision}; limits: {sheet.sheet.source}"]
    lines += [f"air of an apply: {sheet.air.text(sheet.pressure_unit)}"] if sheet.air is not None else []
    if sheet.variants:
        lines += ["", f"first, by name, which is fitted: {', '.join(one.name for one in sheet.variants)}"]
        lines += [f"    {one.name} has its own {', '.join(_own(one))}" for one in sheet.variants]
    for n, pack in enumerate(sheet.order(), 1):
        first = [f"step {at + 1} ({sheet.steps[at].title})" for at in sheet.steps_before(pack.name)]
        lines += ["", f"pack {n}, {pack.name}", *([f"    first: {', '.join(first)}"] if first else [])]
        lines += [f"    {line}" for line in _pack(pack, unit)]
    for n, step in enumerate(sheet.steps, 1):
        lines += [""] if n == 1 else []
        lines.append(f"step {n}, {step.kind}: {step.title}")
        early = ["every pack" if name == EVERY_PACK else name for name in step.before]
        lines.append(f"    before {' and '.join(early)} is measured" if early else "    after the packs")
        lines += [f"    {line}" for line in _step(step)]
    lines += ["", "then the sign-off: every pack good and every step signed, or let pass by name and reason"]
    for line in lines:
        say(line)


def _own(variant: Variant) -> Iterator[str]:
    for name, keys in variant.packs.items():
        yield f"{' and '.join(keys)} of {name}"


def _pack(pack: Pack, unit: LengthUnit) -> Iterator[str]:
    if pack.depends_on:
        yield f"checked after {', '.join(pack.depends_on)}"
    limits = f"{format_length(pack.low_nm, unit)} to {format_length(pack.high_nm, unit)}"
    what = "clearance" if pack.moved_by == "air" else "play, moved by hand,"
    yield f"{what} {limits}, preferred {format_length(pack.preferred_nm, unit)}"
    seat = f"{pack.seat_strokes} to seat, then " if pack.seat_strokes else ""
    strokes = f"{pack.least_strokes} to {pack.strokes}" if pack.least_strokes is not None else f"{pack.strokes}"
    held = "while held" if pack.measure == "held" else "at the peak"
    yield f"strokes: {seat}{strokes} that count, measured {held}; more where they are too few to decide"
    yield from (_adjuster(adjuster, unit) for adjuster in pack.adjusters)
    if not pack.adjusters:
        yield "no part that sets it: nothing can be advised"


def _adjuster(adjuster: Adjuster, unit: LengthUnit) -> str:
    if isinstance(adjuster, Shim):
        text = f"{adjuster.name}: {adjuster.fitted} of {format_length(adjuster.thickness, unit)} fitted, "
        text += f"{adjuster.min} to {adjuster.max} allowed; one more {adjuster.more} it"
    else:
        choices = ", ".join(adjuster.text(choice) for choice in adjuster.choices)
        text = f"{adjuster.name}: {adjuster.text(adjuster.fitted)} fitted, of {choices}; a thicker one "
        text += f"{adjuster.thicker} it"
    moves = ", ".join(f"{moved} by {factor:+g}" for moved, factor in adjuster.moves.items())
    return f"{text}; for each mm it moves its own pack, it moves {moves} mm" if moves else text


def _step(step: Step) -> Iterator[str]:
    if step.instruction:
        yield step.instruction
    if isinstance(step, Dimension):
        yield f"measured and signed by name: {step.details()}"
    elif isinstance(step, Torque):
        bolts = f"each of {step.bolt_count} bolts" if step.bolt_count else "the bolts"
        pattern = f", {step.pattern}" if step.pattern else ""
        if step.value is None:
            yield f"{bolts}: the sheet names no torque{pattern}; signed with the torque reached, or without"
        else:
            allowed = f", {step.window()} allowed" if step.window() else "; nothing is refused without a tolerance"
            yield f"{bolts} to {step.value}{pattern}{allowed}; signed with the torques reached"
    elif step.minimum_ns is not None:
        yield f"begun and signed by name, at least {format_duration(step.minimum_ns)} apart"
    else:
        details = step.details()
        yield f"signed by name{': ' + details if details else ''}"
