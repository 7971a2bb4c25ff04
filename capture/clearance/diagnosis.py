"""What the size of an error suggests: a plate left out, a shim too many, a wrong ring; or nothing, where the evidence
does not say.

Theory. Each known part of the sheet is a possible cause with a known effect on the clearance. A cause is named only
if it explains the difference by itself and no other does:

    it fits      after a change the difference from the prediction less the effect lies within its expanded
                 uncertainty, part tolerance included (|E_n| <= 1, ISO 13528). At a first check nothing was
                 predicted; there, the pack without the mistake must be at least 95 % likely in its range.
    no rival     of all causes, chance included and all held equally likely before, it has at least 95 % of the
                 likelihood. Two plates of nearly one thickness are told apart by no measurement, so neither is named.

Only single mistakes are looked at. It is a hint where to look: parts are changed for what is found there, not for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from capture.clearance.advice import EVEN_ODDS, Change, closest, handled_parts, step_of, target_of, what_to_do
from capture.clearance.distribution import Distribution, Term, rectangle
from capture.clearance.verdict import COVERAGE, Verdict
from capture.sheet.sheet import Pack, Shim
from drivers.reading import LengthUnit
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class Cause:
    """A mistake with the parts: in words, what it does to the clearance, and what is not known of the parts. nm."""

    text: str
    effect_nm: int
    terms: tuple[Term, ...]
    fitted: tuple[int, int] | None = None
    """The adjuster's index and what would be fitted there (a count, a thickness in nm); None for a plate."""


def causes(pack: Pack, unit: LengthUnit = "mm") -> list[Cause]:
    """Return every single mistake with a part whose thickness the sheet knows, as the pack is fitted now."""
    return [*_plates(pack, unit), *_adjusters(pack, unit)]


def _plates(pack: Pack, unit: LengthUnit) -> Iterator[Cause]:
    plate_parts = (rectangle(pack.plate_tolerance),)
    for name, thickness in (("friction plate", pack.friction_thickness), ("steel plate", pack.steel_thickness)):
        if thickness is not None:
            plate = f"one {name} of {format_length(thickness, unit)}"
            yield Cause(f"{plate} left out", thickness, plate_parts)
            yield Cause(f"{plate} too many", -thickness, plate_parts)


def _adjusters(pack: Pack, unit: LengthUnit) -> Iterator[Cause]:
    for index, adjuster in enumerate(pack.adjusters):
        if isinstance(adjuster, Shim):
            thickness = format_length(adjuster.thickness, unit)
            # One above the most that is allowed is what two shims stuck together look like.
            for count in range(adjuster.max + 2):
                if count == adjuster.fitted:
                    continue
                noun = adjuster.name if count == 1 else f"{adjuster.name}s"
                text = f"{count} {noun} of {thickness} in place of {adjuster.fitted}"
                if count == adjuster.fitted + 1:
                    text += " (a double one, or two stuck together)"
                yield Cause(
                    text,
                    step_of(adjuster, adjuster.fitted, count),
                    tuple(handled_parts(adjuster, adjuster.fitted, count)),
                    (index, count),
                )
        else:
            for choice in adjuster.choices:
                if choice != adjuster.fitted:
                    yield Cause(
                        f"the {adjuster.name} of {adjuster.text(choice)} in place of {adjuster.text(adjuster.fitted)}",
                        step_of(adjuster, adjuster.fitted, choice),
                        tuple(handled_parts(adjuster, adjuster.fitted, choice)),
                        (index, choice),
                    )


def cause_of_difference(
    pack: Pack,
    difference_nm: int,
    spread: Distribution,
    *,
    changes: Sequence[Change] = (),
    unit: LengthUnit = "mm",
) -> Cause | None:
    """Return the one cause that explains why a check of `pack` came out `difference_nm` above its prediction.

    `spread` is what is not known of the difference, the cause's own parts not counted. `changes` are those just made;
    that they were not made is a cause as well.
    """
    found = causes(pack, unit)
    if changes:
        undone = -sum(step_of(pack.adjusters[one.adjuster], one.before, one.after) for one in changes)
        # The old count or the old ring is the single change not made in other words, and no rival to it.
        (one, *more) = changes
        found = [cause for cause in found if more or cause.fitted != (one.adjuster, one.before)]
        handled = [
            term for made in changes for term in handled_parts(pack.adjusters[made.adjuster], made.before, made.after)
        ]
        found.append(Cause("the old parts still in place", undone, tuple(handled)))

    def fits(cause: Cause) -> bool:
        return abs(difference_nm - cause.effect_nm) <= spread.plus(cause.terms).half_width(COVERAGE)

    def likelihood(cause: Cause) -> float:
        return spread.plus(cause.terms).density(difference_nm - cause.effect_nm)

    return _the_one(found, fits, likelihood)


def cause_of_distance(pack: Pack, verdict: Verdict, unit: LengthUnit = "mm") -> Cause | None:
    """Return the one cause without which the measured pack would be in its range; nothing was predicted for it."""

    def without(cause: Cause) -> float:
        return target.in_range(verdict.mean_nm - cause.effect_nm, verdict.spread.plus(cause.terms))

    target = target_of(pack, verdict)
    return _the_one(causes(pack, unit), lambda cause: without(cause) >= COVERAGE, without)


def _the_one(
    found: Sequence[Cause], fits: Callable[[Cause], bool], likelihood: Callable[[Cause], float]
) -> Cause | None:
    if not found:
        return None
    rivals = [*found, Cause("chance", 0, ())]
    best = max(found, key=likelihood)
    total = math.fsum(likelihood(cause) for cause in rivals)
    return best if fits(best) and total > 0 and likelihood(best) >= COVERAGE * total else None


def how_far_off(pack: Pack, verdict: Verdict, unit: LengthUnit = "mm") -> str:
    """Return what to say where no change brings the pack into range: by how much, what it looks like, the closest.

    Empty where the clearance is not outside the range.
    """
    over = max(verdict.mean_nm - pack.high_nm, pack.low_nm - verdict.mean_nm)
    if verdict.verdict not in ("tight", "loose") or over <= 0:
        return ""
    best = closest(pack, verdict, unit)
    if best.changes and best.in_range_probability > max(EVEN_ODDS, verdict.conformance_probability):
        return ""
    why = "No adjuster of the sheet reaches the range" if pack.adjusters else "The sheet lists no adjuster"
    said = f"{why}: off by {format_length(over, unit)}."
    cause = cause_of_distance(pack, verdict, unit)
    if cause is not None:
        said += f" It measures as with {cause.text}: look for that first."
    if best.changes:
        still = max(best.predicted_nm - pack.high_nm, pack.low_nm - best.predicted_nm)
        said += (
            f" The closest is to {what_to_do(pack, best.changes, unit)}, for {format_length(best.predicted_nm, unit)}"
        )
        said += f", still {format_length(still, unit)} off." if still > 0 else "."
    elif pack.adjusters:
        said += " What is fitted now is the closest there is."
    return said
