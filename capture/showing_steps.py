"""Prints a unit's steps and its way to the sign-off, for people and as JSON objects. Decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from capture.facts import Fact, Override, PartsChanged, SignedOff, StepBegun, StepDone
from capture.sheet import Sheet
from capture.signoff import Standing
from capture.steps import Torque
from capture.unit_words import left_ns, next_words, step_state

__all__ = ["fact_json", "show_standing", "standing_json"]


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
            cells = (f"{mark}{one.index + 1}", step.title, step.details(), step_state(step, one, now), one.by, at)
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)
    for caution in standing.cautions:
        console.print(Text(f"look at: {caution}"), soft_wrap=True)
    for remark in standing.remarks:
        console.print(Text(f"to acknowledge when signing: {remark}"), soft_wrap=True)
    for number, why in standing.refused:
        console.print(Text(f"entry {number} does not count: {why}"), soft_wrap=True)
    for item in standing.open:
        console.print(Text(f"open: {item.text}; {item.do}"), soft_wrap=True)
    console.print(Text(next_words(sheet, standing)), soft_wrap=True)


def _reason(fact: Fact) -> str:
    return fact.reason if isinstance(fact, Override) else ""


def fact_json(fact: Fact, at: datetime) -> dict[str, Any]:
    """Return a fact that was written as a JSON object; steps are counted from 1, as in `strokelog steps`."""
    names = {
        PartsChanged: "parts_changed",
        StepBegun: "step_begun",
        StepDone: "step_done",
        Override: "override",
        SignedOff: "signed_off",
    }
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
            "known_ns": one.known_ns,
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
        "to_acknowledge": list(standing.remarks),
        "refused": [{"entry": number, "why": why} for number, why in standing.refused],
    }
