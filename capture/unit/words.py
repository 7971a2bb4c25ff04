"""A unit's steps and facts in words, for screens, commands and reports alike. Decides nothing, prints nothing."""

from __future__ import annotations

from datetime import datetime

from capture.clearance.signing import signer_words
from capture.sheet.dimensions import Dimension
from capture.sheet.sheet import Selective, Sheet
from capture.sheet.steps import Step, Torque
from capture.unit.dimension_readings import measured_words
from capture.unit.facts import (
    CameBack,
    ChangeUndone,
    Entry,
    Fact,
    NoteMade,
    Override,
    PartsChanged,
    PhotoKept,
    SignedOff,
    StepBegun,
    StepDone,
    StrokeLeftOut,
    is_demonstration,
)
from capture.unit.signoff_standing import Standing, StepStanding, elapsed_ns
from drivers.reading import LengthUnit
from drivers.units import format_duration, format_length, format_torque

__all__ = [
    "STATE_WORDS",
    "acknowledged_words",
    "changed_words",
    "fact_words",
    "items_open",
    "left_ns",
    "let_pass_words",
    "next_words",
    "predicted_words",
    "step_state",
    "torque_words",
    "typed_words",
    "unjudged_words",
]


def torque_words(step: Torque, torque_unm: int) -> str:
    """Return a torque with how far it lies from the step's value: "46.3 N m (+0.7 %)"."""
    deviation = step.deviation(torque_unm)
    return step.shown(torque_unm) + (f" ({deviation})" if deviation else "")


def _reached_words(step: Torque, torque_unm: int, note: str) -> str:
    """Return the torque of a step; of several, which its note ends with, it is the one farthest from the value."""
    words, newest = torque_words(step, torque_unm), note.rsplit("; ", 1)[-1].split(", ")
    return f"farthest {words}" if len(newest) > 1 and words in newest else words


def left_ns(step: Step, standing: StepStanding, now: datetime) -> int | None:
    """Return how long a begun step must still last, nanoseconds, not below zero; None unless it runs."""
    elapsed = elapsed_ns(standing, now)
    return None if elapsed is None or step.minimum_ns is None else max(0, step.minimum_ns - max(0, elapsed))


def changed_words(sheet: Sheet | None, fact: PartsChanged) -> str:
    """Return what was changed: "shim 2 to 1, snap ring 3.00 mm to 3.20 mm"; "nothing" if it was nothing."""
    packs = {pack.name: pack for pack in sheet.packs} if sheet else {}
    adjusters = dict(enumerate(packs[fact.pack].adjusters)) if fact.pack in packs else {}
    told = []
    for change in fact.changes:
        adjuster = adjusters.get(change.adjuster)
        before, after = (
            str(state)
            if change.kind == "shim"
            else adjuster.text(state)
            if isinstance(adjuster, Selective)
            else format_length(state, _unit(sheet))
            for state in (change.before, change.after)
        )
        told.append(f"{adjuster.name if adjuster else f'part {change.adjuster + 1}'} {before} to {after}")
    return ", ".join(told) or "nothing"


def predicted_words(sheet: Sheet | None, fact: PartsChanged) -> str:
    """Return what a change was to bring: "predicted 1.100 mm ± 0.021 mm"; empty if nothing was predicted."""
    if fact.predicted_nm is None:
        return ""
    nm = fact.expanded_uncertainty_nm
    spread = f" ± {format_length(nm, _unit(sheet))}" if nm else ""
    return f"predicted {format_length(fact.predicted_nm, _unit(sheet))}{spread}"


def fact_words(sheet: Sheet | None, fact: Fact) -> str:
    """Return what happened and who did it, in words. `sheet` is None where it cannot be read."""
    by, note = f"by {fact.by or 'nobody named'}", ""
    match fact:
        case PartsChanged(pack):
            predicted = predicted_words(sheet, fact)
            what = f"parts of {pack} changed {by}: {changed_words(sheet, fact)}{f'; {predicted}' if predicted else ''}"
        case StepBegun(index, _, note):
            step = _step(sheet, index)
            least = f"; it must last {format_duration(step.minimum_ns)}" if step and step.minimum_ns else ""
            what = f"{_step_name(sheet, index)} begun {by}{least}"
        case StepDone(index, _, torque_unm, lasted_ns, note, known_ns):
            step = _step(sheet, index)
            told = [f"{_step_name(sheet, index)} done {by}"]
            # The ledger keeps whole numbers beyond 2^53 - 1 as text.
            if torque_unm is not None:
                unm = int(torque_unm)
                reached = isinstance(step, Torque) and _reached_words(step, unm, note)
                told.append(reached or format_torque(unm, "N m"))
            if fact.readings_nm:
                told += _readings_words(step, fact)
            if lasted_ns is not None:
                told.append(_lasted_words(int(lasted_ns), None if known_ns is None else int(known_ns)))
            what = ", ".join(told)
        case StrokeLeftOut(pack, _, stroke):
            what = f"stroke {stroke} of {pack} left out {by}: {fact.reason}"
            if fact.verdict is not None:
                mean = format_length(fact.verdict.mean_nm, _unit(sheet))
                what += f"; by the other {fact.verdict.strokes} it is {fact.verdict.verdict} ({mean})"
        case NoteMade(text, pack=pack, stroke=stroke):
            about = f" on stroke {stroke} of {pack}" if stroke is not None else f" on {pack}" if pack else ""
            what = f"note{about} {by}: {text}"
        case PhotoKept(name=name, pack=pack):
            about = f" of {pack}" if pack else ""
            what = f"photo{about} kept {by}: {name} ({fact.size_bytes / 1000:.0f} kB, {fact.path})"
        case ChangeUndone(number, pack):
            what = f"change of {pack} undone {by}: entry {number} was written by mistake, and never made"
        case CameBack(earlier, number):
            what = f"came back, says {fact.by or 'nobody named'}: {fact.reason}; "
            what += f"signed off before in job {earlier} (entry {number})"
        case Override(pack, index):
            name = f"pack {pack}" if pack is not None else _step_name(sheet, index)
            what = f"{name} let pass as it is, by {signer_words(fact.by, fact.signed)}: {fact.reason}"
        case SignedOff(_, note):
            what = "signed off as a demonstration" if is_demonstration(fact) else "signed off"
            return (
                f"{what} by {signer_words(fact.by, fact.signed)}{f': {note}' if note else ''}{acknowledged_words(fact)}"
            )
        case _:
            by = signer_words(fact.by, fact.signed)
            what = f"entry {fact.entry} corrected by {by}: {fact.text} (reason: {fact.reason})"
    return f"{what}: {note}" if note else what


#: How a pack stands, for people.
STATE_WORDS = {"good": "good", "not good": "not good", "recheck": "re-check needed", "unchecked": "not checked"}


def items_open(count: int) -> str:
    """Return how many things are open before the sign-off: "7 items open"."""
    return f"{count} item{'' if count == 1 else 's'} open"


def let_pass_words(standing: Standing, pack: str) -> str:
    """Return who lets a pack pass as it is now, and why, to stand behind other words; empty if nobody does."""
    entry = standing.overrides.get(pack)
    fact = None if entry is None else entry.fact
    return f"; may pass, says {fact.by}: {fact.reason}" if isinstance(fact, Override) else ""


def _unit(sheet: Sheet | None) -> LengthUnit:
    return sheet.display_unit if sheet else "mm"


def _step(sheet: Sheet | None, index: int | None) -> Step | None:
    return sheet.steps[index] if sheet and index is not None and 0 <= index < len(sheet.steps) else None


def _step_name(sheet: Sheet | None, index: int | None) -> str:
    step = _step(sheet, index)
    number = "?" if index is None else index + 1
    return f"step {number}{f' ({step.title})' if step else ''}"


def unjudged_words(sheet: Sheet, fact: Fact) -> str:
    """Return what must be said of a torque that the sheet gives no tolerance for; empty for everything else."""
    step = _step(sheet, fact.step) if isinstance(fact, StepDone) and fact.torque_unm is not None else None
    if not isinstance(step, Torque) or step.value_unm is None or step.tolerance_unm is not None:
        return ""
    return "The sheet names no tolerance, so you judge it; if it will not do, tighten and enter it again."


def typed_words(lasted_ns: int, known_ns: int) -> str:
    """Return a time that was typed beside what the record knows: "begun 40 s ago by this record; 2 h typed"."""
    ago = f"{format_duration(known_ns)} ago" if known_ns >= 0 else "later than now"
    return f"begun {ago} by this record; {format_duration(lasted_ns)} typed"


def _lasted_words(lasted_ns: int, known_ns: int | None) -> str:
    """Return how long a step that is done lasted, and what the record knows of it where the time was typed."""
    lasted = f"lasted {format_duration(lasted_ns)}"
    if known_ns is None:
        return lasted
    known = f"{format_duration(known_ns)} before" if known_ns >= 0 else "after"
    return f"{lasted} as typed, begun {known} by this record"


def _readings_words(step: Step | None, fact: StepDone) -> list[str]:
    """Return what a dimension measured, and with what."""
    readings = tuple(int(nm) for nm in fact.readings_nm)
    if isinstance(step, Dimension):
        told = measured_words(step, readings)
    else:
        told = ", ".join(format_length(nm, "mm") for nm in readings)
    return [told, *([f"with {fact.instrument}"] if fact.instrument else [])]


def acknowledged_words(fact: SignedOff) -> str:
    """Return what a sign-off acknowledged and why it was given all the same, to stand behind other words."""
    if not fact.acknowledged:
        return ""
    return f"; acknowledged: {' '.join(one.text for one in fact.acknowledged)} {why_words(fact)}"


def why_words(fact: SignedOff) -> str:
    """Return why a sign-off was given in spite of what it acknowledges."""
    return f"Signed as a demonstration: {fact.why}" if is_demonstration(fact) else f"Released all the same: {fact.why}"


def signed_words(signed: Entry) -> str:
    """Return who signed a unit off, and whether that releases it: "Signed off by A. Holm"."""
    shown = " as a demonstration, which releases no unit," if is_demonstration(signed.fact) else ""
    way = signed.fact.signed if isinstance(signed.fact, SignedOff) else "typed"
    return f"Signed off{shown} by {signer_words(signed.fact.by, way)}"


def next_words(sheet: Sheet, standing: Standing) -> str:
    """Return what to do next, in a sentence or two, with what the sheet says to mind."""
    if standing.signed is not None:
        return f"{signed_words(standing.signed)}."
    if not standing.open and standing.remarks:
        return f"Nothing is open, but whoever signs must acknowledge: {' '.join(one.text for one in standing.remarks)}"
    if not standing.open:
        return "Nothing is open; the unit can be signed off."
    said = []
    for item in standing.open:
        if item.step is not None and item.step == standing.next_step:
            instruction = sheet.steps[item.step].instruction
            said.append(f"Next: {item.text}; {item.do}.{' ' + instruction if instruction else ''}")
    packs = [f"{item.text}; {item.do}" for item in standing.open if item.pack is not None]
    more = f" (and {len(packs) - 1} more)" if len(packs) > 1 else ""
    return " ".join([*said, *(f"Open: {packs[0]}{more}." for _ in packs[:1])])


def step_state(step: Step, one: StepStanding, now: datetime | None = None) -> str:
    """Return how a step stands, with what was measured or, by the clock `now`, how long is left."""
    left = None if now is None else left_ns(step, one, now)
    if left is not None:
        return f"begun, {format_duration(left)} left" if left else "begun, long enough"
    if one.state == "overridden":
        return f"overridden: {one.note}"
    words: list[str] = ["not done" if one.state == "open" else one.state]
    if one.readings_nm and isinstance(step, Dimension):
        words.append(measured_words(step, one.readings_nm))
        words += [one.instrument] if one.instrument else []
    if one.torque_unm is not None and isinstance(step, Torque):
        words.append(_reached_words(step, one.torque_unm, one.note))
    if one.lasted_ns is not None and one.state == "done":
        words.append(_lasted_words(one.lasted_ns, one.known_ns))
    return ", ".join(words)
