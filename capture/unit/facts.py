"""What happens to a unit beside its strokes: parts changed, steps done, overrides, sign-off, corrections. Plain data.

The record keeps them in the order they happened and never changes one; what they mean together (what is fitted now,
which packs need a re-check, what still stands against signing off) is worked out elsewhere, from this and the sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal, Protocol, TypeVar

from capture.clearance.advice import Change
from capture.clearance.signing import SignedWay
from capture.clearance.verdict import Verdict


@dataclass(frozen=True, slots=True)
class PartsChanged:
    """The technician changed a pack's parts, and what the next check of that pack was predicted to show. Lengths nm.

    `predicted_nm` and its expanded uncertainty (95 %) are None where nothing was measured before the change.
    """

    pack: str
    changes: tuple[Change, ...]
    predicted_nm: int | None
    expanded_uncertainty_nm: int | None
    by: str


@dataclass(frozen=True, slots=True)
class StepBegun:
    """A step that takes its time, a soak or a cure, has begun; `step` is its index in the sheet."""

    step: int
    by: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class StepDone:
    """A step of the sheet is done; `step` is its index there. Torque in micronewton metres, time in nanoseconds.

    Of several torques (a pass around several bolts) it is the one farthest from the sheet's value; the note has all.
    Where the time was typed although the record had seen the step begin, `known_ns` is how long that was ago. `wrench`
    is the torque wrench in words, where its own check had run out or had found it out; empty where nothing was known
    against it. A dimension has its readings, nanometres, and the instrument that they were taken with.
    """

    step: int
    by: str
    torque_unm: int | None = None
    lasted_ns: int | None = None
    note: str = ""
    known_ns: int | None = None
    wrench: str = ""
    readings_nm: tuple[int, ...] = ()
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Override:
    """A named person lets a pack (by name) or a step (by index) pass as it is, and says why."""

    pack: str | None
    step: int | None
    by: str
    reason: str
    signed: SignedWay = "typed"


@dataclass(frozen=True, slots=True)
class ToAcknowledge:
    """What stands against a unit, though not in the way of its sign-off. `number` is that of the record's entry since
    which it stands (0 in entries of versions that kept the words alone), `text` what the person who signs read."""

    code: Literal[
        "not_as_predicted",
        "gauge_overdue",
        "gauge_out",
        "pressure_gauge_overdue",
        "wrench_overdue",
        "strokes_left_out",
        "seal_leaks",
        "air_at_start",
        "not_measured",
    ]
    number: int
    text: str


@dataclass(frozen=True, slots=True)
class SignedOff:
    """The unit is released by a named person.

    `why` says why it may go out in spite of what is `acknowledged`, which is None in entries of versions that did not
    ask.
    """

    by: str
    note: str = ""
    acknowledged: tuple[ToAcknowledge, ...] | None = None
    why: str = ""
    signed: SignedWay = "typed"


@dataclass(frozen=True, slots=True)
class Correction:
    """An earlier entry (by its number in the record) was wrong: what is right instead, and why. Nothing is erased."""

    entry: int
    by: str
    reason: str
    text: str
    signed: SignedWay = "typed"


@dataclass(frozen=True, slots=True)
class StrokeLeftOut:
    """A technician knows that a stroke was wrong, says why, and it counts no longer. The stroke is kept.

    `check` is the check's number in the record, `stroke` the stroke's number in it, and `after` that of the newest
    stroke when it was left out. `verdict` is what the others say, where the check had its verdict by then; None where
    it was still running, and came to its verdict without this stroke.
    """

    pack: str
    check: int
    stroke: int
    after: int
    by: str
    reason: str
    verdict: Verdict | None = None
    method: int | None = None
    """The way of measuring that said so; None where `verdict` is, and from before they were numbered."""


@dataclass(frozen=True, slots=True)
class CameBack:
    """A unit that was signed off is worked on again, in a job of its own: warranty, a come-back.

    `earlier` is the number of the job that it was signed off in, `signed_off` that of the sign-off's entry.
    """

    earlier: int
    signed_off: int
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class ChangeUndone:
    """A change of parts was written by mistake and never made: `entry` is its number in the record, `pack` its pack."""

    entry: int
    pack: str
    by: str


@dataclass(frozen=True, slots=True)
class NoteMade:
    """Something to know of the unit, of a pack, or of a stroke of the pack's newest check then. It decides nothing."""

    text: str
    by: str
    pack: str | None = None
    stroke: int | None = None


@dataclass(frozen=True, slots=True)
class PhotoKept:
    """A photo of the unit or of a pack: the hash of its bytes, how many they are, what their first ones say they are,
    and the name of the file that it was taken from. It decides nothing."""

    sha256: str
    size_bytes: int
    form: Literal["jpeg", "png"]
    name: str
    by: str
    pack: str | None = None

    @property
    def path(self) -> str:
        """Where its bytes are in a data folder."""
        return f"photos/{self.sha256}.{'jpg' if self.form == 'jpeg' else 'png'}"


Fact = (
    PhotoKept
    | NoteMade
    | ChangeUndone
    | CameBack
    | StrokeLeftOut
    | PartsChanged
    | StepBegun
    | StepDone
    | Override
    | SignedOff
    | Correction
)

#: The facts, by the kind of their entries in the record, which pipes are told too.
FACT_KINDS: Final[dict[str, type[Fact]]] = {
    "parts_changed": PartsChanged,
    "step_begun": StepBegun,
    "step_done": StepDone,
    "override": Override,
    "signed_off": SignedOff,
    "correction": Correction,
    "stroke_left_out": StrokeLeftOut,
    "came_back": CameBack,
    "change_undone": ChangeUndone,
    "note_made": NoteMade,
    "photo_kept": PhotoKept,
}


def is_demonstration(fact: Fact) -> bool:
    """Say whether a sign-off releases no unit, since what was judged was not measured on one."""
    return isinstance(fact, SignedOff) and any(one.code == "not_measured" for one in fact.acknowledged or ())


def without_undone(entries: Sequence[_AnEntry]) -> list[_AnEntry]:
    """Return the entries without the changes of parts that were undone."""
    undone = {entry.fact.entry for entry in entries if isinstance(entry.fact, ChangeUndone)}
    return [entry for entry in entries if entry.number not in undone]


def kind_of(fact: Fact) -> str:
    """Return the kind of a fact's entry."""
    return next(kind for kind, one in FACT_KINDS.items() if type(fact) is one)


class Entry(Protocol):
    """A fact as the record keeps it: its number, which grows with every entry of the record, and when it happened."""

    @property
    def number(self) -> int: ...
    @property
    def at(self) -> datetime: ...
    @property
    def fact(self) -> Fact: ...


_AnEntry = TypeVar("_AnEntry", bound=Entry)


@dataclass(frozen=True, slots=True)
class Judged:
    """A check that came to a verdict, with the numbers of the record's entries of its start and its verdict."""

    pack: str
    started_number: int
    number: int
    verdict: Verdict
    overdue: str = ""
    """The gauge in words, where its calibration had run out when this was measured."""
    out: str = ""
    """The gauge in words, where a check against a master had found it out of its limit or its chart out of control."""
    pressure: str = ""
    """What stood against the pressure gauge that its air was set by; empty for nothing."""
    set_up: str = ""
    """The gauge and the day in one text: checks that have the same share the gauge's error. Empty if not known."""
    not_measured: str = ""
    """What its readings came from instead of an indicator's port, in words; empty where they are measured."""
    left_out: tuple[Entry, ...] = ()
    """The strokes that a person left out of it, as the record keeps that."""
    with_all: Verdict | None = None
    """What all of its strokes say, where some were left out."""
    least: int = 0
    """The fewest strokes that the sheet lets it rest on."""
