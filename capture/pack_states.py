"""How each pack of a unit stands: by its last check, and by what was changed since. What to do about it is decided
elsewhere. No I/O, no clock: what came first is told by the numbers of the record's entries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from capture.facts import Correction, Entry, PartsChanged
from capture.sheet import Sheet

__all__ = ["Judged", "PackState", "pack_states"]


@dataclass(frozen=True, slots=True)
class Judged:
    """A finished check of a pack: the numbers of the record's entries of its start and its verdict."""

    pack: str
    started_number: int
    number: int
    verdict: Literal["good", "tight", "loose", "inconclusive"]


@dataclass(frozen=True, slots=True)
class PackState:
    """How a pack stands. `number` is that of the record's entry that made it so; `words` says more, or nothing."""

    pack: str
    state: Literal["good", "not good", "stale", "unchecked"]
    number: int = 0
    words: str = ""


def pack_states(sheet: Sheet, checks: Sequence[Judged], entries: Sequence[Entry]) -> list[PackState]:
    """Return how each pack of the sheet stands, in the order of checking.

    A change of a pack's parts makes its check stale, and those of the packs that depend on it, if the check began
    before it; a correction of a check's entries does, whenever it began.
    """
    last = {check.pack: check for check in sorted(checks, key=lambda check: check.number)}
    changed = {entry.fact.pack: entry.number for entry in entries if isinstance(entry.fact, PartsChanged)}
    corrected = {entry.fact.entry: entry.number for entry in entries if isinstance(entry.fact, Correction)}
    states = []
    for pack in sheet.order():
        check = last.get(pack.name)
        if check is None:
            states.append(PackState(pack.name, "unchecked"))
            continue
        causes = [
            (changed[name], f"parts of {name!r} were changed since its check")
            for name in _needs(sheet, pack.name)
            if changed.get(name, 0) > check.started_number
        ]
        causes += [
            (corrected[number], "its check was corrected")
            for number in (check.started_number, check.number)
            if number in corrected
        ]
        if causes:
            number, why = max(causes)
            states.append(PackState(pack.name, "stale", number, why))
        else:
            state: Literal["good", "not good"] = "good" if check.verdict == "good" else "not good"
            states.append(PackState(pack.name, state, check.number, check.verdict))
    return states


def _needs(sheet: Sheet, name: str) -> list[str]:
    """The pack and all that it depends on, round about too."""
    found = [name]
    for one in found:
        found += [needed for needed in sheet.pack(one).depends_on if needed not in found]
    return found
