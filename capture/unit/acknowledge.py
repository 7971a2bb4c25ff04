"""What the person who signs a unit off must acknowledge: it does not bar the sign-off, and may not pass in silence.

Eight things are so far: a change of parts that did not come out as predicted, which no later check has explained; a
verdict that counts and was measured with a gauge whose calibration had run out, or a good one with a gauge that a
master had shown to be out; air set by a pressure gauge, or a step tightened with a wrench, whose check had run out or
had found it out; a verdict that rests on fewer strokes than the sheet asks for, or differs from what all of the strokes
say, because a person left some out; one whose strokes show that the seal leaks; one that may have begun while the air
was on; and one whose readings came from a file or a program: a sign-off that acknowledges that is a demonstration and
releases no unit. No I/O, no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from capture.clearance.remarks import AIR_MAY_HAVE_BEEN_ON
from capture.unit.changes import Outcome
from capture.unit.facts import Entry, Judged, StepDone, StrokeLeftOut, ToAcknowledge


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
    for gauge, late in _by(checks, lambda check: check.overdue):
        packs, number = _named(late)
        text = f"{gauge}, was overdue when {packs} {'was' if len(late) == 1 else 'were'} measured"
        found.append(ToAcknowledge("gauge_overdue", number, f"{text}: readings not assured."))
    for gauge, bad in _by(checks, lambda check: check.out if check.verdict.verdict == "good" else ""):
        packs, number = _named(bad)
        text = f"{gauge}, measured {packs}, now good"
        found.append(ToAcknowledge("gauge_out", number, f"{text}: measure again with a gauge in order."))
    for gauge, unsure in _by(checks, lambda check: check.pressure):
        packs, number = _named(unsure)
        text = f"{gauge}, when {packs} {'was' if len(unsure) == 1 else 'were'} measured: air pressure not assured."
        found.append(ToAcknowledge("pressure_gauge_overdue", number, text))
    tightened: dict[int, Entry] = {}
    for entry in entries:
        if isinstance(entry.fact, StepDone):
            tightened[entry.fact.step] = entry
    for entry in tightened.values():
        if isinstance(entry.fact, StepDone) and entry.fact.wrench:
            text = f"{entry.fact.wrench}, when step {entry.fact.step + 1} was tightened: torque not assured."
            found.append(ToAcknowledge("wrench_overdue", entry.number, text))
    for origin, played in _by(checks, lambda check: check.not_measured):
        packs, number = _named(played)
        text = (
            f"{packs} {'was' if len(played) == 1 else 'were'} not measured on a unit: the readings came from {origin}."
        )
        text += " Signed off, this is a demonstration and releases no unit."
        found.append(ToAcknowledge("not_measured", number, text))
    for check in newest_checks(checks):
        differs = check.with_all is None or check.with_all.verdict != check.verdict.verdict
        if check.left_out and (differs or check.verdict.strokes < check.least):
            text = f"{check.pack} is {check.verdict.verdict}: {left_out_words(check)}"
            newest_number = max(check.number, *(entry.number for entry in check.left_out))
            found.append(ToAcknowledge("strokes_left_out", newest_number, text))
        if check.verdict.leaks:
            text = f"{check.pack} is {check.verdict.verdict}: {' '.join(one.text for one in check.verdict.seal)}"
            found.append(ToAcknowledge("seal_leaks", check.number, text))
        if check.verdict.air_at_start:
            text = f"{check.pack} is {check.verdict.verdict}: {AIR_MAY_HAVE_BEEN_ON}"
            found.append(ToAcknowledge("air_at_start", check.number, text))
    return tuple(found)


def _by(checks: Sequence[Judged], told: Callable[[Judged], str]) -> list[tuple[str, list[Judged]]]:
    """The newest checks by what is told of them; those of which nothing is are left out."""
    found: dict[str, list[Judged]] = {}
    for check in newest_checks(checks):
        found.setdefault(told(check), []).append(check)
    return [(words, those) for words, those in found.items() if words]


def _named(checks: Sequence[Judged]) -> tuple[str, int]:
    """The packs of checks, and the number of the newest of them."""
    return ", ".join(check.pack for check in checks), max(check.number for check in checks)


def newest_checks(checks: Sequence[Judged]) -> list[Judged]:
    """Return the newest check of each pack."""
    return list({check.pack: check for check in sorted(checks, key=lambda check: check.number)}.values())


def left_out_words(check: Judged) -> str:
    """Return which strokes were left out of a check, by whom and why, and what it says with them."""
    told = [entry.fact for entry in check.left_out if isinstance(entry.fact, StrokeLeftOut)]
    many = "1 stroke" if len(told) == 1 else f"{len(told)} strokes"
    who = "; ".join(dict.fromkeys(f"by {fact.by}: {fact.reason}" for fact in told))
    text = f"{many} left out {who.rstrip('.')}."
    if check.with_all is not None:
        text += f" With all of its strokes it is {check.with_all.verdict}."
    if check.verdict.strokes < check.least:
        text += f" {check.verdict.strokes} strokes count; the sheet asks for {check.least}."
    return text
