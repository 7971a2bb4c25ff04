"""Proves what still waits for the broker: a message says what the record says, and names a head that the chain holds.
The outbox is no part of the chain, since a message leaves it when the broker has it; so it is held against the chain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Any, Final
from uuid import UUID

from pydantic import ValidationError

from capture.clearance.verdict import Verdict
from capture.custody.same_values import alike
from capture.mqtt.messages import StrokeMessage, UnitMessage, VerdictMessage
from capture.mqtt.outgoing import OutboxRow
from capture.record import Job, KeptCheck, Mismatch, Store
from capture.strokes.stroke import Stroke
from capture.unit.facts import SignedOff, StrokeLeftOut

_AT_ONCE: Final = 500
_KINDS: Final[dict[str, type[StrokeMessage] | type[VerdictMessage] | type[UnitMessage]]] = {
    "stroke": StrokeMessage,
    "verdict": VerdictMessage,
    "unit": UnitMessage,
}
#: What a verdict's message says in values of its own; the rest of it is words, or made of these.
_NUMBERS: Final = tuple(
    field.name for field in fields(Verdict) if field.name not in ("budget", "remarks", "next_step", "dof")
)


def prove_outbox(store: Store) -> int:
    """Hold every waiting message of strokes, verdicts and units against the record; return how many those were.

    Raises Mismatch for the first that says something else.
    """
    jobs: dict[UUID, Job] = {}
    count = 0
    for row in _waiting(store):
        kind = _KINDS.get(row.message.topic.rpartition("/")[2])
        if kind is None:
            continue
        where = f"message {row.message.id} that waits for the broker"
        try:
            told = kind.from_wire(row.message.payload)
        except ValidationError as error:
            raise Mismatch(where, expected="a message as benches write them", found="another text") from error
        if told.job not in jobs:
            number = store.job_of(told.job)
            if number is None:
                raise Mismatch(f"the job of {where}", expected="one of this record", found=str(told.job))
            jobs = {told.job: store.job(number)}  # messages come job after job
        _one(store, where, jobs[told.job], told)
        count += 1
    return count


def _waiting(store: Store) -> Iterator[OutboxRow]:
    last = 0
    while rows := store.outbox_after(last, _AT_ONCE):
        yield from rows
        last = rows[-1].row


def _one(store: Store, where: str, job: Job, told: StrokeMessage | VerdictMessage | UnitMessage) -> None:
    _same(f"the unit of {where}", job, told.unit_serial, job.unit_serial)
    _same(f"the bench of {where}", job, told.bench, job.bench)
    if isinstance(told, StrokeMessage):
        check = _check(where, job, told.check, told.pack)
        kept = next((one for one in check.strokes if one.stroke.n == told.n), None)
        if kept is None:
            raise Mismatch(f"the stroke of {where}", job=job.id, expected="a stroke of the record", found=told.n)
        for field in fields(Stroke):
            _same(f"{field.name} of {where}", job, getattr(told, field.name), getattr(kept.stroke, field.name))
        return
    if (head := told.head()) is not None:
        _same(f"the head in {where}", job, head.sha256, store.hash_of(head.number))
    if isinstance(told, VerdictMessage):
        _verdict(where, job, told)
    elif told.signed_off_by or told.demonstrated_by:
        signers = {one.fact.by for one in job.facts if isinstance(one.fact, SignedOff)}
        by = told.signed_off_by or told.demonstrated_by
        if by not in signers:
            raise Mismatch(f"who signed in {where}", job=job.id, expected=", ".join(sorted(signers)) or None, found=by)


def _verdict(where: str, job: Job, told: VerdictMessage) -> None:
    check = _check(where, job, told.check, told.pack)
    if check.verdict is None:
        raise Mismatch(f"the verdict of {where}", job=job.id, expected="no verdict", found=told.verdict)
    _same(f"the recording's hash in {where}", job, told.recording_sha256, check.verdict.recording_sha256)
    # A stroke left out after the verdict sends the verdict once more, without it.
    later = [one.fact.verdict for one in check.left_out if isinstance(one.fact, StrokeLeftOut) and one.fact.verdict]
    said: dict[str, Any] = {name: getattr(told, name) for name in _NUMBERS}
    each = [{name: getattr(one, name) for name in _NUMBERS} for one in (check.verdict.verdict, *later)]
    if not any(alike(said, one) for one in each):
        name = next(name for name in _NUMBERS if not alike(said[name], each[0][name]))
        _same(f"{name} of {where}", job, said[name], each[0][name])


def _check(where: str, job: Job, number: int, pack: str) -> KeptCheck:
    check = next((one for one in job.checks if one.id == number), None)
    if check is None or check.pack != pack:
        raise Mismatch(f"the check of {where}", job=job.id, expected="a check of that pack", found=f"{pack}, {number}")
    return check


def _same(what: str, job: Job, told: Any, kept: Any) -> None:
    if told != kept:
        raise Mismatch(what, job=job.id, expected=kept, found=told)
