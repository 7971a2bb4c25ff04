"""Which part to change: from a verdict and the pack's adjusters, the changes that bring it into range, best first.

Theory. Every adjuster has a list of states (a shim count within its limits, a thickness from its choices) and
each state moves the clearance by a known step from where it is now. All combinations count (`parts_search`), so the
best one is the best there is. A change is predicted at the measured mean plus its steps; what is not known of it is the
sum of what is not known of the measurement and of every part that is moved, each anywhere within its own tolerance
(rectangular, JCGM 100, 4.3.7; `distribution`). Shims are taken to err each by itself, so that some are thick and some
thin; where a sheet says that they are of one batch, they all err alike, and two are twice as far off as one.
The order is: probability of lying in the range, then nearness to the preferred clearance, then fewest parts
touched.

Here one pack is looked at by itself. Where a part moves another pack's clearance too, the advice says so; what is
best for both is for `plan` to find.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from capture.clearance.distribution import Term, rectangle
from capture.clearance.parts_search import Fit, Part, Target, best_fits
from capture.clearance.verdict import COVERAGE, Verdict
from capture.sheet.sheet import Adjuster, Pack, Shim
from drivers.reading import LengthUnit
from drivers.units import format_length

#: Nobody changes a part for a chance worse than this.
EVEN_ODDS = 0.5
MOST_ADVICES = 5


@dataclass(frozen=True, slots=True)
class Change:
    """What to do to one adjuster: counts for shims, thicknesses in nm for selective parts."""

    adjuster: int
    kind: Literal["shim", "selective"]
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Advice:
    """One way to bring the pack into range. Lengths nm."""

    text: str
    predicted_nm: int
    expanded_uncertainty_nm: int
    in_range_probability: float
    changes: tuple[Change, ...]


def _states(adjuster: Adjuster) -> list[int]:
    """Every count or thickness that the sheet allows."""
    return list(range(adjuster.min, adjuster.max + 1)) if isinstance(adjuster, Shim) else list(adjuster.choices)


def step_of(adjuster: Adjuster, before: int, after: int) -> int:
    """Return how far a change moves the clearance of the adjuster's own pack, nm."""
    each = adjuster.thickness if isinstance(adjuster, Shim) else 1
    return adjuster.sign * (after - before) * each


def part_of(adjuster: Adjuster, factors: Sequence[float] = (1.0,)) -> Part:
    """Return what the adjuster can do, for the search; `factors` says how far it moves each target."""
    states = _states(adjuster)
    if isinstance(adjuster, Shim):
        handled = [abs(count - adjuster.fitted) for count in states]
        touched = handled
    else:
        # Both the part taken out and the one put in have their own tolerance.
        handled = [0 if choice == adjuster.fitted else 2 for choice in states]
        touched = [min(1, parts) for parts in handled]
    return Part(
        tuple(step_of(adjuster, adjuster.fitted, state) for state in states),
        tuple(handled),
        tuple(touched),
        tuple(factors),
        float(adjuster.tolerance),
        isinstance(adjuster, Shim) and adjuster.batch,
    )


def handled_parts(adjuster: Adjuster, before: int, after: int) -> list[Term]:
    """Return what is not known of the parts that a change of `adjuster` takes out and puts in."""
    if not isinstance(adjuster, Shim):
        return [rectangle(adjuster.tolerance)] * 2
    count = abs(after - before)
    return [rectangle(count * adjuster.tolerance)] if adjuster.batch else [rectangle(adjuster.tolerance)] * count


def target_of(pack: Pack, verdict: Verdict) -> Target:
    """Return the pack's clearance as measured, and where it must lie."""
    return Target(verdict.mean_nm, verdict.spread, pack.low_nm, pack.high_nm, pack.preferred_nm)


def changes_of(adjusters: Sequence[tuple[int, Adjuster]], states: Sequence[int]) -> tuple[Change, ...]:
    """Return what a search's states ask for: a change for each of the (index, adjuster) that does not stay as it is."""
    changes = []
    for (index, adjuster), state in zip(adjusters, states, strict=True):
        after = _states(adjuster)[state]
        if after != adjuster.fitted:
            changes.append(Change(index, adjuster.kind, adjuster.fitted, after))
    return tuple(changes)


def what_to_do(pack: Pack, changes: Sequence[Change], unit: LengthUnit) -> str:
    """Return changes of a pack's parts in words, such as 'take out 1 shim of 0.250 mm'."""
    parts = []
    for change in changes:
        adjuster = pack.adjusters[change.adjuster]
        if isinstance(adjuster, Shim):
            number = abs(change.after - change.before)
            noun = adjuster.name if number == 1 else f"{adjuster.name}s"
            thickness = format_length(adjuster.thickness, unit)
            verb = "add" if change.after > change.before else "take out"
            parts.append(f"{verb} {number} {noun} of {thickness}")
        else:
            before, after = adjuster.text(change.before), adjuster.text(change.after)
            parts.append(f"change the {adjuster.name} from {before} to {after}")
    return " and ".join(parts)


def moved_packs(pack: Pack, changes: Sequence[Change]) -> dict[str, float]:
    """Return how far changes of this pack's parts move the clearance of other packs, nm by the pack's name."""
    moved: dict[str, float] = {}
    for change in changes:
        adjuster = pack.adjusters[change.adjuster]
        for name, factor in adjuster.moves.items():
            moved[name] = moved.get(name, 0.0) + factor * step_of(adjuster, change.before, change.after)
    return moved


def predict(pack: Pack, verdict: Verdict, changes: Sequence[Change]) -> tuple[int, int]:
    """Return the mean and its expanded uncertainty that the pack's next check should show after `changes`, nm.

    The uncertainty is reckoned as for an advice: the measurement's and the handled parts' own.
    """
    predicted, spread = verdict.mean_nm, verdict.spread
    for change in changes:
        adjuster = pack.adjusters[change.adjuster]
        predicted += step_of(adjuster, change.before, change.after)
        spread = spread.plus(handled_parts(adjuster, change.before, change.after))
    return predicted, math.ceil(spread.half_width(COVERAGE))


def advise(pack: Pack, verdict: Verdict, unit: LengthUnit = "mm") -> list[Advice]:
    """Return the changes that would bring the pack into its range with better than even odds, best first.

    None of them makes it less likely than now that the pack is in range.

    `unit` is the unit of the text. Empty when the verdict is good, when the strokes differ by too much to judge, or
    when no combination within the adjusters' limits reaches the range.
    """
    if verdict.verdict == "good" or verdict.scattered:
        return []
    # Nobody changes a part to make it less likely that the pack is in range.
    least = max(EVEN_ODDS, verdict.conformance_probability)
    parts = [part_of(adjuster) for adjuster in pack.adjusters]
    fits = best_fits([target_of(pack, verdict)], parts, MOST_ADVICES, above=least)
    return [_advice(pack, verdict, fit, unit) for fit in fits]


def closest(pack: Pack, verdict: Verdict, unit: LengthUnit = "mm") -> Advice:
    """Return the best that the pack's adjusters can do, however far from the range; no changes if that is nothing."""
    parts = [part_of(adjuster) for adjuster in pack.adjusters]
    (fit,) = best_fits([target_of(pack, verdict)], parts, 1, untouched=True)
    return _advice(pack, verdict, fit, unit)


def _advice(pack: Pack, verdict: Verdict, fit: Fit, unit: LengthUnit) -> Advice:
    changes = changes_of(list(enumerate(pack.adjusters)), fit.states)
    (predicted,), (spread,) = fit.predicted_nm, fit.spreads
    text = what_to_do(pack, changes, unit) or "leave the parts as they are"
    text += f": {format_length(predicted, unit)}, {percent(fit.probability)} likely in range"
    if verdict.leaks and changes:
        text = f"once the seal is mended and the pack measured again: {text}"
    moved = [f"{name} by {_signed(nm, unit)}" for name, nm in moved_packs(pack, changes).items() if round(nm)]
    if moved:
        text += f"; this also moves {' and '.join(moved)}"
    return Advice(
        text[0].upper() + text[1:],
        predicted,
        math.ceil(spread.half_width(COVERAGE)),
        fit.probability,
        changes,
    )


def _signed(nm: float, unit: LengthUnit) -> str:
    return ("+" if nm > 0 else "") + format_length(round(nm), unit)


def percent(probability: float) -> str:
    """Return a probability in words, never more certain than it is."""
    if probability > 0.99:
        return "over 99 %"
    return f"{math.floor(100 * probability)} %" if probability >= 0.01 else "under 1 %"
