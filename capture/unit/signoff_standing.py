"""How a unit stands towards its sign-off, as data: its steps, what is open, and what stands against a fact."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from capture.sheet.sheet import Sheet
from capture.unit.facts import Entry, ToAcknowledge, is_demonstration
from capture.unit.pack_states import PackState


@dataclass(frozen=True, slots=True)
class StepStanding:
    """How a step stands: who signed it and when, and what was measured."""

    index: int
    state: Literal["open", "begun", "done", "not good", "overridden"] = "open"
    by: str = ""
    at: datetime | None = None
    number: int = 0
    torque_unm: int | None = None
    lasted_ns: int | None = None
    known_ns: int | None = None
    """How long it lasted by the record, where another time was typed."""
    readings_nm: tuple[int, ...] = ()
    instrument: str = ""
    note: str = ""
    """What the technician wrote, or why the step was overridden."""

    @property
    def closed(self) -> bool:
        """Whether nothing of this step stands against signing off."""
        return self.state in ("done", "overridden")


@dataclass(frozen=True, slots=True)
class Objection:
    """Why a fact may not be written, or does not count: a code for programs, and words with what to do."""

    code: Literal[
        "already_signed", "backwards", "corrected", "does_not_count", "earlier_pass_open", "nameless", "no_readings",
        "no_such_pack", "no_such_step", "no_such_stroke", "no_torque", "no_way_there", "nothing_to_override",
        "nothing_to_undo", "still_open", "timeless", "too_few_readings", "too_few_strokes", "too_long", "too_short",
        "torque_outside",
        "unacknowledged", "unmeasured_time", "unmeasured_torque", "unreasoned", "which_one",
    ]  # fmt: skip
    text: str


@dataclass(frozen=True, slots=True)
class OpenItem:
    """One thing that stands against signing off, and what to do about it."""

    code: Literal["unchecked", "not_good", "recheck", "checked_since", "begun", "waits_for_pass", "not_done"]
    pack: str | None
    step: int | None
    text: str
    do: str


@dataclass(frozen=True, slots=True)
class Standing:
    """How the unit stands."""

    packs: tuple[PackState, ...]
    steps: tuple[StepStanding, ...]
    overrides: Mapping[str, Entry]
    """The overrides that let packs pass now, by pack."""
    open: tuple[OpenItem, ...]
    next_step: int | None
    """The step to do next: the first that can be begun or done now; none where the packs come first."""
    signed: Entry | None
    """The sign-off, while it stands."""
    cautions: tuple[str, ...]
    """What the person who signs should look at; nothing of it stands against signing."""
    refused: tuple[tuple[int, Objection], ...]
    """Entries of the record that do not count, by number, and why."""
    remarks: tuple[ToAcknowledge, ...] = ()
    """What whoever signs must acknowledge."""
    first: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    """By pack, the steps that come before it is measured and are not done."""
    packs_left: tuple[str, ...] = ()
    """The packs that are neither good now nor let pass: steps that come before none of them follow them."""

    @property
    def demonstration(self) -> bool:
        """Whether the sign-off that stands releases no unit, since what was judged was not measured on one."""
        return self.signed is not None and is_demonstration(self.signed.fact)


def elapsed_ns(step: StepStanding, now: datetime) -> int | None:
    """Return how long ago a step began, nanoseconds, below zero if the clock was put back; None unless it runs."""
    if step.state != "begun" or step.at is None:
        return None
    return (now - step.at) // timedelta(microseconds=1) * 1000


def step_name(sheet: Sheet, step: int) -> str:
    """Return a step for people, with its number."""
    return f"step {step + 1} ({sheet.steps[step].title})"
