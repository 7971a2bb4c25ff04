"""What stands against signing a unit off: from the sheet, the record's facts and the packs' states. No I/O, no clock.

Theory. The facts are gone through in the order of the record. Each is held against the same rules that a person meets
before it is written (`against`), so whatever a record holds, only what keeps the rules counts:

- A soak or a cure counts when it lasted the sheet's minimum, measured from `StepBegun` or typed. Begun again, it is
  open again.
- A torque pass counts when the earlier passes around the same bolts are done or overridden, and its torque lies in
  the sheet's tolerance. Where the sheet names none, none is assumed: the deviation is shown and the person who signs
  judges it. An earlier pass done again opens the later ones again, since the bolts were loose.
- An override lets one step, or one pack as it was then, pass; a later check or change of that pack ends it.
- What a `Correction` names no longer counts, but for changed parts: whatever is right instead, they were changed.
- A sign-off counts when nothing stood open before it, and stands while nothing is open after it. What bars nothing and
  may not pass in silence (`remarks`) must be acknowledged in it; entries of versions that did not ask count without.

Elapsed time comes from the wall clock, as a soak outlasts a restart of the computer; times that run backwards do not
count. Torques are micronewton metres, durations nanoseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from capture.sheet.dimensions import Dimension
from capture.sheet.sheet import Sheet
from capture.sheet.steps import Torque
from capture.unit.dimension_readings import measured, measured_words, too_few
from capture.unit.facts import (
    CameBack,
    Correction,
    Entry,
    Fact,
    NoteMade,
    Override,
    PartsChanged,
    PhotoKept,
    SignedOff,
    StepBegun,
    StepDone,
    StrokeLeftOut,
    ToAcknowledge,
    without_undone,
)
from capture.unit.pack_states import PackState
from capture.unit.signoff_cautions import cautions
from capture.unit.signoff_standing import Objection, OpenItem, Standing, StepStanding, elapsed_ns, step_name
from drivers.units import format_duration

#: A number above that of every entry in a record: what is about to be written comes after them all.
_NEXT = 2**62
#: No soak and no cure lasts longer, nanoseconds: thirty days.
_LONGEST_NS = 30 * 86_400 * 1_000_000_000


def standing(
    sheet: Sheet, entries: Sequence[Entry], packs: Sequence[PackState], remarks: Sequence[ToAcknowledge] = ()
) -> Standing:
    """Return how the unit stands after `entries`, in the order of the record."""
    unit = _gone_through(sheet, entries, packs, remarks)
    open_items = unit.open_items(_NEXT)
    return Standing(
        packs=tuple(unit.packs.values()),
        steps=tuple(unit.steps),
        overrides={name: entry for name, entry in unit.passed.items() if unit.lets_pass(name, _NEXT)},
        open=tuple(open_items),
        next_step=unit.next_step(),
        signed=None if open_items or unit.changed_since_signed() else unit.signed,
        cautions=tuple(cautions(sheet, unit.steps, unit.packs, unit.changed)),
        refused=tuple(unit.refused),
        remarks=tuple(remarks),
        first={pack: before for pack in unit.packs if (before := unit.steps_before(pack))},
        packs_left=unit.packs_left(),
    )


def against(
    sheet: Sheet,
    entries: Sequence[Entry],
    packs: Sequence[PackState],
    fact: Fact,
    at: datetime,
    remarks: Sequence[ToAcknowledge] = (),
) -> Objection | None:
    """Return what stands against adding `fact` now. `remarks` are what a sign-off must acknowledge."""
    unit = _gone_through(sheet, entries, packs)
    signed = None
    if unit.signed is not None and not unit.changed_since_signed():
        signed = Objection("already_signed", f"the unit is signed off already, by {unit.signed.fact.by}")
    if signed and not isinstance(fact, Correction | Override | PartsChanged | SignedOff):
        return signed
    why = unit.against(fact, at, _NEXT)
    if why:
        return why
    match fact:
        case SignedOff():
            return signed or _unacknowledged(fact, remarks)
        case Override(step=int(step)) if unit.steps[step].state == "done":
            return Objection("nothing_to_override", f"{step_name(sheet, step)} is done; there is nothing to override")
        case Override(pack=str(pack)) if unit.packs[pack].state == "good":
            return Objection("nothing_to_override", f"pack {pack!r} is good; there is nothing to override")
    return None


def _unacknowledged(fact: SignedOff, remarks: Sequence[ToAcknowledge]) -> Objection | None:
    known = {(one.code, one.number) for one in fact.acknowledged or ()}
    left = " ".join(one.text for one in remarks if (one.code, one.number) not in known)
    if left:
        return Objection(
            "unacknowledged",
            f"whoever signs must acknowledge: {left} Say that you know it, and why the unit may go out",
        )
    if remarks and not fact.why.strip():
        return Objection(
            "unreasoned",
            "it is not said why the unit may go out in spite of what is acknowledged; the record keeps that for ever",
        )
    return None


def _gone_through(
    sheet: Sheet, entries: Sequence[Entry], packs: Sequence[PackState], remarks: Sequence[ToAcknowledge] = ()
) -> _Unit:
    unit = _Unit(sheet, packs, remarks)
    entries = without_undone(entries)
    corrected = {entry.fact.entry for entry in entries if isinstance(entry.fact, Correction)}
    for entry in entries:
        # Parts that were changed otherwise than was written were changed all the same.
        if entry.number in corrected and not isinstance(entry.fact, PartsChanged):
            unit.refused.append((entry.number, Objection("corrected", "it was corrected")))
        else:
            unit.take(entry)
    return unit


class _Unit:
    """The facts gone through so far."""

    def __init__(self, sheet: Sheet, packs: Sequence[PackState], remarks: Sequence[ToAcknowledge]) -> None:
        told = {state.pack: state for state in packs}
        self.sheet = sheet
        self.packs = {pack.name: told.get(pack.name, PackState(pack.name, "unchecked")) for pack in sheet.order()}
        self.steps = [StepStanding(n) for n in range(len(sheet.steps))]
        self.passed: dict[str, Entry] = {}
        self.changed: dict[str, int] = {}
        self.remarks = remarks
        self.signed: Entry | None = None
        self.last = 0
        self.refused: list[tuple[int, Objection]] = []

    def take(self, entry: Entry) -> None:
        fact = entry.fact
        why = self.against(fact, entry.at, entry.number)
        if why:
            self.refused.append((entry.number, why))
            return
        match fact:
            case PartsChanged(pack):
                self.changed[pack] = entry.number
            case StepBegun(step, by, note):
                self.steps[step] = StepStanding(step, "begun", by, entry.at, entry.number, note=note)
            case StepDone(step):
                self._finish(fact, entry)
            case Override(pack=str(pack)):
                self.passed[pack] = entry
            case Override(step=int(step), by=by, reason=reason):
                if self.steps[step].state != "done":
                    self.steps[step] = StepStanding(step, "overridden", by, entry.at, entry.number, note=reason)
            case SignedOff():
                self.signed = entry
        if not isinstance(fact, Correction):
            self.last = entry.number

    def _finish(self, fact: StepDone, entry: Entry) -> None:
        before = self.steps[fact.step]
        for later in self._passes(fact.step, after=True) if before.closed else []:
            self.steps[later] = StepStanding(later)
        lasted_ns = self._lasted(fact, entry.at)
        self.steps[fact.step] = StepStanding(
            fact.step, self._state(fact), fact.by, entry.at, entry.number, fact.torque_unm, lasted_ns, fact.known_ns,
            note=fact.note, readings_nm=fact.readings_nm, instrument=fact.instrument,
        )  # fmt: skip

    def _state(self, fact: StepDone) -> Literal["done", "not good"]:
        step = self.sheet.steps[fact.step]
        verdict = measured(step, fact.readings_nm) if isinstance(step, Dimension) else None
        return "done" if verdict is None or verdict.verdict == "good" else "not good"

    def _lasted(self, fact: StepDone, at: datetime) -> int | None:
        return elapsed_ns(self.steps[fact.step], at) if fact.lasted_ns is None else fact.lasted_ns

    def _passes(self, step: int, *, after: bool) -> list[int]:
        """The passes around the same bolts that come before this one, or after it; by `order`, else as listed."""
        this = self.sheet.steps[step]
        if not isinstance(this, Torque):
            return []
        found = []
        for n, other in enumerate(self.sheet.steps):
            if n == step or not isinstance(other, Torque) or other.bolts_of != this.bolts_of:
                continue
            ordered = this.order is not None and other.order is not None
            theirs, ours = (other.order or 0, this.order or 0) if ordered else (n, step)
            if theirs != ours and (theirs > ours) == after:
                found.append(n)
        return found

    # What stands against a fact

    def against(self, fact: Fact, at: datetime, number: int) -> Objection | None:
        if not fact.by.strip():
            return Objection("nameless", "nobody's name is given; say who does it")
        match fact:
            case PartsChanged(pack) if pack not in self.packs:
                return self._no_pack(pack)
            case StepBegun(step) | StepDone(step):
                return self._against_step(fact, at) if self._has(step) else self._no_step(step)
            case Override():
                return self._against_override(fact)
            case NoteMade(pack=str(pack)) | PhotoKept(pack=str(pack)) if pack not in self.packs:
                return self._no_pack(pack)
            case NoteMade() if not fact.text.strip():
                return Objection("unreasoned", "the note is empty; say what there is to know")
            case CameBack() if not fact.reason.strip():
                return Objection("unreasoned", "it is not said why the unit is back; the record keeps that for ever")
            case StrokeLeftOut() if not fact.reason.strip():
                text = "it is not said what was wrong with the stroke; the record keeps that for ever"
                return Objection("unreasoned", text)
            case SignedOff(acknowledged=acknowledged):
                items = self.open_items(number)
                if items:
                    return Objection("still_open", "; ".join(f"{item.text}: {item.do}" for item in items))
                if acknowledged is None:  # a version that did not ask
                    return None
                told = {one.code for one in acknowledged}
                for known in self.remarks:
                    if known.number < number and known.code not in told:
                        return Objection("unacknowledged", f"it does not acknowledge that {known.text}")
        return None

    def _has(self, step: int) -> bool:
        return 0 <= step < len(self.steps)

    def _no_step(self, step: int) -> Objection:
        count = len(self.steps)
        there = f"steps 1 to {count}" if count else "none"
        return Objection("no_such_step", f"there is no step {step + 1}; the sheet has {there}")

    def _no_pack(self, pack: str | None) -> Objection:
        return Objection("no_such_pack", f"there is no pack {pack!r} in the sheet; there are: {', '.join(self.packs)}")

    def _against_step(self, fact: StepBegun | StepDone, at: datetime) -> Objection | None:
        step, name = self.sheet.steps[fact.step], step_name(self.sheet, fact.step)
        if isinstance(fact, StepBegun):
            if step.minimum_ns is not None:
                return None
            return Objection("timeless", f"{name} has no minimum time; confirm it when it is done")
        if isinstance(step, Dimension):
            few = too_few(step, fact.readings_nm)
            return Objection("too_few_readings", f"{name} has {few}") if few else None
        if fact.readings_nm:
            return Objection("no_readings", f"{name} is no dimension; confirm it without readings")
        if isinstance(step, Torque):
            return self._against_torque(step, name, fact)
        if fact.torque_unm is not None:
            return Objection("no_torque", f"{name} is no torque pass; confirm it without a torque")
        if step.minimum_ns is None:
            return None
        lasted_ns = self._lasted(fact, at)
        least = format_duration(step.minimum_ns)
        if lasted_ns is None:
            return Objection(
                "unmeasured_time", f"{name} must last at least {least}; begin it first, or say how long it lasted"
            )
        lasted = format_duration(lasted_ns)
        if lasted_ns > _LONGEST_NS:
            return Objection("too_long", f"{name} cannot have lasted {lasted}; check the unit, or begin it again")
        if lasted_ns < 0:
            return Objection(
                "backwards", f"{name} ended before it began; check the computer's clock, or say how long it lasted"
            )
        if lasted_ns < step.minimum_ns:
            left = format_duration(step.minimum_ns - lasted_ns)
            return Objection("too_short", f"{name} lasted {lasted} of at least {least}; wait another {left}")
        return None

    def _against_torque(self, step: Torque, name: str, fact: StepDone) -> Objection | None:
        for earlier in self._passes(fact.step, after=False):
            if not self.steps[earlier].closed:
                first = step_name(self.sheet, earlier)
                return Objection(
                    "earlier_pass_open", f"{name} comes after {first}, which is not done; do that pass first"
                )
        torque = fact.torque_unm
        if torque is None:
            if not step.value:
                return None
            return Objection("unmeasured_torque", f"{name} asks for {step.value}; say what torque was reached")
        shown = step.shown(torque)
        if torque <= 0:
            return Objection("torque_outside", f"{shown} is no tightening; expected a torque above zero")
        if step.allows(torque) is False:
            return Objection(
                "torque_outside",
                f"{shown} is {step.deviation(torque)} from {step.value} and outside {step.window()}; "
                "tighten again as the service literature says, and replace bolts that were overtightened",
            )
        return None

    def _against_override(self, fact: Override) -> Objection | None:
        if (fact.pack is None) == (fact.step is None):
            return Objection("which_one", "an override lets one pack or one step pass; name one of them")
        if not fact.reason.strip():
            return Objection("unreasoned", "an override needs a reason; the record keeps it for ever")
        if fact.step is not None:
            return None if self._has(fact.step) else self._no_step(fact.step)
        return None if fact.pack in self.packs else self._no_pack(fact.pack)

    # What stands against signing off

    def lets_pass(self, pack: str, number: int) -> bool:
        """Whether an override lets this pack pass as it stands now; a newer check or change was not meant by it."""
        entry = self.passed.get(pack)
        since = max(self.packs[pack].number, self.changed.get(pack, 0))
        return entry is not None and since < entry.number < number

    def open_items(self, number: int) -> list[OpenItem]:
        """What is open for a sign-off with this number; packs that came to stand so after it do not count for it."""
        items = []
        for name, pack in self.packs.items():
            fresh = max(pack.number, self.changed.get(name, 0)) < number
            # A change that the states do not know of yet calls for a re-check all the same.
            good = pack.state == "good" and self.changed.get(name, 0) <= pack.number
            if not (good and fresh) and not self.lets_pass(name, number):
                items.append(_open_pack(pack, good))
        for step in self.steps:
            if not step.closed:
                items.append(self._open_step(step))
        return items

    def _open_step(self, standing: StepStanding) -> OpenItem:
        n, step = standing.index, self.sheet.steps[standing.index]
        name = step_name(self.sheet, n)
        if standing.state == "begun":
            last = f"let it last {format_duration(step.minimum_ns or 0)}, then confirm it"
            return OpenItem("begun", None, n, f"{name} has begun", last)
        if isinstance(step, Dimension) and standing.state == "not good":
            words = measured_words(step, standing.readings_nm)
            do = "replace the part or have it made good, and measure it again; or override it by name"
            return OpenItem("not_good", None, n, f"{name} is not good ({words})", do)
        earlier = [n for n in self._passes(n, after=False) if not self.steps[n].closed]
        if earlier:
            first = step_name(self.sheet, earlier[0])
            return OpenItem("waits_for_pass", None, n, f"{name} is not done", f"do {first} first")
        do = "tighten, and enter the torque" if isinstance(step, Torque) else "do and confirm"
        do = f"measure it, {step.readings} readings" if isinstance(step, Dimension) else do
        if step.minimum_ns is not None:
            do = "begin it, or say how long it lasted"
        return OpenItem("not_done", None, n, f"{name} is not done", do)

    def steps_before(self, pack: str) -> tuple[int, ...]:
        """The steps that come before a pack is measured, and are not done."""
        return tuple(n for n in self.sheet.steps_before(pack) if not self.steps[n].closed)

    def next_step(self) -> int | None:
        waiting = [step.index for step in self.steps if step.state == "begun"]
        after_packs = not self.packs_left()
        for step in self.steps:
            if (
                step.state in ("open", "not good")
                and (after_packs or self.sheet.steps[step.index].before)
                and all(self.steps[n].closed for n in self._passes(step.index, after=False))
            ):
                return step.index
        return waiting[0] if waiting else None

    def packs_left(self) -> tuple[str, ...]:
        """The packs that are neither good now nor let pass."""
        return tuple(
            name
            for name, pack in self.packs.items()
            if (pack.state != "good" or self.changed.get(name, 0) > pack.number) and not self.lets_pass(name, _NEXT)
        )

    def changed_since_signed(self) -> bool:
        return self.signed is not None and self.last > self.signed.number


def _open_pack(pack: PackState, good: bool) -> OpenItem:
    why = f" ({pack.words})" if pack.words else ""
    name = f"pack {pack.pack!r}"
    if pack.state == "unchecked":
        return OpenItem("unchecked", pack.pack, None, f"{name} is not checked", "check it")
    if pack.state == "not good":
        do = "change its parts as advised and check it again, or override it by name"
        return OpenItem("not_good", pack.pack, None, f"{name} is not good{why}", do)
    if pack.state == "good" and good:
        return OpenItem("checked_since", pack.pack, None, f"{name} was checked after that", "sign off again")
    why = why if pack.state == "recheck" else " (its parts were changed)"
    return OpenItem("recheck", pack.pack, None, f"{name} needs a re-check{why}", "check it again")
