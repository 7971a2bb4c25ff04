"""What a bench says over MQTT: every payload as a model, and the topics they travel under.

Topics, all below `strokelog/v1` (the 1 is the payloads' `schema_version`):

    strokelog/v1/<bench>/status           BenchStatus     retained; the last will says `offline`
    strokelog/v1/<bench>/unit             UnitMessage     retained: how the bench's unit stands, and who released it
    strokelog/v1/<bench>/gauge            GaugeMessage    a check of the bench's gauge against masters, not retained
    strokelog/v1/<bench>/<pack>/stroke    StrokeMessage   one a stroke, not retained
    strokelog/v1/<bench>/<pack>/verdict   VerdictMessage  retained: the newest verdict of the pack

`<bench>` and `<pack>` are names made safe as one topic level by `topic_level`; `name_from_level` gives the
name back. Everything is published at QoS 1, so a message may arrive twice: its `id` is then the same.
A producer may not add fields (the constructors refuse them); a consumer reads with `from_wire`, which ignores
fields it does not know. Lengths are integer nanometres (`_nm`), times integer nanoseconds since the
recording began (`_ns`), and `at` is RFC 3339 in UTC. No MQTT client and no database here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self, get_args
from uuid import UUID

from pydantic import BeforeValidator, Field, ValidationInfo

from capture.clearance.verdict import RemarkCode, Verdict, VerdictWord
from capture.mqtt.link_state import LinkState
from capture.mqtt.message_form import (
    At,
    Count,
    Dof,
    Flag,
    GaugeWord,
    Message,
    Ordinal,
    Positive,
    Probability,
    Strict,
    UnderHead,
    is_from_wire,
)
from capture.mqtt.outgoing import Outgoing
from capture.mqtt.topics import gauge_topic, stroke_topic, unit_topic, verdict_topic
from capture.strokes.stroke import Stroke

if TYPE_CHECKING:  # the board reads messages, and has no use for what works a unit out
    from capture.unit.standing import UnitStanding

__all__ = [
    "MESSAGES",
    "BenchStatus",
    "BudgetLineMessage",
    "GaugeMessage",
    "PackMessage",
    "PartMessage",
    "RemarkMessage",
    "StrokeMessage",
    "UnitMessage",
    "VerdictMessage",
    "outgoing",
]


class BenchStatus(Message):
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
    gauge_standing: GaugeWord = Field(
        default="", description="What its last check against a master says of it now; empty where it has no serial."
    )
    gauge_text: str = Field(default="", description="The same in a line for people.")
    needs: str = Field(default="", description="What else the bench needs a person for, in words.")
    silent: bool = Field(default=False, description="The indicator is connected, and no reading comes.")
    typed: bool = Field(default=False, description="The readings are typed by the technician.")


class _OfJob(Message):
    """What a message of a job says of its source; empty or null from benches that did not tell it yet."""

    job: UUID
    unit_serial: str = ""
    sheet_name: str = Field(default="", description="The build sheet that the job was begun with.")
    sheet_revision: str = Field(default="", description="And its revision: numbers of two revisions never mix.")
    technician: str = Field(default="", description="Who measured; of a unit, who began the job.")
    gauge_serial: str = Field(default="", description="The indicator measured with; empty where the shop says none.")
    gauge_standing: GaugeWord = Field(
        default="", description="What its last check against a master said of it then; empty where it has no serial."
    )
    attempt: Ordinal | None = Field(
        default=None,
        description="Which verdict on this pack in this job it is, or is on the way to: 1 is the pack's first check. "
        "Of a unit, the most that one of its packs took.",
    )


class StrokeMessage(_OfJob):
    """One stroke, as measured. `seat` strokes settle the pack and are not averaged."""

    pack: str
    check: Count = Field(description="The check's number in the bench's record.")
    seat: bool
    n: Ordinal
    start_ns: Count
    end_ns: Count
    released_nm: int
    peak_travel_nm: int
    held_travel_nm: int
    rise_ns: Count
    creep_nm: int
    return_error_nm: int
    flags: tuple[Flag, ...]
    accepted: bool
    rounding_nm: Count | None = Field(
        default=None, description="Standard uncertainty that the display's rounding leaves in the travel."
    )
    fall_nm_per_s: Count | None = Field(
        default=None, description="How fast the travel fell while held, 0 where it did not."
    )
    inferred_nm: Count | None = Field(
        default=None, description="Standard uncertainty of what was inferred of the travel, 0 where nothing was."
    )
    pressure_min_pa: int | None = Field(default=None, description="Gauge, while held; null without a fixture.")
    pressure_max_pa: int | None = None
    leak_down_pa_per_s: Count | None = None
    outcome: Literal["", "seat", "counted", "not counted"] = Field(
        default="", description="What became of it: it settled the pack, counted, or did not for its flags."
    )

    @classmethod
    def of(cls, stroke: Stroke, **about: Any) -> Self:
        """Return the message for `stroke`; `about` are the fields that a stroke does not have."""
        outcome = "seat" if about["seat"] else "counted" if stroke.accepted else "not counted"
        told = {field.name: getattr(stroke, field.name) for field in fields(stroke)}
        return cls(outcome=outcome, **about, **told)


class BudgetLineMessage(Strict):
    """One row of the uncertainty budget (JCGM 100): source, standard uncertainty, degrees of freedom."""

    source: str
    standard_nm: Positive
    dof: Dof
    basis: str


class RemarkMessage(Strict):
    """A finding that the verdict carries beside its word, such as that the seal leaks."""

    code: Annotated[str, Field(json_schema_extra={"enum": list(get_args(RemarkCode))})]
    text: str


class PartMessage(Strict):
    """What one adjuster of a pack holds: so many shims of a thickness, or one selective part."""

    name: str
    kind: Literal["shim", "selective"]
    thickness_nm: Count
    count: Count = Field(description="1 of a selective part.")
    more: Literal["opens", "closes"] = Field(description="What more shims, or a thicker part, does to the clearance.")


class VerdictMessage(_OfJob, UnderHead):
    """The verdict on a pack's clearance, with its uncertainty, and the hash of the recording behind it."""

    pack: str
    check: Count = Field(description="The check's number in the bench's record.")
    verdict: VerdictWord
    mean_nm: int
    expanded_uncertainty_nm: Count
    coverage: Probability
    coverage_factor: Positive
    dof: Dof
    standard_uncertainty_nm: Positive
    strokes: Count
    low_nm: int
    high_nm: int
    conformance_probability: Probability
    budget: tuple[BudgetLineMessage, ...]
    next_step: str
    more_strokes: Count | None
    needs_a_master: bool | None = Field(
        default=None,
        description="Whether it is inconclusive for want of a check of the gauge: one that finds no error would "
        "settle it.",
    )
    advice: tuple[str, ...]
    recording_sha256: str = Field(pattern="^[0-9a-f]{64}$")
    method: int | None = Field(
        default=None, ge=1, description="The way of measuring by its number; null from before they were numbered."
    )
    remarks: tuple[RemarkMessage, ...] = Field(
        default=(), description="What was found beside the clearance; no less important than the verdict."
    )
    not_measured: str = Field(
        default="",
        description="What the readings came from instead of an indicator's port, in words; empty where measured.",
    )
    outcome: str = Field(
        default="", description="How the change of parts before this check came out, in words; empty without one."
    )
    preferred_nm: int | None = Field(default=None, description="What the sheet would rather have, within the range.")
    parts: tuple[PartMessage, ...] = Field(
        default=(), description="What was fitted in the pack, adjuster by adjuster, as the sheet has them."
    )
    parts_changed: Count | None = Field(
        default=None, description="How often parts of the pack had been changed in this job: 0 is a pack as found."
    )
    unit_parts_changed: Count | None = Field(
        default=None, description="How often parts of any pack of the unit had been changed in this job."
    )
    predicted_nm: int | None = Field(
        default=None, description="What was foretold for this check by the change of parts before it; null without one."
    )
    predicted_uncertainty_nm: Count | None = Field(default=None, description="Its expanded uncertainty (95 %).")
    as_predicted: bool | None = Field(default=None, description="Whether it came out so; null without a prediction.")
    changed_part: str = Field(
        default="", description="The selective part that was changed before it, where that was all; else empty."
    )
    changed_from_nm: Count | None = Field(default=None, description="Its thickness before the change.")
    changed_to_nm: Count | None = Field(default=None, description="And after it.")
    changed_closes: bool | None = Field(default=None, description="Whether a thicker one closes the clearance.")
    left_out: str = Field(
        default="",
        description="Which strokes a person left out, why, and what all of them say, in words; empty for none. Left "
        "out after the verdict, the same check's verdict is told once more, without them.",
    )
    unstated: str = Field(
        default="",
        description="That no limit of the indicator's own error is counted in the uncertainty, in words; empty where "
        "one is.",
    )

    @classmethod
    def of(cls, verdict: Verdict, **about: Any) -> Self:
        """Return the message for `verdict`; `about` are the fields that a verdict does not have."""
        return cls(
            needs_a_master=verdict.needs_a_master,
            **about,
            **{field.name: getattr(verdict, field.name) for field in fields(verdict)},
        )


def _present_word(state: Any, info: ValidationInfo) -> Any:
    """Return `recheck` for the word that benches sent for it before; an outbox may hold it, and a broker retain it."""
    return "recheck" if is_from_wire(info) and state == "stale" else state


class PackMessage(Strict):
    """How one pack of a unit stands by its newest check and what was changed since."""

    pack: str
    state: Annotated[Literal["good", "not good", "recheck", "unchecked"], BeforeValidator(_present_word)]
    passed_by: str = Field(default="", description="Who let it pass as it is; empty where nobody had to.")
    left_out: str = Field(
        default="", description="Which strokes of its newest check a person left out, and why; empty for none."
    )
    attempts: Count | None = Field(default=None, description="How many verdicts it took so far.")


#: Why a unit cannot be signed off yet.
AgainstCode = Literal["unchecked", "not_good", "recheck", "checked_since", "begun", "waits_for_pass", "not_done"]


class UnitMessage(_OfJob, UnderHead):
    """How the unit on a bench stands on its way to the sign-off. Retained; sent when that changes."""

    unit_serial: str
    packs: tuple[PackMessage, ...]
    steps: Count = Field(description="How many steps the build sheet has.")
    steps_closed: Count = Field(description="How many of them are done, or let pass by name.")
    next_step: str = Field(default="", description="The step to do next, empty if none is open.")
    against: tuple[str, ...] = Field(description="What stands against signing off, in words.")
    against_codes: tuple[AgainstCode, ...] = Field(
        default=(), description="The same for programs, in the same order; empty from benches that told words alone."
    )
    outcome: Literal["", "open", "signed off", "demonstrated"] = Field(
        default="", description="What came of the unit so far; empty from benches that did not tell it."
    )
    to_acknowledge: tuple[str, ...] = Field(
        default=(), description="What bars no sign-off, but whoever signs must acknowledge, in words."
    )
    signed_off_by: str = Field(default="", description="Who released the unit; empty where nobody has.")
    signed_off_at: At | None = None
    signed_off_way: Literal["", "typed", "PIN", "badge"] = Field(
        default="", description="By which way whoever signed did: by a name that was typed, or by a key."
    )
    demonstrated_by: str = Field(
        default="",
        description="Who signed it off as a demonstration, which releases no unit: what was judged was not measured.",
    )

    @classmethod
    def of(cls, now: UnitStanding, attempts: Mapping[str, int], **about: Any) -> Self:
        """Return the message for a unit that stands so after so many verdicts on each of its packs; `about` are the
        fields that a standing does not have."""
        told = now.standing
        return cls(
            **about,
            attempt=max(attempts.values(), default=0) or None,
            packs=tuple(
                PackMessage(
                    pack=pack.pack,
                    state=pack.state,
                    passed_by=told.overrides[pack.pack].fact.by if pack.pack in told.overrides else "",
                    left_out=now.left_out.get(pack.pack, ""),
                    attempts=attempts.get(pack.pack, 0),
                )
                for pack in told.packs
            ),
            steps=len(told.steps),
            steps_closed=sum(step.closed for step in told.steps),
            next_step="" if told.next_step is None else now.sheet.steps[told.next_step].title,
            against=tuple(item.text for item in told.open),
            against_codes=tuple(item.code for item in told.open),
            outcome="open" if told.signed is None else "demonstrated" if told.demonstration else "signed off",
            to_acknowledge=tuple(one.text for one in told.remarks),
            signed_off_by=told.signed.fact.by if told.signed and not told.demonstration else "",
            signed_off_at=told.signed.at if told.signed else None,
            signed_off_way=getattr(told.signed.fact, "signed", "") if told.signed else "",
            demonstrated_by=told.signed.fact.by if told.signed and told.demonstration else "",
        )


class GaugeMessage(UnderHead):
    """A check of a gauge against masters, as signed. What it was checked on first is its check standard."""

    gauge_serial: str
    technician: str = Field(description="Who signed it.")
    as_left: bool = Field(description="After something was done to the gauge; else as it was found.")
    standing: GaugeWord = Field(description="What the gauge's checks, this one with them, say of it.")
    result: Literal["in order", "not shown", "out", "refused"] = Field(
        description="Of this check: proven within its limit of error, neither, proven beyond it, or no check at all."
    )
    alarm: bool = Field(description="Outside its control chart twice, or twice far from its master: use another gauge.")
    master: str = Field(description="The check standard's serial number; empty where nothing was read.")
    master_nm: Count | None
    error_nm: int | None = Field(description="What the gauge reads too much at it.")
    standard_uncertainty_nm: Count | None = Field(description="Of that error.")
    max_error_nm: Count = Field(description="The maker's limit of error; 0 for none known.")
    phase: Count = Field(description="Grows whenever the gauge became another one, as by a repair.")
    recording_sha256: str = Field(pattern="^[0-9a-f]{64}$")
    not_measured: str = Field(
        default="",
        description="What the readings came from instead of an indicator's port, in words; empty if measured.",
    )


def outgoing(
    message: StrokeMessage | VerdictMessage | UnitMessage | GaugeMessage, head: tuple[int, str] | None = None
) -> Outgoing:
    """Return `message` addressed to its topic and written as JSON, under the number and hash of the record's head."""
    if head is not None:
        message = message.model_copy(update={"head_number": head[0], "head_sha256": head[1]})
    if isinstance(message, UnitMessage):
        topic, retain = unit_topic(message.bench), True
    elif isinstance(message, GaugeMessage):
        topic, retain = gauge_topic(message.bench), False
    elif isinstance(message, StrokeMessage):
        topic, retain = stroke_topic(message.bench, message.pack), False
    else:
        topic, retain = verdict_topic(message.bench, message.pack), True
    return Outgoing(str(message.id), topic, message.model_dump_json(), retain)


#: Every kind of message, by the name of its schema file.
MESSAGES: Final[dict[str, type[Message]]] = {
    "gauge": GaugeMessage,
    "status": BenchStatus,
    "stroke": StrokeMessage,
    "unit": UnitMessage,
    "verdict": VerdictMessage,
}
