"""The JSON form of everything that pipes are told. What the record keeps has a form of its own (`record.rows`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any, Final

from capture.clearance.advice import Advice, Change
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import COVERAGE, Remark, Verdict
from capture.output.words import unstated_words
from capture.sheet.dimensions import Dimension
from capture.sheet.sheet import Pack, Selective, Sheet
from capture.sheet.steps import Torque
from capture.unit.dimension_readings import measured
from capture.unit.facts import Correction, Entry, Override, PartsChanged, PhotoKept, StrokeLeftOut, kind_of
from capture.unit.signoff_standing import Standing
from capture.unit.words import left_ns
from drivers.units import format_length

#: What pipes are told of a stroke and of a verdict, in this order.
_STROKE: Final = (
    "n", "start_ns", "end_ns", "released_nm", "peak_travel_nm", "held_travel_nm", "rise_ns", "creep_nm",
    "return_error_nm", "fall_nm_per_s", "flags", "accepted",
)  # fmt: skip
_AIR: Final = ("pressure_min_pa", "pressure_max_pa", "leak_down_pa_per_s")
_VERDICT: Final = (
    "verdict", "mean_nm", "expanded_uncertainty_nm", "coverage", "coverage_factor", "strokes", "low_nm", "high_nm",
    "conformance_probability", "remarks", "next_step",
)  # fmt: skip


def stroke_json(kept: StrokeKept) -> dict[str, Any]:
    """Return a stroke as one JSON object of `replay --json`."""
    stroke = kept.stroke
    told = {name: getattr(stroke, name) for name in _STROKE} | {"flags": list(stroke.flags)}
    told["fall_nm_per_s"] = stroke.fall_nm_per_s or 0  # nor did one fall that was hardly seen
    seat = {"seat": True} if kept.seat else {}
    air = {name: getattr(stroke, name) for name in _AIR} if stroke.pressure_min_pa is not None else {}
    return {"type": "stroke", **told, **seat, **air}


def advice_json(pack: Pack, advice: Advice) -> dict[str, Any]:
    """Return an advice as a JSON object."""
    return {
        "text": advice.text,
        "predicted_nm": advice.predicted_nm,
        "expanded_uncertainty_nm": advice.expanded_uncertainty_nm,
        "in_range_probability": advice.in_range_probability,
        "changes": changes_json(pack, advice.changes),
    }


def changes_json(pack: Pack | None, changes: Sequence[Change]) -> list[dict[str, Any]]:
    """Return changes of a pack's parts as JSON objects: counts for shims, thickness strings for selective parts.

    `pack` is None where the sheet is not known, or has no such pack: thicknesses are then given in millimetres.
    """

    adjusters = dict(enumerate(pack.adjusters if pack is not None else ()))

    def state(change: Change, value: int) -> int | str:
        adjuster = adjusters.get(change.adjuster)
        if change.kind == "shim":
            return value
        return adjuster.text(value) if isinstance(adjuster, Selective) else format_length(value, "mm")

    return [
        {
            "adjuster": change.adjuster,
            "kind": change.kind,
            "from": state(change, change.before),
            "to": state(change, change.after),
        }
        for change in changes
    ]


def verdict_json(pack: Pack, verdict: Verdict, advice: list[Advice], out_of_reach: str = "") -> dict[str, Any]:
    """Return a verdict as one JSON object of `replay --json`."""
    told = {name: getattr(verdict, name) for name in _VERDICT}
    told["remarks"] = [asdict(remark) for remark in verdict.remarks]
    reach = {"out_of_reach": out_of_reach} if out_of_reach else {}
    unstated = {"unstated": text} if (text := unstated_words(verdict)) else {}
    return {"type": "verdict", **told, "advice": [advice_json(pack, item) for item in advice], **reach, **unstated}


def unjudged_json(pack: Pack, counted: int, remarks: Sequence[Remark] = ()) -> dict[str, Any]:
    """Return the same where so few strokes count that no clearance can be said: without any number measured of it."""
    told: dict[str, Any] = dict.fromkeys(_VERDICT) | {"verdict": "inconclusive", "coverage": COVERAGE}
    told |= {"strokes": counted, "low_nm": pack.low_nm, "high_nm": pack.high_nm}
    told["remarks"] = [asdict(remark) for remark in remarks]
    told["next_step"] = f"{counted} of at least 2 strokes count, so there is no verdict: make more strokes."
    return {"type": "verdict", **told, "advice": []}


def fact_json(sheet: Sheet | None, entry: Entry) -> dict[str, Any]:
    """Return a fact of the record as a JSON object; steps are counted from 1, as in `strokelog unit steps`."""
    fact = entry.fact
    told = asdict(fact)
    if isinstance(fact, Correction):
        told["corrects"] = told.pop("entry")
    if isinstance(fact, StrokeLeftOut):
        found, told["verdict"] = fact.verdict, None
        if found is not None:
            told["verdict"], told["mean_nm"] = found.verdict, found.mean_nm
            told["expanded_uncertainty_nm"] = found.expanded_uncertainty_nm
    if isinstance(fact, PartsChanged):
        packs = sheet.packs if sheet is not None else ()
        told["changes"] = changes_json(next((pack for pack in packs if pack.name == fact.pack), None), fact.changes)
    if isinstance(fact, PhotoKept):
        told["path"] = fact.path
    if told.get("step") is not None:
        told["step"] += 1
    return {"type": kind_of(fact), "entry": entry.number, "at": entry.at.isoformat(), **told}


def standing_json(sheet: Sheet, standing: Standing, now: datetime) -> Iterator[dict[str, Any]]:
    """Yield an object a pack, an object a step, and last one of type "sign_off" that says what is open."""
    for pack in standing.packs:
        passed = standing.overrides.get(pack.pack)
        told = None
        if passed is not None and isinstance(passed.fact, Override):
            told = {"by": passed.fact.by, "reason": passed.fact.reason, "entry": passed.number}
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
        if isinstance(step, Dimension):
            found |= {"low_nm": step.range[0], "high_nm": step.range[1], "readings_nm": list(one.readings_nm)}
            verdict = measured(step, one.readings_nm)
            if verdict is not None:
                found |= {"verdict": verdict.verdict, "mean_nm": verdict.mean_nm}
                found["expanded_uncertainty_nm"] = verdict.expanded_uncertainty_nm
        yield found
    signed = standing.signed
    yield {
        "type": "sign_off",
        "ready": not standing.open,
        "signed": None
        if signed is None
        else {
            "by": signed.fact.by,
            "at": signed.at.isoformat(),
            "entry": signed.number,
            "demonstration": standing.demonstration,
        },
        "next_step": None if standing.next_step is None else standing.next_step + 1,
        "open": [{**asdict(item), "step": None if item.step is None else item.step + 1} for item in standing.open],
        "cautions": list(standing.cautions),
        "to_acknowledge": [asdict(one) for one in standing.remarks],
        "refused": [{"entry": number, "code": why.code, "why": why.text} for number, why in standing.refused],
    }
