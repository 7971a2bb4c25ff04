"""The changes of parts put before the technician, best first, and a change that was typed or scanned instead.

A pack whose parts leave the others alone is advised by itself (`advice`); where any part of the sheet moves another
pack, the whole unit is planned together (`plan`). No I/O, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from capture.clearance.advice import Change, advise, moved_packs, predict
from capture.clearance.diagnosis import how_far_off
from capture.clearance.verdict import Verdict
from capture.unit.changes import PlanError
from capture.unit.codes import PartFitted
from capture.unit.facts import PartsChanged
from capture.unit.plan import PackPlan, plan_unit
from capture.unit.standing import UnitStanding


@dataclass(frozen=True, slots=True)
class Offer:
    """One way to change parts, in words, and the facts it becomes if it is taken; nobody's name is in them yet."""

    pack: str
    """The pack it is for, empty where it plans several together."""
    text: str
    changes: tuple[PartsChanged, ...]


@dataclass(frozen=True, slots=True)
class Offers:
    """Every change on offer, and what to say of packs that none brings into range."""

    ways: tuple[Offer, ...]
    out_of_reach: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """What may be changed now, and beside each way what the shelf has for it (empty without a word on it)."""

    found: Offers
    shelf: tuple[str, ...]

    def texts(self, pack: str) -> list[str]:
        """Return the ways for a pack in words, those of a plan for the whole unit among them."""
        texts = []
        for way, shelf in zip(self.found.ways, self.shelf, strict=True):
            if way.pack in ("", pack):
                texts.append(f"{way.text} {shelf}." if shelf and way.text.endswith(".") else _beside(way.text, shelf))
        return texts


NO_CHOICE = Choice(Offers((), ()), ())


def _beside(text: str, shelf: str) -> str:
    return f"{text} ({shelf})" if shelf else text


def offers(now: UnitStanding, first: str = "") -> Offers:
    """Return what may be changed, that of the pack called `first` before the others'.

    Raises PlanError where packs that influence each other allow too many combinations to find the best.
    """
    if now.trouble:
        return Offers((), (now.trouble,))
    sheet, unit, counted = now.fitted, now.fitted.display_unit, _counted(now)
    if any(adjuster.moves for pack in sheet.packs for adjuster in pack.adjusters):
        return plans(now)
    ways: list[Offer] = []
    beyond: list[str] = []
    for pack in sorted(sheet.order(), key=lambda pack: pack.name != first):
        verdict = counted.get(pack.name)
        if verdict is None:
            continue
        found = advise(pack, verdict, unit)
        for one in found:
            made = PartsChanged(pack.name, one.changes, one.predicted_nm, one.expanded_uncertainty_nm, "")
            ways.append(Offer(pack.name, one.text, (made,)))
        far = "" if found else how_far_off(pack, verdict, unit)
        beyond += [f"{pack.name}: {far}"] if far else []
    return Offers(tuple(ways), tuple(beyond))


def plans(now: UnitStanding) -> Offers:
    """Return the plans for the whole unit together, as `strokelog unit plan` numbers them. Raises PlanError."""
    sheet, found = now.fitted, plan_unit(now.fitted, _counted(now))
    ways = []
    for plan in found:
        changed = [one for one in plan.packs if one.changes]
        # Those that move others first: a later change of parts there would overtake their prediction.
        changed.sort(key=lambda one: not moved_packs(sheet.pack(one.pack), one.changes))
        if changed:
            ways.append(Offer("", plan.text, tuple(_made(one) for one in changed)))
    return Offers(tuple(ways), found[0].out_of_reach if found else ())


def _counted(now: UnitStanding) -> dict[str, Verdict]:
    return {name: verdict for name, verdict in now.verdicts.items() if name not in now.recheck}


def _made(one: PackPlan) -> PartsChanged:
    return PartsChanged(one.pack, one.changes, one.predicted_nm, one.expanded_uncertainty_nm, "")


def taken(offer: Offer, by: str) -> list[PartsChanged]:
    """Return the facts of an offer that `by` took."""
    return [replace(made, by=by) for made in offer.changes]


def typed_change(now: UnitStanding, part: PartFitted, by: str) -> PartsChanged:
    """Return a change that a person names by what is fitted now, predicted where the pack's check still counts.

    Raises PlanError where that part is fitted already.
    """
    pack = now.fitted.pack(part.pack)
    adjuster = pack.adjusters[part.adjuster]
    if adjuster.fitted == part.fitted:
        raise PlanError(f"that is what {part.pack} has: nothing changed in its {adjuster.name}")
    changes = (Change(part.adjuster, adjuster.kind, adjuster.fitted, part.fitted),)
    verdict = None if part.pack in now.recheck else now.verdicts.get(part.pack)
    if verdict is None:
        return PartsChanged(part.pack, changes, None, None, by)
    predicted_nm, expanded_nm = predict(pack, verdict, changes)
    return PartsChanged(part.pack, changes, predicted_nm, expanded_nm, by)
