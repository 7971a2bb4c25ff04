"""What the person who signs a unit off must acknowledge: it does not bar the sign-off, and may not pass in silence.

Two things are so far: a change of parts that did not come out as predicted, which no later check has explained, and a
verdict that counts and was measured with a gauge whose calibration had run out. No I/O, no clock.
"""

from __future__ import annotations

from collections.abc import Sequence

from capture.unit.changes import Outcome
from capture.unit.facts import Entry, Judged, ToAcknowledge

__all__ = ["remarks"]


def remarks(
    entries: Sequence[Entry], checks: Sequence[Judged], outcomes: Sequence[Outcome]
) -> tuple[ToAcknowledge, ...]:
    """Return what whoever signs must acknowledge, the changes in order and then the gauges.

    `outcomes` are those of the changes among `entries` (`changes.outcomes`).
    """
    found = []
    for outcome in outcomes:
        if outcome.settled:
            continue
        made = next((entry.number for entry in entries if entry.fact is outcome.change), 0)
        after = [check.number for check in checks if check.pack == outcome.change.pack and check.started_number > made]
        found.append(ToAcknowledge("not_as_predicted", min(after, default=made), outcome.text))
    newest = {check.pack: check for check in sorted(checks, key=lambda check: check.number)}
    late: dict[str, list[Judged]] = {}
    for check in newest.values():
        if check.overdue:
            late.setdefault(check.overdue, []).append(check)
    for gauge, measured in late.items():
        packs = ", ".join(check.pack for check in measured)
        text = f"{gauge}, was overdue when {packs} {'was' if len(measured) == 1 else 'were'} measured"
        newest_number = max(check.number for check in measured)
        found.append(ToAcknowledge("gauge_overdue", newest_number, f"{text}: readings not assured."))
    return tuple(found)
