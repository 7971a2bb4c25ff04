"""The end of a report: the sheet's steps, what is open, who signed the unit off. Plain data, no clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from capture.clearance.signing import signer_words
from capture.record import Job
from capture.report.times import Times
from capture.sheet.sheet import Sheet
from capture.sheet.steps import Step
from capture.unit.facts import Correction, Override, PartsChanged, SignedOff, ToAcknowledge
from capture.unit.pack_states import PackState
from capture.unit.signoff_rules import standing
from capture.unit.signoff_standing import Standing, StepStanding
from capture.unit.words import acknowledged_words, step_state, why_words


@dataclass(frozen=True, slots=True)
class Note:
    """One thing told beside the numbers: what it is, the rest of it, and whether it must be noticed."""

    head: str
    text: str
    loud: bool = False


@dataclass(frozen=True, slots=True)
class StepPart:
    """A step: its number and title, what the sheet asks, how it stands, by whom and when."""

    n: int
    title: str
    asks: str
    state: str
    closed: bool
    by: str
    at: str


@dataclass(frozen=True, slots=True)
class Finishing:
    """How far the unit is from being released."""

    signed: str
    """Who released it, when, and the note; empty while nobody did, or it no longer stands."""
    demonstration: bool
    """Whether that releases no unit, since what was judged was not measured."""
    steps: tuple[StepPart, ...]
    open: tuple[str, ...]
    cautions: tuple[str, ...]
    told: tuple[Note, ...]
    """Corrections of what is not told with a pack, and entries that do not count."""
    remarks: tuple[Note, ...]
    """What whoever signs must acknowledge, with whether that was done; it stands at the top of the page."""
    let_pass: Mapping[str, str]
    """The packs that an override lets pass now, and by whom."""
    zone: str


def finishing(
    job: Job,
    sheet: Sheet | None,
    states: Mapping[str, PackState] | None,
    known: Sequence[ToAcknowledge],
    times: Times,
    corrected: Callable[[int], list[Note]],
) -> Finishing:
    """Return the end of the report. `states` is None where the packs' states cannot be worked out; `known` is what a
    sign-off must acknowledge; `corrected` gives the corrections of an entry."""
    told: list[Note] = []
    with_packs = {check.started_number for check in job.checks}
    with_packs |= {check.verdict.number for check in job.checks if check.verdict is not None}
    for entry in job.facts:
        fact = entry.fact
        if isinstance(fact, PartsChanged) or (isinstance(fact, Override) and fact.pack is not None):
            with_packs.add(entry.number)
    shown = set(with_packs) | {entry.number for entry in job.facts if isinstance(entry.fact, Correction)}
    for number in sorted({entry.fact.entry for entry in job.facts if isinstance(entry.fact, Correction)} - shown):
        told += corrected(number)
    if sheet is None or states is None:
        # Without the sheet, or with changes that do not fit it, nobody can say what is open: less is said, not worse.
        for entry in job.facts:
            if isinstance(entry.fact, SignedOff):
                said = f"by {entry.fact.by}, {times.text(entry.at)}; whether it stands cannot be said"
                told.append(Note("Signed off", said, loud=True))
        steps = () if sheet is None else standing(sheet, job.facts, []).steps
        return Finishing(
            signed="",
            demonstration=False,
            steps=tuple(_step_part(sheet.steps[one.index], one, times) for one in steps) if sheet else (),
            open=("what is open cannot be said; see what could not be worked out",),
            cautions=(),
            told=tuple(told),
            remarks=(),
            let_pass={},
            zone=times.zone,
        )
    unit = standing(sheet, job.facts, list(states.values()), known)
    told += [Note(f"Entry {number} does not count", why.text, loud=True) for number, why in unit.refused]
    signed = ""
    if unit.signed is not None:
        fact = unit.signed.fact
        note, way = (fact.note, fact.signed) if isinstance(fact, SignedOff) else ("", "typed")
        signed = f"by {signer_words(fact.by, way)}, {times.text(unit.signed.at)}{f': {note}' if note else ''}"
        signed += f" (entry {unit.signed.number})"
        if isinstance(unit.signed.fact, SignedOff):
            signed += acknowledged_words(unit.signed.fact)
    return Finishing(
        signed=signed,
        demonstration=unit.demonstration,
        steps=tuple(_step_part(sheet.steps[one.index], one, times) for one in unit.steps),
        open=tuple(f"{item.text}; {item.do}" for item in unit.open),
        cautions=unit.cautions,
        told=tuple(told),
        remarks=tuple(_remarks(unit)),
        let_pass={name: entry.fact.by for name, entry in unit.overrides.items()},
        zone=times.zone,
    )


def _remarks(unit: Standing) -> Iterator[Note]:
    signed = unit.signed.fact if unit.signed is not None else None
    said = signed.acknowledged if isinstance(signed, SignedOff) else None
    for text in (one.text for one in unit.remarks):
        if not isinstance(signed, SignedOff):
            yield Note("To be acknowledged before signing off", text, loud=True)
        elif said is None:
            yield Note("Signed off by a version that did not ask about this", text, loud=True)
        else:
            yield Note(f"Acknowledged by {signed.by}", f"{text} {why_words(signed)}", loud=True)


def _step_part(step: Step, one: StepStanding, times: Times) -> StepPart:
    words = [step_state(step, one), *([one.note] if one.note and one.state != "overridden" else [])]
    return StepPart(
        n=one.index + 1,
        title=step.title,
        asks=step.details(),
        state=", ".join(words),
        closed=one.closed,
        by=one.by,
        at=times.text(one.at) if one.at else "",
    )
