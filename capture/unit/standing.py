"""How one unit stands now: what is fitted, which checks count, how changes came out, what bars the sign-off.

It only puts together what `changes`, `pack_states` and `signoff` decide, from the sheet, the facts and the finished
checks. No I/O, no clock. What to change next is `offers`' matter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from capture.clearance.verdict import Verdict
from capture.sheet.sheet import Sheet
from capture.unit.acknowledge import left_out_words, newest_checks, remarks
from capture.unit.changes import (
    Happened,
    Outcome,
    PlanError,
    fitted_now,
    newest_verdicts,
    outcomes,
    packs_to_recheck,
    unexplained,
)
from capture.unit.facts import Entry, Judged, SignedOff, without_undone
from capture.unit.pack_states import PackState, pack_states
from capture.unit.signoff_rules import standing
from capture.unit.signoff_standing import Standing


@dataclass(frozen=True, slots=True)
class UnitStanding:
    """One unit at one moment."""

    sheet: Sheet
    """As the job began with it."""
    fitted: Sheet
    """The same with every adjuster as it is fitted now."""
    verdicts: Mapping[str, Verdict]
    """The newest of each pack that has one, whether it needs a re-check or not."""
    recheck: Mapping[str, str]
    """The packs whose newest check no longer counts, each with why."""
    unexplained: Mapping[str, str]
    """The packs that are good now and were not before, though nothing was changed; each with that in words."""
    outcomes: tuple[Outcome, ...]
    """How the changes with a prediction came out, in order."""
    packs: tuple[PackState, ...]
    left_out: Mapping[str, str]
    """The packs whose newest check lacks strokes that a person left out; each with whose, why, and what all say."""
    standing: Standing
    released: bool
    """Whether a sign-off was written: the job then takes no more checks, whatever the sign-off is worth."""
    trouble: str
    """What is recorded of changed parts and cannot be; `fitted` is then the sheet as it began. Empty if all is well."""


def happened(entries: Sequence[Entry], judged: Sequence[Judged]) -> list[Happened]:
    """Return facts and checks in the order of the record; a check stands where it began."""
    found: list[tuple[int, Happened]] = [(entry.number, entry.fact) for entry in without_undone(entries)]
    found += [(check.started_number, check) for check in judged]
    return [one for _, one in sorted(found, key=lambda numbered: numbered[0])]


def unit_now(sheet: Sheet, entries: Sequence[Entry], judged: Sequence[Judged]) -> UnitStanding:
    """Return how the unit stands. Raises PlanError where a fact names a pack or an adjuster that the sheet has not."""
    entries = without_undone(entries)
    done = happened(entries, judged)
    recheck = packs_to_recheck(sheet, done)
    packs = pack_states(sheet, judged, entries, recheck)
    doubts = {name: why for name, why in unexplained(sheet, done).items() if name not in recheck}
    fitted, trouble = sheet, ""
    came_out: list[Outcome] = []
    try:
        fitted, came_out = fitted_now(sheet, done), outcomes(sheet, done)
    except PlanError as error:
        trouble = str(error)
    stands = standing(sheet, entries, packs, remarks(entries, judged, came_out))
    stands = replace(stands, cautions=(*stands.cautions, *doubts.values()))
    return UnitStanding(
        sheet=sheet,
        fitted=fitted,
        verdicts=newest_verdicts(done),
        recheck={pack.pack: pack.words for pack in packs if pack.state == "recheck"},
        unexplained=doubts,
        outcomes=tuple(came_out),
        packs=tuple(packs),
        left_out={check.pack: left_out_words(check) for check in newest_checks(judged) if check.left_out},
        standing=stands,
        released=any(isinstance(entry.fact, SignedOff) for entry in entries),
        trouble=trouble,
    )
