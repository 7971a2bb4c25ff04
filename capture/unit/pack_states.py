"""How each pack of a unit stands: by its last check, and by what was changed since. What to do about it is decided
elsewhere. No I/O, no clock: what came first is told by the numbers of the record's entries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from capture.sheet.sheet import Sheet
from capture.unit.facts import Correction, Entry, Judged, PartsChanged, without_undone


@dataclass(frozen=True, slots=True)
class PackState:
    """How a pack stands. `number` is that of the record's entry that made it so; `words` says more, or nothing."""

    pack: str
    state: Literal["good", "not good", "recheck", "unchecked"]
    number: int = 0
    words: str = ""


def pack_states(
    sheet: Sheet, checks: Sequence[Judged], entries: Sequence[Entry], recheck: Mapping[str, str]
) -> list[PackState]:
    """Return how each pack of the sheet stands, in the order of checking.

    `recheck` has the packs whose check no longer counts, each with why (`changes.packs_to_recheck`). A check whose own
    entries were corrected counts no longer either.
    """
    last = {check.pack: check for check in sorted(checks, key=lambda check: check.number)}
    entries = without_undone(entries)
    changed = max((entry.number for entry in entries if isinstance(entry.fact, PartsChanged)), default=0)
    corrected = {entry.fact.entry: entry.number for entry in entries if isinstance(entry.fact, Correction)}
    states = []
    for pack in sheet.order():
        check = last.get(pack.name)
        if check is None:
            states.append(PackState(pack.name, "unchecked"))
            continue
        about = (check.started_number, check.number, *(entry.number for entry in check.left_out))
        number = max(corrected.get(number, 0) for number in about)
        if number:
            states.append(PackState(pack.name, "recheck", number, "its check was corrected"))
        elif pack.name in recheck:
            states.append(PackState(pack.name, "recheck", max(check.number, changed), recheck[pack.name]))
        else:
            word = check.verdict.verdict
            state: Literal["good", "not good"] = "good" if word == "good" else "not good"
            states.append(PackState(pack.name, state, check.number, word))
    return states
