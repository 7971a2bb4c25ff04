"""Prints a unit's steps and its way to the sign-off, for people and as JSON objects. Decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from capture.facts import Fact, Override, SignedOff, StepBegun, StepDone
from capture.sheet import Sheet
from capture.signoff import Standing, StepStanding, elapsed_ns
from capture.steps import Step, Torque
from drivers.units import format_duration, format_torque

__all__ = ["fact_json", "fact_words", "next_words", "show_standing", "standing_json", "torque_words"]


def torque_words(step: Torque, torque_unm: int) -> str:
    """Return a torque with how far it lies from the step's value: "35.2 lbf in (+0.6 %)"."""
    deviation = step.deviation(torque_unm)
    return format_torque(torque_unm, step.unit) + (f" ({deviation})" if deviation else "")


def left_ns(step: Step, standing: StepStanding, now: datetime) -> int | None:
    """Return how long a begun step must still last, nanoseconds, not below zero; None unless it runs."""
    elapsed = elapsed_ns(standing, now)
    return None if elapsed is None or step.minimum_ns is None else max(0, step.minimum_ns - max(0, elapsed))


def fact_words(sheet: Sheet, fact: Fact) -> str:
    """Return what was written, in words."""
    match fact:
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
                measured.append(f"lasted {format_duration(fact.lasted_ns)}")
            return "; ".join([f"step {index + 1} ({step.title}) done by {fact.by}", *measured])
        case Override(pack, index, by, reason):
            what = f"pack {pack!r}" if index is None else f"step {index + 1} ({sheet.steps[index].title})"
            return f"{what} may pass, says {by}: {reason}"
        case SignedOff(by):
            return f"signed off by {by}"
    return type(fact).__name__


def next_words(sheet: Sheet, standing: Standing) -> str:
    """Return what to do next, in a sentence or two, with what the sheet says to mind."""
    if standing.signed is not None:
        return f"Signed off by {standing.signed.fact.by}."
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


def show_standing(sheet: Sheet, standing: Standing, now: datetime) -> None:
    """Print the packs, the steps and what is open."""
    console = Console(highlight=False)
    for pack in standing.packs:
        passed = standing.overrides.get(pack.pack)
        by = f"; may pass, says {passed.fact.by}: {_reason(passed.fact)}" if passed is not None else ""
        why = f", {pack.words}" if pack.words and pack.words != pack.state else ""
        console.print(Text(f"pack {pack.pack}: {pack.state}{why}{by}"), soft_wrap=True)
    if standing.steps:
        table = Table()
        for name in ("step", "what", "asks for", "state", "by", "at"):
            table.add_column(name)
        for one in standing.steps:
            step = sheet.steps[one.index]
            mark = "> " if one.index == standing.next_step else ""
            at = one.at.astimezone().strftime("%Y-%m-%d %H:%M") if one.at else ""
            cells = (f"{mark}{one.index + 1}", step.title, step.details(), _state(step, one, now), one.by, at)
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)
    for caution in standing.cautions:
        console.print(Text(f"look at: {caution}"), soft_wrap=True)
    for number, why in standing.refused:
        console.print(Text(f"entry {number} does not count: {why}"), soft_wrap=True)
    for item in standing.open:
        console.print(Text(f"open: {item.text}; {item.do}"), soft_wrap=True)
    console.print(Text(next_words(sheet, standing)), soft_wrap=True)


def _reason(fact: Fact) -> str:
    return fact.reason if isinstance(fact, Override) else ""


def _state(step: Step, one: StepStanding, now: datetime) -> str:
    left = left_ns(step, one, now)
    if left is not None:
        return f"begun, {format_duration(left)} left" if left else "begun, long enough"
    if one.state == "overridden":
        return f"overridden: {one.note}"
    words: list[str] = [one.state]
    if one.torque_unm is not None and isinstance(step, Torque):
        words.append(torque_words(step, one.torque_unm))
    if one.lasted_ns is not None and one.state == "done":
        words.append(f"lasted {format_duration(one.lasted_ns)}")
    return ", ".join(words)


def fact_json(fact: Fact, at: datetime) -> dict[str, Any]:
    """Return a fact that was written as a JSON object; steps are counted from 1, as in `strokelog steps`."""
    names = {StepBegun: "step_begun", StepDone: "step_done", Override: "override", SignedOff: "signed_off"}
    found: dict[str, Any] = {"type": names[type(fact)], **asdict(fact), "at": at.isoformat()}
    if found.get("step") is not None:
        found["step"] += 1
    return found


def standing_json(sheet: Sheet, standing: Standing, now: datetime) -> Iterator[dict[str, Any]]:
    """Yield an object a pack, an object a step, and last one of type "sign_off" that says what is open."""
    for pack in standing.packs:
        passed = standing.overrides.get(pack.pack)
        told = (
            None if passed is None else {"by": passed.fact.by, "reason": _reason(passed.fact), "entry": passed.number}
        )
        yield {"type": "pack", "pack": pack.pack, "state": pack.state, "words": pack.words, "override": told}
    for one in standing.steps:
        step = sheet.steps[one.index]
        found: dict[str, Any] = {
            "type": "step",
            "step": one.index + 1,
            "kind": step.kind,
            "name": step.name,
            "asks": step.details(),
            "state": one.state,
            "by": one.by,
            "at": None if one.at is None else one.at.isoformat(),
            "note": one.note,
            "minimum_ns": step.minimum_ns,
            "lasted_ns": one.lasted_ns,
            "left_ns": left_ns(step, one, now),
            "torque_unm": one.torque_unm,
        }
        if isinstance(step, Torque):
            found |= {"value_unm": step.value_unm, "tolerance_unm": step.tolerance_unm}
            found["deviation"] = "" if one.torque_unm is None else step.deviation(one.torque_unm)
        yield found
    signed = standing.signed
    yield {
        "type": "sign_off",
        "ready": not standing.open,
        "signed": None
        if signed is None
        else {"by": signed.fact.by, "at": signed.at.isoformat(), "entry": signed.number},
        "next_step": None if standing.next_step is None else standing.next_step + 1,
        "open": [{**asdict(item), "step": None if item.step is None else item.step + 1} for item in standing.open],
        "cautions": list(standing.cautions),
        "refused": [{"entry": number, "why": why} for number, why in standing.refused],
    }
