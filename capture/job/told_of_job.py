"""What is told over MQTT of a job's strokes and verdicts, and of how its unit stands: the record in messages. Pure."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.mqtt.messages import PartMessage, StrokeMessage, UnitMessage, VerdictMessage
from capture.output.words import unstated_words
from capture.record import Job, KeptCheck
from capture.sheet.sheet import Selective, Sheet, Shim
from capture.unit.changes import Outcome, PlanError, fitted_now
from capture.unit.facts import PartsChanged, StepBegun, StepDone
from capture.unit.origin import not_measured_words
from capture.unit.standing import UnitStanding


def technicians_of(job: Job) -> str:
    """Return who worked on a job, by name: who began it, measured, changed parts and signed steps; "not named" for
    nobody."""
    measured = (str((check.origin or {}).get("by") or "") for check in job.checks)
    worked = (one.fact.by for one in job.facts if isinstance(one.fact, PartsChanged | StepBegun | StepDone))
    return ", ".join(dict.fromkeys(name for name in (job.technician, *measured, *worked) if name)) or "not named"


def stroke_told(job: Job, check: KeptCheck, kept: StrokeKept, technician: str, at: datetime) -> StrokeMessage:
    """Return the message of a stroke of a check; `technician` made it, whoever began the job where nobody says."""
    return StrokeMessage.of(kept.stroke, seat=kept.seat, **_of_check(job, check, technician, at))


def verdict_told(
    job: Job,
    check: KeptCheck,
    verdict: Verdict,
    now: UnitStanding,
    came_out: Outcome | None,
    technician: str,
    at: datetime,
    **about: Any,
) -> VerdictMessage:
    """Return the message of a check's verdict, after which the unit stands as in `now`. `came_out` is what came of the
    change of parts before it, `about` are its advice and its recording."""
    return VerdictMessage.of(
        verdict,
        left_out=now.left_out.get(check.pack, ""),
        not_measured=not_measured_words(check.origin),
        unstated=unstated_words(verdict),
        preferred_nm=now.sheet.pack(check.pack).preferred_nm,
        **_of_check(job, check, technician, at),
        **_parts(job, check, now.sheet),
        **({} if came_out is None else _outcome(came_out, now.sheet)),
        **about,
    )


def unit_told(job: Job, now: UnitStanding, at: datetime, ended: KeptCheck | None = None) -> UnitMessage:
    """Return the message of how the unit stands; `ended` is a check that comes to its verdict with it."""
    judged = [one for one in job.checks if one.verdict is not None or (ended is not None and one.id == ended.id)]
    attempts = {pack.pack: sum(one.pack == pack.pack for one in judged) for pack in now.standing.packs}
    gauge = judged[-1].gauge if judged else None
    return UnitMessage.of(now, attempts, **_of_job(job, at), **_gauge(gauge))


def outcome_anew(check: KeptCheck, verdict: Verdict, now: UnitStanding) -> Outcome | None:
    """Return how the change of parts before a check came out by the verdict that it has now, None without one."""
    newest = next((one for one in reversed(now.outcomes) if one.change.pack == check.pack), None)
    return newest if newest is not None and newest.mean_nm == verdict.mean_nm else None


def _of_job(job: Job, at: datetime) -> dict[str, Any]:
    return {
        "at": at,
        "bench": job.bench,
        "job": job.uuid,
        "unit_serial": job.unit_serial,
        "sheet_name": job.sheet_name,
        "sheet_revision": job.sheet_revision,
        "technician": job.technician,
    }


def _gauge(kept: dict[str, Any] | None) -> dict[str, str]:
    gauge = kept or {}
    return {"gauge_serial": gauge.get("serial") or "", "gauge_standing": gauge.get("standing") or ""}


def _of_check(job: Job, check: KeptCheck, technician: str, at: datetime) -> dict[str, Any]:
    before = sum(one.pack == check.pack and one.verdict is not None and one.id < check.id for one in job.checks)
    known = {"technician": technician} if technician else {}
    return {**_of_job(job, at), **known, **_gauge(check.gauge), "pack": check.pack, "check": check.id} | {
        "attempt": before + 1
    }


def _parts(job: Job, check: KeptCheck, sheet: Sheet) -> dict[str, Any]:
    """Return what was fitted in the pack when its check began, and how often that had been changed."""
    made = [
        entry.fact
        for entry in job.facts
        if isinstance(entry.fact, PartsChanged) and entry.number < check.started_number
    ]
    changed = sum(one.pack == check.pack for one in made)
    try:
        pack = fitted_now(sheet, made).pack(check.pack)
    except PlanError:  # what the record says was changed cannot be: what is fitted is not known
        return {"parts_changed": changed, "unit_parts_changed": len(made)}
    parts = tuple(
        PartMessage(name=one.name, kind="shim", thickness_nm=one.thickness, count=one.fitted, more=one.more)
        if isinstance(one, Shim)
        else PartMessage(name=one.name, kind="selective", thickness_nm=one.fitted, count=1, more=one.thicker)
        for one in pack.adjusters
    )
    return {"parts": parts, "parts_changed": changed, "unit_parts_changed": len(made)}


def _outcome(came_out: Outcome, sheet: Sheet) -> dict[str, Any]:
    made = came_out.change
    told: dict[str, Any] = {
        "outcome": came_out.text,
        "predicted_nm": made.predicted_nm,
        "predicted_uncertainty_nm": made.expanded_uncertainty_nm,
        "as_predicted": came_out.as_predicted,
    }
    if len(made.changes) == 1 and made.changes[0].kind == "selective":
        (one,) = made.changes
        part = sheet.pack(made.pack).adjusters[one.adjuster]
        told |= {"changed_part": part.name, "changed_from_nm": one.before, "changed_to_nm": one.after}
        told["changed_closes"] = isinstance(part, Selective) and part.thicker == "closes"
    return told
