"""Which parts of a unit to change so that packs which influence each other all come into range.

Packs that influence each other (through `moves`, both measured) are planned as one group, a lone pack as a group of
one; groups do not touch each other, so the best for each is the best for the unit. A pack whose strokes differ by too
much to judge is left out, as one with no check is. In a group the order is that of
`parts_search`: the probability that all its packs are in range, then nearness to the preferred clearances, then
fewest parts touched. Over groups these add up. A group whose packs are all good is left alone; so are packs with no
check and packs that need a re-check, which must be checked before they can be planned.

What is fitted now and which packs need a re-check is worked out in `changes`, whose names can be had from here as well.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from capture.clearance.advice import (
    EVEN_ODDS,
    MOST_ADVICES,
    Change,
    changes_of,
    moved_packs,
    part_of,
    percent,
    target_of,
    what_to_do,
)
from capture.clearance.diagnosis import how_far_off
from capture.clearance.parts_search import SAME_PROBABILITY, Fit, TooManyFits, best_fits
from capture.clearance.remarks import SEAL_FIRST
from capture.clearance.verdict import COVERAGE, Verdict
from capture.sheet.sheet import Pack, Sheet
from capture.unit.changes import (
    Happened,
    Outcome,
    PlanError,
    fitted_now,
    newest_verdicts,
    outcome,
    outcomes,
    packs_to_recheck,
)
from capture.unit.facts import Judged, PartsChanged
from drivers.reading import LengthUnit
from drivers.units import format_length

__all__ = [
    "Happened",
    "Outcome",
    "PackPlan",
    "PlanError",
    "UnitPlan",
    "fitted_now",
    "newest_verdicts",
    "outcome",
    "outcomes",
    "packs_to_recheck",
    "plan_unit",
]


@dataclass(frozen=True, slots=True)
class PackPlan:
    """What a plan does to one measured pack, and where it then is; no changes for a pack that keeps its parts. nm."""

    pack: str
    changes: tuple[Change, ...]
    predicted_nm: int
    expanded_uncertainty_nm: int
    in_range_probability: float


@dataclass(frozen=True, slots=True)
class UnitPlan:
    """One way to bring the measured packs of a unit into range together."""

    text: str
    packs: tuple[PackPlan, ...]
    """Every pack that was planned, in the order of checking."""
    in_range_probability: float
    """That all of them are in range, the measurements taken as independent."""
    parts_touched: int
    check_again: tuple[str, ...]
    """The packs to check after the changes, in order; those that needed a re-check before among them."""
    out_of_reach: tuple[str, ...]
    """What to say of the packs that no change brings into range, a text each."""


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to fit some groups. Its place in the order: steps of probability, nm from preferred, parts touched."""

    key: tuple[int, int, int]
    packs: tuple[PackPlan, ...]


def plan_unit(
    sheet: Sheet, verdicts: Mapping[str, Verdict], recheck: Collection[str] = (), unit: LengthUnit | None = None
) -> list[UnitPlan]:
    """Return the best plans for all measured packs together, best first; empty where nothing needs doing.

    `sheet` has `fitted` as it is now (`fitted_now`), `verdicts` are the newest of each pack, and those of the packs in
    `recheck` are not used. Where some packs are out of reach a plan says so; where all that are not good are, the only
    plan changes nothing. `unit` is that of the text, by default the sheet's. Raises PlanError where packs that
    influence each other allow too many combinations to find the best with certainty.
    """
    unit = unit or sheet.display_unit
    known = {
        pack.name: verdict
        for pack in sheet.order()
        if pack.name not in recheck and (verdict := verdicts.get(pack.name)) is not None and not verdict.scattered
    }
    ways = [_Way((0, 0, 0), ())]
    out_of_reach: list[str] = []
    for group in _groups(sheet, known):
        here = _ways(group, known)
        if not here:
            here = [_as_they_are(group, known)]
            out_of_reach += _not_reached(group, known, unit)
        ways = _joined(ways, here)
    plans = [_unit_plan(sheet, way, known, recheck, tuple(out_of_reach), unit) for way in ways]
    return [plan for plan in plans if plan.parts_touched or plan.out_of_reach]


def _groups(sheet: Sheet, known: Mapping[str, Verdict]) -> list[list[Pack]]:
    """The measured packs, those that influence each other together, in the order of checking."""
    packs = [pack for pack in sheet.order() if pack.name in known]
    group_of = {pack.name: {pack.name} for pack in packs}
    for pack in packs:
        for adjuster in pack.adjusters:
            for moved in adjuster.moves:
                if moved in group_of and adjuster.states > 1:
                    together = group_of[pack.name] | group_of[moved]
                    group_of |= dict.fromkeys(together, together)
    groups: list[list[Pack]] = []
    for pack in packs:
        group = [one for one in packs if one.name in group_of[pack.name]]
        if group not in groups:
            groups.append(group)
    return groups


def _ways(group: Sequence[Pack], known: Mapping[str, Verdict]) -> list[_Way]:
    """The best ways to fit a group, best first; the present one alone if all is good; none if nothing helps."""
    if all(known[pack.name].verdict == "good" for pack in group):
        return [_as_they_are(group, known)]
    parts = []
    for pack in group:
        for adjuster in pack.adjusters:
            factors = [1.0 if one is pack else adjuster.moves.get(one.name, 0.0) for one in group]
            parts.append(part_of(adjuster, factors))
    now = math.prod(known[pack.name].conformance_probability for pack in group)
    targets = [target_of(pack, known[pack.name]) for pack in group]
    try:
        fits = best_fits(targets, parts, MOST_ADVICES, above=max(EVEN_ODDS, now))
    except TooManyFits as error:
        names = ", ".join(pack.name for pack in group)
        raise PlanError(
            f"packs {names} influence each other: {error}; shorten their lists of choices to what is on the shelf"
        ) from error
    return [_way(group, fit, known) for fit in fits]


def _way(group: Sequence[Pack], fit: Fit, known: Mapping[str, Verdict]) -> _Way:
    plans = []
    states = iter(fit.states)
    for i, pack in enumerate(group):
        changes = changes_of(list(enumerate(pack.adjusters)), [next(states) for _ in pack.adjusters])
        expanded = math.ceil(fit.spreads[i].half_width(COVERAGE))
        plans.append(PackPlan(pack.name, changes, fit.predicted_nm[i], expanded, fit.in_range[i]))
    away = sum(abs(nm - pack.preferred_nm) for nm, pack in zip(fit.predicted_nm, group, strict=True))
    return _Way((-round(fit.probability / SAME_PROBABILITY), away, fit.touched), tuple(plans))


def _as_they_are(group: Sequence[Pack], known: Mapping[str, Verdict]) -> _Way:
    plans = tuple(
        PackPlan(
            pack.name,
            (),
            known[pack.name].mean_nm,
            known[pack.name].expanded_uncertainty_nm,
            known[pack.name].conformance_probability,
        )
        for pack in group
    )
    chance = math.prod(plan.in_range_probability for plan in plans)
    away = sum(abs(plan.predicted_nm - pack.preferred_nm) for plan, pack in zip(plans, group, strict=True))
    return _Way((-round(chance / SAME_PROBABILITY), away, 0), plans)


def _joined(ways: Sequence[_Way], more: Sequence[_Way]) -> list[_Way]:
    """The best ways to fit both: keys add up, so no way that is not among the best of its group can be needed."""
    both = [
        _Way((a.key[0] + b.key[0], a.key[1] + b.key[1], a.key[2] + b.key[2]), a.packs + b.packs)
        for a in ways
        for b in more
    ]
    return sorted(both, key=lambda way: way.key)[:MOST_ADVICES]


def _not_reached(group: Sequence[Pack], known: Mapping[str, Verdict], unit: LengthUnit) -> list[str]:
    texts = []
    for pack in group:
        verdict = known[pack.name]
        if verdict.verdict == "good":
            continue
        said = how_far_off(pack, verdict, unit)
        if not said and verdict.verdict == "inconclusive":
            said = verdict.next_step
        if not said:
            others = ", ".join(one.name for one in group if one is not pack)
            said = f"No change brings it into range together with {others}: their parts influence each other."
        texts.append(f"{pack.name}: {said}")
    return texts


def _unit_plan(
    sheet: Sheet,
    way: _Way,
    known: Mapping[str, Verdict],
    recheck: Collection[str],
    out_of_reach: tuple[str, ...],
    unit: LengthUnit,
) -> UnitPlan:
    names = [pack.name for pack in sheet.order()]
    packs = tuple(sorted(way.packs, key=lambda plan: names.index(plan.pack)))
    changed = [plan for plan in packs if plan.changes]
    happened: list[Happened] = [Judged(name, 0, 0, verdict) for name, verdict in known.items()]
    happened += [PartsChanged(plan.pack, plan.changes, None, None, "") for plan in changed]
    moved = {name for plan in changed for name in moved_packs(sheet.pack(plan.pack), plan.changes)}
    again = set(packs_to_recheck(sheet, happened)) | moved | set(recheck)
    plan = UnitPlan(
        "",
        packs,
        math.prod(plan.in_range_probability for plan in packs),
        way.key[2],
        tuple(name for name in names if name in again),
        out_of_reach,
    )
    leaking = ", ".join(one.pack for one in changed if known[one.pack].leaks)
    first = f"{leaking}: {SEAL_FIRST} Then " if leaking else ""
    return replace(plan, text=first + _words(sheet, plan, unit))


def _words(sheet: Sheet, plan: UnitPlan, unit: LengthUnit) -> str:
    changed = [one for one in plan.packs if one.changes]
    if not changed:
        return "Change nothing: no change of parts helps."
    does = "; ".join(f"{one.pack}: {what_to_do(sheet.pack(one.pack), one.changes, unit)}" for one in changed)
    gives = ", ".join(f"{one.pack} {format_length(one.predicted_nm, unit)}" for one in plan.packs)
    chance = f"{percent(plan.in_range_probability)} likely {'' if len(plan.packs) == 1 else 'all '}in range"
    return f"{does}. Then {gives}; {chance}. Check again: {', '.join(plan.check_again)}."
