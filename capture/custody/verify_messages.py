"""Proves what a bench told, be it a message that waits for the broker, one that was set aside, or one that was
collected: it says what the record says, which it is made from once more, and names a head that the chain holds.

Words are not compared, since another version may put them differently; nor who made a stroke, which no entry keeps.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any, Final, assert_never
from uuid import UUID

from pydantic import ValidationError

from capture.clearance.gauge.facts import GaugeChecked
from capture.custody.same_values import alike
from capture.job.gauge_now import gauge_check_told
from capture.job.told_of_job import outcome_anew, stroke_told, unit_told, verdict_told
from capture.job.unit_on_record import judged_in
from capture.mqtt.message_form import Message
from capture.mqtt.messages import GaugeMessage, PackMessage, StrokeMessage, UnitMessage, VerdictMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.record import Job, KeptCheck, Mismatch, Store
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import StrokeLeftOut
from capture.unit.standing import UnitStanding, unit_now

Told = StrokeMessage | VerdictMessage | UnitMessage | GaugeMessage
#: What a bench keeps until the broker has it, by the last level of its topic.
TOLD: Final[dict[str, type[Told]]] = {
    "stroke": StrokeMessage,
    "verdict": VerdictMessage,
    "unit": UnitMessage,
    "gauge": GaugeMessage,
}
#: Of a message itself, and what it says in words.
_NOT_COMPARED: Final = frozenset(
    {"schema_version", "id", "at", "head_number", "head_sha256", "budget", "remarks", "next_step", "advice", "against"}
    | {"to_acknowledge"}
)
#: Words that say something by being there.
_THERE_OR_NOT: Final = frozenset({"left_out", "not_measured"})
#: What follows by rules that a later version may change, or from what was written in the same moment by somebody else:
#: compared while it waits, when neither is of weight, and not of what was collected over years.
_BY_RULES: Final = frozenset(
    {"packs", "steps", "steps_closed", "against_codes", "outcome", "attempt", "as_predicted", "standing", "alarm"}
    | {"phase", "gauge_standing"}
)
#: Fields that every release told, though they need not be: one that is missing was taken out. Others came later, and
#: messages of before may wait still, or have been collected.
_FROM_THE_FIRST: Final = frozenset(
    {"demonstrated_by", "fall_nm_per_s", "inferred_nm", "leak_down_pa_per_s", "left_out", "not_measured"}
    | {"pressure_max_pa", "pressure_min_pa", "rounding_nm", "signed_off_at", "signed_off_by", "unit_serial"}
)
#: A database may keep a time to the microsecond only.
_SAME_TIME: Final = timedelta(microseconds=1)


class MessageProver:
    """Holds messages against one record. Give those of a job one after another: a job is read once then."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._job: Job | None = None
        self.verdicts: set[int] = set()
        """The checks whose verdicts were told."""

    def waiting(self, where: str, message: Outgoing) -> None:
        """Prove a message as it waits. Raises Mismatch."""
        kind = TOLD.get(message.topic.rpartition("/")[2])
        if kind is None:
            raise Mismatch(f"the topic of {where}", expected=f"one of {', '.join(TOLD)}", found=message.topic)
        try:
            told = kind.from_wire(message.payload)
        except ValidationError as error:
            raise Mismatch(where, expected="a message as benches write them", found="another text") from error
        own = outgoing(told)
        _same(f"the topic of {where}", own.topic, message.topic)
        _same(f"the id in {where}", own.id, message.id)
        self._prove(where, told, collected=False)

    def collected(self, messages: Iterable[Told]) -> int:
        """Prove messages as they were collected; return how many those were. Raises Mismatch."""
        count = 0
        for told in messages:
            self._prove(f"message {told.id} as it was collected", told, collected=True)
            count += 1
        return count

    def _prove(self, where: str, told: Told, *, collected: bool) -> None:
        number = None
        if not isinstance(told, StrokeMessage) and (head := told.head()) is not None:
            number = head.number
            sealed = self._store.sealed(number)
            _same(f"the head in {where}", None if sealed is None else sealed[0], head.sha256)
            if sealed is not None and abs(sealed[1] - told.at) > _SAME_TIME:
                raise Mismatch(f"the time of {where}", entry=number, expected=sealed[1], found=told.at)
        if isinstance(told, GaugeMessage):
            made: Message | None = self._gauge(where, told, number)
        else:
            made = self._of_job(where, told, number)
        if made is not None:
            _compare(where, told, made, collected)

    def _gauge(self, where: str, told: GaugeMessage, number: int | None) -> GaugeMessage | None:
        if number is None:
            return None
        entries = self._store.gauge_facts(number + 1)
        if not entries or entries[-1].number != number or not isinstance(fact := entries[-1].fact, GaugeChecked):
            raise Mismatch(f"the head in {where}", entry=number, expected="the entry of a check of a gauge", found=None)
        made = gauge_check_told(entries[:-1], fact, told.at, (number, entries[-1].sha256))
        return GaugeMessage.from_wire(made.payload)

    def _of_job(
        self, where: str, told: StrokeMessage | VerdictMessage | UnitMessage, number: int | None
    ) -> Message | None:
        job = self._read(where, told.job)
        match told:
            case StrokeMessage():
                check = _check(where, job, told)
                kept = next((one for one in check.strokes if one.stroke.n == told.n), None)
                if kept is None:
                    raise Mismatch(
                        f"the stroke of {where}", job=job.id, expected="a stroke of the record", found=told.n
                    )
                return stroke_told(job, check, kept, told.technician, told.at)
            case VerdictMessage():
                self.verdicts.add(told.check)
                return _verdict(where, job, told, number)
            case UnitMessage():
                then = job if number is None else job.as_of(number)
                return unit_told(then, _standing(then), told.at)
            case _:
                assert_never(told)

    def _read(self, where: str, uuid: UUID) -> Job:
        if self._job is None or self._job.uuid != uuid:
            number = self._store.job_of(uuid)
            if number is None:
                raise Mismatch(f"the job of {where}", expected="one of this record", found=str(uuid))
            self._job = self._store.job(number)
        return self._job


def _standing(job: Job) -> UnitStanding:
    return unit_now(parse_sheet(job.sheet_toml, f"the sheet of job {job.id}"), job.facts, judged_in(job))


def _verdict(where: str, job: Job, told: VerdictMessage, number: int | None) -> VerdictMessage:
    check = _check(where, job, told)
    if check.verdict is None:
        raise Mismatch(f"the verdict of {where}", job=job.id, expected="no verdict", found=told.verdict)
    # A stroke left out after the verdict sends the verdict once more, without it.
    each = [(check.verdict.number, check.verdict.verdict, check.verdict.method, check.verdict.at)]
    for entry in check.left_out:
        if isinstance(entry.fact, StrokeLeftOut) and entry.fact.verdict is not None:
            each.append((entry.number, entry.fact.verdict, entry.fact.method, entry.at))
    of = [one for one in each if number == one[0] or (number is None and abs(one[3] - told.at) <= _SAME_TIME)]
    if not of:
        raise Mismatch(f"the head in {where}", job=job.id, expected="the entry of a verdict", found=number)
    number, verdict, method, at = of[0]
    after = _standing(job.as_of(number))
    if number == check.verdict.number:
        before = len(_standing(job.as_of(number - 1)).outcomes)
        came_out = after.outcomes[-1] if len(after.outcomes) > before else None
    else:
        came_out = outcome_anew(check, verdict, after)
    return verdict_told(
        job, check, verdict, after, came_out, told.technician, at,
        advice=(), recording_sha256=check.verdict.recording_sha256, method=method,
    )  # fmt: skip


def _check(where: str, job: Job, told: StrokeMessage | VerdictMessage) -> KeptCheck:
    check = next((one for one in job.checks if one.id == told.check), None)
    if check is None or check.pack != told.pack:
        found = f"{told.pack}, {told.check}"
        raise Mismatch(f"the check of {where}", job=job.id, expected="a check of that pack", found=found)
    return check


def _compare(where: str, told: Message, made: Message, collected: bool) -> None:
    for name, field in type(told).model_fields.items():
        said, kept = getattr(told, name), getattr(made, name)
        in_words = name == "outcome" and isinstance(told, VerdictMessage)
        # A payload lacks what its version did not know; a row has the field's default then.
        untold = said == field.default if collected else name not in told.model_fields_set
        untold = untold and name not in _FROM_THE_FIRST
        if name in _NOT_COMPARED or (collected and name in _BY_RULES) or in_words or untold:
            continue
        if name in _THERE_OR_NOT:
            said, kept = bool(said), bool(kept)
        if name == "packs":
            said, kept = [_pack(one) for one in said], [_pack(one) for one in kept]
        if not alike(said, kept):
            raise Mismatch(f"{name} of {where}", expected=kept, found=said)


def _pack(told: PackMessage) -> dict[str, Any]:
    # How many attempts is told of the unit as well, and was not of each pack once.
    return {**told.model_dump(exclude={"attempts"}), "left_out": bool(told.left_out)}


def _same(what: str, kept: object, told: object) -> None:
    if told != kept:
        raise Mismatch(what, expected=kept, found=told)
