"""Which part to change: from a verdict and the pack's adjusters, the changes that bring it into range, best first.

Theory. Every adjuster has a list of states (a shim count within its limits, a thickness from its choices) and
each state moves the clearance by a known step from where it is now. All combinations are looked at, so the best
one is the best there is. A change is predicted at the measured mean plus its steps; its uncertainty combines
the measurement's with the parts' own tolerance (rectangular, JCGM 100, 4.3.7) for every part that is moved.
The order is: probability of lying in the range, then nearness to the preferred clearance, then fewest parts
touched.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Literal

from capture.sheet import Adjuster, Pack, Shim
from capture.verdict import Verdict, coverage_factor, probability_below
from drivers.reading import Unit
from drivers.units import format_length

__all__ = ["Advice", "Change", "advise"]

#: Differences of probability smaller than this are the same to a person; the preferred clearance decides.
_SAME_PROBABILITY = 0.005
_MOST_ADVICES = 5


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


def _states(index: int, adjuster: Adjuster) -> Iterator[tuple[Change, int, float]]:
    """Yield (change, step of the clearance in nm, variance of the parts moved in nm^2) for every state."""
    part_variance = adjuster.tolerance**2 / 3
    if isinstance(adjuster, Shim):
        sign = 1 if adjuster.more == "opens" else -1
        for count in range(adjuster.min, adjuster.max + 1):
            moved = count - adjuster.fitted
            yield (
                Change(index, "shim", adjuster.fitted, count),
                sign * moved * adjuster.thickness,
                abs(moved) * part_variance,
            )
        return
    sign = 1 if adjuster.thicker == "opens" else -1
    for choice in adjuster.choices:
        moved = choice - adjuster.fitted
        # Both the part taken out and the one put in have their own tolerance.
        yield (
            Change(index, "selective", adjuster.fitted, choice),
            sign * moved,
            2 * part_variance if moved else 0.0,
        )


def _words(pack: Pack, changes: tuple[Change, ...], unit: Unit) -> str:
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


def advise(pack: Pack, verdict: Verdict, unit: Unit = "mm") -> list[Advice]:
    """Return the changes that would bring the pack into its range with at least even odds, best first.

    None of them makes it less likely than now that the pack is in range.

    `unit` is the unit of the text. Empty when the verdict is good, or when no combination within the adjusters'
    limits reaches the range.
    """
    if verdict.verdict == "good":
        return []
    preferred = pack.preferred_nm
    factor = coverage_factor(verdict.dof)
    found: list[tuple[Advice, int]] = []
    for combination in product(*(list(_states(i, a)) for i, a in enumerate(pack.adjusters))):
        changes = tuple(change for change, _, _ in combination if change.before != change.after)
        if not changes:
            continue
        predicted = verdict.mean_nm + sum(step for _, step, _ in combination)
        standard = math.sqrt(verdict.standard_uncertainty_nm**2 + math.fsum(variance for _, _, variance in combination))
        inside = probability_below(pack.high_nm, predicted, standard, verdict.dof) - probability_below(
            pack.low_nm, predicted, standard, verdict.dof
        )
        if inside < 0.5 or inside <= verdict.conformance_probability:
            continue  # nobody changes a part to make it less likely that the pack is in range
        text = f"{_words(pack, changes, unit)}: {format_length(predicted, unit)}, {_percent(inside)} likely in range"
        text = text[0].upper() + text[1:]
        touched = sum(abs(c.after - c.before) if c.kind == "shim" else 1 for c in changes)
        found.append((Advice(text, predicted, math.ceil(factor * standard), inside, changes), touched))
    found.sort(
        key=lambda item: (
            -round(item[0].in_range_probability / _SAME_PROBABILITY),
            abs(item[0].predicted_nm - preferred),
            item[1],
        )
    )
    return [advice for advice, _ in found[:_MOST_ADVICES]]


def _percent(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{math.floor(100 * probability)} %"
