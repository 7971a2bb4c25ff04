"""A unit's steps and facts in words, for screens and commands alike. Decides nothing, prints nothing."""

from __future__ import annotations

from datetime import datetime

from capture.clearance.advice import what_to_do
from capture.sheet.sheet import Sheet
from capture.sheet.steps import Step, Torque
from capture.unit.facts import Fact, Override, PartsChanged, SignedOff, StepBegun, StepDone
from capture.unit.signoff_rules import Standing, StepStanding, elapsed_ns
from drivers.units import format_duration, format_length

__all__ = [
    "acknowledged_words",
    "fact_words",
    "lasted_words",
    "left_ns",
    "next_words",
    "step_state",
    "torque_words",
    "typed_words",
]


def torque_words(step: Torque, torque_unm: int) -> str:
    """Return a torque with how far it lies from the step's value: "35.2 in lb (+0.6 %)"."""
    deviation = step.deviation(torque_unm)
    return step.shown(torque_unm) + (f" ({deviation})" if deviation else "")


def left_ns(step: Step, standing: StepStanding, now: datetime) -> int | None:
    """Return how long a begun step must still last, nanoseconds, not below zero; None unless it runs."""
    elapsed = elapsed_ns(standing, now)
    return None if elapsed is None or step.minimum_ns is None else max(0, step.minimum_ns - max(0, elapsed))


def fact_words(sheet: Sheet, fact: Fact) -> str:
    """Return what was written, in words."""
    match fact:
        case PartsChanged(pack):
            predicted = ""
            if fact.predicted_nm is not None:
                predicted = f"; predicted {format_length(fact.predicted_nm, sheet.display_unit)}"
            does = what_to_do(sheet.pack(pack), fact.changes, sheet.display_unit)
            return f"parts of {pack} changed by {fact.by}: {does}{predicted}"
        case StepBegun(index, by):
            least = format_duration(sheet.steps[index].minimum_ns or 0)
            return f"step {index + 1} ({sheet.steps[index].title}) begun by {by}; it must last {least}"
        case StepDone(index, by):
            step = sheet.steps[index]
            measured = []
            if isinstance(step, Torque) and fact.torque_unm is not None:
                measured.append(torque_words(step, fact.torque_unm))
                if step.value_unm is not None and step.tolerance_unm is None:
                    measured.append(
                        "the sheet names no tolerance, so you judge it; if it will not do, tighten and enter it again"
                    )
            if fact.lasted_ns is not None:
                measured.append(lasted_words(fact.lasted_ns, fact.known_ns))
            return "; ".join([f"step {index + 1} ({step.title}) done by {fact.by}", *measured])
        case Override(pack, index, by, reason):
            what = f"pack {pack!r}" if index is None else f"step {index + 1} ({sheet.steps[index].title})"
            return f"{what} may pass, says {by}: {reason}"
        case SignedOff(by):
            return f"signed off by {by}{acknowledged_words(fact)}"
    return type(fact).__name__


def typed_words(lasted_ns: int, known_ns: int) -> str:
    """Return a time that was typed beside what the record knows: "begun 40 s ago by this record; 2 h typed"."""
    ago = f"{format_duration(known_ns)} ago" if known_ns >= 0 else "later than now"
    return f"begun {ago} by this record; {format_duration(lasted_ns)} typed"


def lasted_words(lasted_ns: int, known_ns: int | None) -> str:
    """Return how long a step that is done lasted, and what the record knows of it where the time was typed."""
    lasted = f"lasted {format_duration(lasted_ns)}"
    if known_ns is None:
        return lasted
    known = f"{format_duration(known_ns)} before" if known_ns >= 0 else "after"
    return f"{lasted} as typed, begun {known} by this record"


def acknowledged_words(fact: SignedOff) -> str:
    """Return what a sign-off acknowledged and why it was given all the same, to stand behind other words."""
    if not fact.acknowledged:
        return ""
    return f"; acknowledged: {' '.join(fact.acknowledged)} Released all the same: {fact.why}"


def next_words(sheet: Sheet, standing: Standing) -> str:
    """Return what to do next, in a sentence or two, with what the sheet says to mind."""
    if standing.signed is not None:
        return f"Signed off by {standing.signed.fact.by}."
    if not standing.open and standing.remarks:
        return f"Nothing is open, but whoever signs must acknowledge: {' '.join(standing.remarks)}"
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


def step_state(step: Step, one: StepStanding, now: datetime) -> str:
    """Return how a step stands, with what was measured or how long is left."""
    left = left_ns(step, one, now)
    if left is not None:
        return f"begun, {format_duration(left)} left" if left else "begun, long enough"
    if one.state == "overridden":
        return f"overridden: {one.note}"
    words: list[str] = [one.state]
    if one.torque_unm is not None and isinstance(step, Torque):
        words.append(torque_words(step, one.torque_unm))
    if one.lasted_ns is not None and one.state == "done":
        words.append(lasted_words(one.lasted_ns, one.known_ns))
    return ", ".join(words)
