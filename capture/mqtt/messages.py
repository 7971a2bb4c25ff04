"""What a bench says over MQTT: every payload as a model, and the topics they travel under.

Topics, all below `strokelog/v1` (the 1 is the payloads' `schema_version`):

    strokelog/v1/<bench>/status           BenchStatus     retained; the last will says `offline`
    strokelog/v1/<bench>/unit             UnitMessage     retained: how the bench's unit stands, and who released it
    strokelog/v1/<bench>/<pack>/stroke    StrokeMessage   one a stroke, not retained
    strokelog/v1/<bench>/<pack>/verdict   VerdictMessage  retained: the newest verdict of the pack

`<bench>` and `<pack>` are names made safe as one topic level by `topic_level`; `name_from_level` gives the
name back. Everything is published at QoS 1, so a message may arrive twice: its `id` is then the same.
A producer may not add fields (the constructors refuse them); a consumer reads with `from_wire`, which ignores
fields it does not know. Lengths are integer nanometres (`_nm`), times integer nanoseconds since the
recording began (`_ns`), and `at` is RFC 3339 in UTC. No MQTT client and no database here.
"""

from __future__ import annotations

import math
from dataclasses import fields
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self
from uuid import UUID, uuid4

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    FiniteFloat,
    ValidationInfo,
    model_validator,
)

from capture.clearance.verdict import Verdict, VerdictWord
from capture.mqtt.heads import HeadTold
from capture.mqtt.link_state import LinkState
from capture.mqtt.outgoing import Outgoing
from capture.mqtt.topics import stroke_topic, unit_topic, verdict_topic
from capture.strokes.stroke import Stroke

if TYPE_CHECKING:  # the board reads messages, and has no use for what works a unit out
    from capture.unit.standing import UnitStanding

__all__ = [
    "MESSAGES",
    "BenchStatus",
    "BudgetLineMessage",
    "PackMessage",
    "StrokeMessage",
    "UnitMessage",
    "VerdictMessage",
    "outgoing",
]

_WIRE: Final = "wire"


def _in_utc(at: datetime) -> datetime:
    return at.astimezone(UTC)


def _infinite_as_none(dof: object) -> object:
    return None if isinstance(dof, float) and math.isinf(dof) else dof


At = Annotated[AwareDatetime, AfterValidator(_in_utc)]
Dof = Annotated[
    FiniteFloat | None,
    BeforeValidator(_infinite_as_none),
    Field(description="Degrees of freedom; null stands for infinitely many."),
]


class _Strict(BaseModel):
    """Refuses unknown fields from a producer, drops them when reading from the wire."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", from_attributes=True, json_schema_serialization_defaults_required=True
    )

    @model_validator(mode="before")
    @classmethod
    def _drop_unknown(cls, data: Any, info: ValidationInfo) -> Any:
        if info.context == _WIRE and isinstance(data, dict):
            return {key: value for key, value in data.items() if key in cls.model_fields}
        return data


class _Message(_Strict):
    schema_version: Literal[1] = 1
    id: UUID = Field(default_factory=uuid4, description="The same when a message is delivered twice.")
    at: At = Field(description="When it happened, RFC 3339 in UTC.")
    bench: str

    @classmethod
    def from_wire(cls, payload: str | bytes) -> Self:
        """Return the message in `payload`, ignoring fields this version does not know.

        Raises pydantic.ValidationError if it is no such message.
        """
        return cls.model_validate_json(payload, context=_WIRE)


class BenchStatus(_Message):
    """What a bench is doing now. Retained; the broker publishes `offline` for a bench that vanished."""

    state: Literal["online", "offline", "measuring"]
    software_version: str
    job: UUID | None = None
    unit_serial: str = ""
    technician: str = ""
    pack: str | None = Field(default=None, description="The pack being measured, null for none.")
    indicator: LinkState = "off"
    messages_waiting: int = Field(default=0, ge=0, description="Completed but not yet taken by the broker.")
    vanished: bool | None = Field(
        default=None, description="With `offline`: true in the last will, false where the session was ended in order."
    )
    display_unit: Literal["in", "mm"] = Field(default="mm", description="What the bench's people read lengths in.")
    measure: Literal["peak", "held"] = Field(default="peak", description="Which travel the pack's sheet averages.")
    last_stroke_at: At | None = Field(default=None, description="When the session's newest stroke ended.")
    last_travel_nm: int | None = Field(default=None, description="The travel of that stroke, as the sheet measures.")
    air: Literal["", "unarmed", "armed", "tripped", "stopped"] = Field(
        default="",
        description="The air valve's safety; armed whether or not air is applied; empty where there is no fixture.",
    )
    air_fault: str = Field(default="", description="Why there can be no air, and what to do, in words.")
    gauge_due: date | None = Field(default=None, description="When the indicator's calibration is due.")
    gauge_serial: str = Field(default="", description="Which gauge that is; empty where the shop does not say.")
    gauge_standing: Literal["", "not checked", "in order", "not shown", "out", "out of control"] = Field(
        default="", description="What its last check against a master says of it now; empty where it has no serial."
    )
    gauge_text: str = Field(default="", description="The same in a line for people.")
    needs: str = Field(default="", description="What else the bench needs a person for, in words.")
    silent: bool = Field(default=False, description="The indicator is connected, and no reading comes.")


class StrokeMessage(_Message):
    """One stroke, as measured. `seat` strokes settle the pack and are not averaged."""

    job: UUID
    pack: str
    unit_serial: str = ""
    check: int = Field(description="The check's number in the bench's record.")
    seat: bool
    n: int
    start_ns: int
    end_ns: int
    released_nm: int
    peak_travel_nm: int
    held_travel_nm: int
    rise_ns: int
    creep_nm: int
    return_error_nm: int
    flags: tuple[str, ...]
    accepted: bool
    rounding_nm: int | None = Field(
        default=None, description="Standard uncertainty that the display's rounding leaves in the travel."
    )
    fall_nm_per_s: int | None = Field(
        default=None, description="How fast the travel fell while held, 0 where it did not."
    )
    inferred_nm: int | None = Field(
        default=None, description="Standard uncertainty of what was inferred of the travel, 0 where nothing was."
    )
    pressure_min_pa: int | None = Field(default=None, description="Gauge, while held; null without a fixture.")
    pressure_max_pa: int | None = None
    leak_down_pa_per_s: int | None = None

    @classmethod
    def of(cls, stroke: Stroke, **about: Any) -> Self:
        """Return the message for `stroke`; `about` are the fields that a stroke does not have."""
        return cls(**about, **{field.name: getattr(stroke, field.name) for field in fields(stroke)})


class BudgetLineMessage(_Strict):
    """One row of the uncertainty budget (JCGM 100): source, standard uncertainty, degrees of freedom."""

    source: str
    standard_nm: FiniteFloat
    dof: Dof
    basis: str


class RemarkMessage(_Strict):
    """A finding that the verdict carries beside its word, such as that the seal leaks."""

    code: str
    text: str


class _UnderHead(_Message):
    """A message that carries the head of the bench's record it was written under, so that the record cannot be changed
    without that being seen by whoever keeps messages."""

    head_number: int | None = Field(
        default=None, ge=0, description="The newest entry of the bench's record when this was written; null if unknown."
    )
    head_sha256: str = Field(default="", pattern="^([0-9a-f]{64})?$", description="That entry's hash.")

    def head(self) -> HeadTold | None:
        """Return that head, None where an earlier version did not tell it."""
        if self.head_number is None or not self.head_sha256:
            return None
        return HeadTold(self.head_number, self.head_sha256, self.at)


class VerdictMessage(_UnderHead):
    """The verdict on a pack's clearance, with its uncertainty, and the hash of the recording behind it."""

    job: UUID
    pack: str
    unit_serial: str = ""
    check: int = Field(description="The check's number in the bench's record.")
    verdict: VerdictWord
    mean_nm: int
    expanded_uncertainty_nm: int
    coverage: FiniteFloat
    coverage_factor: FiniteFloat
    dof: Dof
    standard_uncertainty_nm: FiniteFloat
    strokes: int
    low_nm: int
    high_nm: int
    conformance_probability: FiniteFloat
    budget: tuple[BudgetLineMessage, ...]
    next_step: str
    more_strokes: int | None
    advice: tuple[str, ...]
    recording_sha256: str = Field(pattern="^[0-9a-f]{64}$")
    remarks: tuple[RemarkMessage, ...] = Field(
        default=(), description="What was found beside the clearance; no less important than the verdict."
    )
    attempt: int | None = Field(
        default=None, ge=1, description="Which verdict on this pack in this job it is: 1 is the pack's first check."
    )
    not_measured: str = Field(
        default="",
        description="What the readings came from instead of an indicator's port, in words; empty where measured.",
    )
    outcome: str = Field(
        default="", description="How the change of parts before this check came out, in words; empty without one."
    )
    left_out: str = Field(
        default="",
        description="Which strokes a person left out, why, and what all of them say, in words; empty for none. Left "
        "out after the verdict, the same check's verdict is told once more, without them.",
    )

    @classmethod
    def of(cls, verdict: Verdict, **about: Any) -> Self:
        """Return the message for `verdict`; `about` are the fields that a verdict does not have."""
        return cls(**about, **{field.name: getattr(verdict, field.name) for field in fields(verdict)})


def _present_word(state: Any, info: ValidationInfo) -> Any:
    """Return `recheck` for the word that benches sent for it before; an outbox may hold it, and a broker retain it."""
    return "recheck" if info.context == _WIRE and state == "stale" else state


class PackMessage(_Strict):
    """How one pack of a unit stands by its newest check and what was changed since."""

    pack: str
    state: Annotated[Literal["good", "not good", "recheck", "unchecked"], BeforeValidator(_present_word)]
    passed_by: str = Field(default="", description="Who let it pass as it is; empty where nobody had to.")
    left_out: str = Field(
        default="", description="Which strokes of its newest check a person left out, and why; empty for none."
    )


class UnitMessage(_UnderHead):
    """How the unit on a bench stands on its way to the sign-off. Retained; sent when that changes."""

    job: UUID
    unit_serial: str
    packs: tuple[PackMessage, ...]
    steps: int = Field(ge=0, description="How many steps the build sheet has.")
    steps_closed: int = Field(ge=0, description="How many of them are done, or let pass by name.")
    next_step: str = Field(default="", description="The step to do next, empty if none is open.")
    against: tuple[str, ...] = Field(description="What stands against signing off, in words.")
    to_acknowledge: tuple[str, ...] = Field(
        default=(), description="What bars no sign-off, but whoever signs must acknowledge, in words."
    )
    signed_off_by: str = Field(default="", description="Who released the unit; empty where nobody has.")
    signed_off_at: At | None = None
    demonstrated_by: str = Field(
        default="",
        description="Who signed it off as a demonstration, which releases no unit: what was judged was not measured.",
    )

    @classmethod
    def of(cls, now: UnitStanding, *, at: datetime, bench: str, job: UUID, unit_serial: str) -> Self:
        """Return the message for a unit that stands so."""
        told = now.standing
        return cls(
            at=at,
            bench=bench,
            job=job,
            unit_serial=unit_serial,
            packs=tuple(
                PackMessage(
                    pack=pack.pack,
                    state=pack.state,
                    passed_by=told.overrides[pack.pack].fact.by if pack.pack in told.overrides else "",
                    left_out=now.left_out.get(pack.pack, ""),
                )
                for pack in told.packs
            ),
            steps=len(told.steps),
            steps_closed=sum(step.closed for step in told.steps),
            next_step="" if told.next_step is None else now.sheet.steps[told.next_step].title,
            against=tuple(item.text for item in told.open),
            to_acknowledge=tuple(one.text for one in told.remarks),
            signed_off_by=told.signed.fact.by if told.signed and not told.demonstration else "",
            signed_off_at=told.signed.at if told.signed else None,
            demonstrated_by=told.signed.fact.by if told.signed and told.demonstration else "",
        )


def outgoing(message: StrokeMessage | VerdictMessage | UnitMessage, head: tuple[int, str] | None = None) -> Outgoing:
    """Return `message` addressed to its topic and written as JSON, under the number and hash of the record's head."""
    if head is not None:
        message = message.model_copy(update={"head_number": head[0], "head_sha256": head[1]})
    if isinstance(message, UnitMessage):
        topic, retain = unit_topic(message.bench), True
    elif isinstance(message, StrokeMessage):
        topic, retain = stroke_topic(message.bench, message.pack), False
    else:
        topic, retain = verdict_topic(message.bench, message.pack), True
    return Outgoing(str(message.id), topic, message.model_dump_json(), retain)


#: Every kind of message, by the name of its schema file.
MESSAGES: Final[dict[str, type[_Message]]] = {
    "status": BenchStatus,
    "stroke": StrokeMessage,
    "unit": UnitMessage,
    "verdict": VerdictMessage,
}
