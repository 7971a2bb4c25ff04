"""The unit planned as a whole: every pack in range together, no limit broken, and nothing better overlooked."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.clearance import parts_search
from capture.clearance.advice import advise
from capture.clearance.distribution import rectangle
from capture.clearance.verdict import Remark, Verdict
from capture.sheet.sheet import Adjuster, Pack, Sheet, Shim
from capture.unit.changes import PlanError, fitted_now
from capture.unit.facts import PartsChanged
from capture.unit.plan import UnitPlan, plan_unit
from tests.support.sheets import THOU, measured, pack, ring, sheet, shim

RINGS = ["2.80 mm", "3.00 mm", "3.20 mm", "3.40 mm"]


def changes(plan: UnitPlan) -> dict[str, list[tuple[int, int]]]:
    return {one.pack: [(c.before, c.after) for c in one.changes] for one in plan.packs if one.changes}


def test_a_good_pack_that_a_neighbours_shim_would_push_out_is_kept_in_range() -> None:
    unit = sheet(
        pack("low", shim(keys='moves = { "reverse" = 1.0 }'), ring(RINGS, "3.00 mm")),
        pack("reverse"),
    )
    verdicts = {"low": measured(unit.pack("low"), 1_350_000), "reverse": measured(unit.pack("reverse"), 1_000_000)}
    # By itself low would do best with one more shim, at 1.10 mm; reverse would be at 0.75 mm then.
    assert advise(unit.pack("low"), verdicts["low"])[0].changes[0].kind == "shim"
    assert "this also moves reverse by -0.250 mm" in advise(unit.pack("low"), verdicts["low"])[0].text
    best = plan_unit(unit, verdicts)[0]
    assert changes(best) == {"low": [(3_000_000, 3_200_000)]}
    assert best.in_range_probability > 0.95 and best.check_again == ("low",)
    assert best.text.startswith("low: change the ring from 3.00 mm to 3.20 mm. Then low 1.150 mm, reverse 1.000 mm; ")


def test_a_plan_for_a_pack_that_leaks_mends_its_seal_before_its_shim_is_changed() -> None:
    unit = sheet(pack("low", shim()), pack("high", shim()))
    verdicts = {name: measured(unit.pack(name), 1_350_000) for name in ("low", "high")}
    (sound, *_) = plan_unit(unit, verdicts)
    assert "seal" not in sound.text
    verdicts["low"] = replace(verdicts["low"], remarks=(Remark("leak", "The seal leaks."),))
    (best, *_) = plan_unit(unit, verdicts)
    assert changes(best) == changes(sound)
    assert best.text.startswith("low: Mend the seal first, as the maker's literature says, and check again: ")
    # One stroke that fell away is a question, and no reason to open the pack.
    verdicts["low"] = replace(verdicts["low"], remarks=(Remark("leak_once", "1 of 6 strokes fell away."),))
    assert plan_unit(unit, verdicts)[0].text == sound.text


def test_two_packs_are_brought_in_together_where_neither_change_alone_would_do() -> None:
    unit = sheet(
        pack("low", shim(keys='moves = { "high" = -0.5 }')),
        pack("high", ring(RINGS, "3.00 mm"), keys='depends_on = ["low"]'),
    )
    verdicts = {"low": measured(unit.pack("low"), 1_600_000), "high": measured(unit.pack("high"), 1_000_000)}
    best = plan_unit(unit, verdicts)[0]
    # Two shims close low by 0.5 mm and open high by 0.25 mm, which the next ring takes back.
    assert changes(best) == {"low": [(2, 4)], "high": [(3_000_000, 3_200_000)]}
    assert [one.predicted_nm for one in best.packs] == [1_100_000, 1_050_000]
    assert best.parts_touched == 3 and best.check_again == ("low", "high")


def test_packs_that_leave_each_other_alone_get_what_each_would_be_advised() -> None:
    unit = sheet(pack("low", shim()), pack("high", ring(RINGS, "3.00 mm")), pack("reverse", shim()))
    verdicts = {
        "low": measured(unit.pack("low"), 1_350_000),
        "high": measured(unit.pack("high"), 1_500_000),
        "reverse": measured(unit.pack("reverse"), 1_180_000),
    }
    best = plan_unit(unit, verdicts)[0]
    for one in best.packs:
        of = unit.pack(one.pack)
        advices = advise(of, verdicts[one.pack])
        assert one.changes == (advices[0].changes if advices else ())
        if advices:
            assert one.predicted_nm == advices[0].predicted_nm
            assert one.expanded_uncertainty_nm == advices[0].expanded_uncertainty_nm
    assert "reverse" not in changes(best)
    # Measurements of different packs are independent: their chances multiply (JCGM 106 knows one quantity only).
    assert best.in_range_probability == pytest.approx(math.prod(one.in_range_probability for one in best.packs))


def test_a_unit_that_is_good_needs_no_plan_and_one_not_measured_has_none() -> None:
    unit = sheet(pack("low", shim()), pack("high", ring(RINGS, "3.00 mm")))
    assert plan_unit(unit, {}) == []
    assert plan_unit(unit, {name: measured(unit.pack(name), 1_100_000) for name in ("low", "high")}) == []


def test_a_stale_check_is_not_planned_from_but_asked_for_again() -> None:
    unit = sheet(pack("low", shim()), pack("high", ring(RINGS, "3.00 mm"), keys='depends_on = ["low"]'))
    verdicts = {"low": measured(unit.pack("low"), 1_350_000), "high": measured(unit.pack("high"), 1_500_000)}
    (best, *_) = plan_unit(unit, verdicts, recheck={"high"})
    assert [one.pack for one in best.packs] == ["low"] and best.check_again == ("low", "high")


def test_an_unmeasured_pack_that_a_plan_moves_is_to_be_checked() -> None:
    unit = sheet(pack("low", shim(keys='moves = { "reverse" = 0.2 }')), pack("reverse"))
    best = plan_unit(unit, {"low": measured(unit.pack("low"), 1_350_000)})[0]
    assert best.check_again == ("low", "reverse")


def test_packs_out_of_reach_are_named_beside_what_can_be_done_for_the_others() -> None:
    unit = sheet(pack("low", shim()), pack("high", keys='steel_thickness = "1.70 mm"'))
    far = measured(unit.pack("high"), 2_800_000)
    best = plan_unit(unit, {"low": measured(unit.pack("low"), 1_350_000), "high": far})[0]
    assert changes(best) == {"low": [(2, 3)]}
    (said,) = best.out_of_reach
    assert said.startswith("high: The sheet lists no adjuster: off by 1.500 mm.") and "steel plate" in said
    (alone,) = plan_unit(unit, {"high": far})
    assert not changes(alone) and alone.out_of_reach and alone.text.startswith("Change nothing")


def test_packs_that_spoil_each_other_are_told_to_be_why() -> None:
    # Closing low at all throws reverse out, and reverse has nothing to answer with.
    unit = sheet(pack("low", shim(keys='moves = { "reverse" = 3.0 }')), pack("reverse"))
    verdicts = {"low": measured(unit.pack("low"), 1_400_000), "reverse": measured(unit.pack("reverse"), 1_100_000)}
    (only,) = plan_unit(unit, verdicts)
    assert only.out_of_reach == (
        "low: No change brings it into range together with reverse: their parts influence each other.",
    )


def test_the_shim_of_the_trade_comes_out() -> None:
    # Common practice: one 0.015 in shim fitted, none, one or two allowed, 0.065 in measured at 20 psi: take it out,
    # for 0.050 in. A third is never fitted, however tight the pack.
    inch = sheet(
        pack(
            "clutch",
            shim("0.015 in", fitted=1, least=0, most=2, more="opens"),
            limits='["0.040 in", "0.060 in"]',
        )
    )
    of = inch.pack("clutch")
    best = plan_unit(inch, {"clutch": measured(of, 65 * THOU, 1_000, 2_540)})[0]
    assert best.text.startswith(
        "clutch: take out 1 shim of 0.0150 in. Then clutch 0.0500 in; over 99 % likely in range"
    )
    for travel in range(1, 120):
        for plan in plan_unit(inch, {"clutch": measured(of, travel * THOU, 1_000, 2_540)}):
            assert all(change.after in (0, 1, 2) for one in plan.packs for change in one.changes)


def test_the_two_rings_of_the_trade_are_swapped() -> None:
    # Rings of 0.060 in and 0.095 in: common practice. The thinner one opens the pack by 0.035 in.
    inch = sheet(pack("clutch", ring(["0.060 in", "0.095 in"], "0.095 in"), limits='["0.040 in", "0.060 in"]'))
    best = plan_unit(inch, {"clutch": measured(inch.pack("clutch"), 15 * THOU, 1_000, 2_540)})[0]
    assert changes(best) == {"clutch": [(95 * THOU, 60 * THOU)]} and best.packs[0].predicted_nm == 50 * THOU


def test_what_cannot_be_searched_is_refused_by_the_names_of_the_packs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts_search, "MOST_LOOKED_AT", 3)
    unit = sheet(pack("low", shim(keys='moves = { "high" = 0.5 }')), pack("high", shim()))
    with pytest.raises(PlanError, match=r"packs low, high influence each other: 36 combinations of parts are too many"):
        plan_unit(unit, {name: measured(unit.pack(name), 1_500_000) for name in ("low", "high")})


# -- against a search of everything ------------------------------------------------------------------------------

FACTORS = st.sampled_from([-1.0, -0.5, 0.25, 0.5, 1.0])


@st.composite
def units(draw: st.DrawFn) -> tuple[Sheet, dict[str, Verdict]]:
    names = ["a", "b", "c"][: draw(st.integers(1, 3))]
    packs = []
    for name in names:
        adjusters = []
        for _ in range(draw(st.integers(0, 2 if len(names) < 3 else 1))):
            others = draw(st.lists(st.sampled_from(names), max_size=2, unique=True))
            moves = ", ".join(f'"{other}" = {draw(FACTORS)}' for other in others if other != name)
            keys = f"moves = {{ {moves} }}\n" + draw(st.sampled_from(["", 'tolerance = "0.02 mm"']))
            if draw(st.booleans()):
                least, fitted, most = (draw(st.integers(0, 1)) for _ in range(3))
                thickness = draw(st.sampled_from(["0.25 mm", "0.10 mm"]))
                more = draw(st.sampled_from(["opens", "closes"]))
                adjusters.append(shim(thickness, least + fitted, least, least + fitted + most, more, keys))
            else:
                choices = draw(st.lists(st.sampled_from(RINGS), min_size=1, max_size=3, unique=True))
                adjusters.append(ring(choices, choices[0], draw(st.sampled_from(["opens", "closes"])), keys))
        packs.append(pack(name, *adjusters))
    unit = sheet(*packs)
    verdicts = {}
    for name in names:
        if draw(st.integers(0, 9)):  # now and then a pack is not measured yet
            travel, spread = draw(st.integers(70, 160)) * 10_000, draw(st.sampled_from([0, 5_000, 60_000]))
            verdicts[name] = measured(unit.pack(name), travel, spread)
    return unit, verdicts


def allowed(adjuster: Adjuster) -> list[int]:
    return list(range(adjuster.min, adjuster.max + 1)) if isinstance(adjuster, Shim) else list(adjuster.choices)


def opened(adjuster: Adjuster, after: int) -> float:
    if isinstance(adjuster, Shim):
        return (after - adjuster.fitted) * adjuster.thickness * (1 if adjuster.more == "opens" else -1)
    return (after - adjuster.fitted) * (1 if adjuster.thicker == "opens" else -1)


def handled(adjuster: Adjuster, after: int) -> int:
    if isinstance(adjuster, Shim):
        return abs(after - adjuster.fitted)
    return 2 * (after != adjuster.fitted)


def influencing(unit: Sheet, names: list[str]) -> list[set[str]]:
    """Groups of packs joined by an adjuster with more than one state, found by joining until nothing changes."""
    groups = [{name} for name in names]
    for of in unit.packs:
        for adjuster in of.adjusters:
            for other in adjuster.moves:
                if of.name in names and other in names and len(allowed(adjuster)) > 1:
                    joined = [group for group in groups if group & {of.name, other}]
                    groups = [group for group in groups if group not in joined] + [set().union(*joined)]
    return groups


Ways = list[tuple[tuple[int, int, int], float]]


def every_way(group: list[Pack], verdicts: dict[str, Verdict]) -> tuple[Ways, bool]:
    """Key and chance of every change of a group that is worth making, and whether rounding might change an order."""
    parts = [(of, adjuster) for of in group for adjuster in of.adjusters]
    now = math.prod(verdicts[of.name].conformance_probability for of in group)
    ways: Ways = []
    edge = False
    for states in itertools.product(*(allowed(adjuster) for _, adjuster in parts)):
        touched = sum(
            handled(adjuster, state) if isinstance(adjuster, Shim) else state != adjuster.fitted
            for (_, adjuster), state in zip(parts, states, strict=True)
        )
        chance, away = 1.0, 0
        for of in group:
            verdict = verdicts[of.name]
            clearance, spread = float(verdict.mean_nm), verdict.spread
            for (owner, adjuster), state in zip(parts, states, strict=True):
                factor = 1.0 if owner is of else adjuster.moves.get(of.name, 0.0)
                clearance += factor * opened(adjuster, state)
                spread = spread.plus([rectangle(abs(factor) * adjuster.tolerance)] * handled(adjuster, state))
            at = round(clearance)
            chance *= spread.below(of.high_nm - at) - spread.below(of.low_nm - at)
            away += abs(round(clearance) - of.preferred_nm)
        edge = edge or abs(chance / 0.005 % 1 - 0.5) < 1e-4 or abs(chance - max(0.5, now)) < 1e-6
        if touched and chance > max(0.5, now):
            ways.append(((-round(chance / 0.005), away, touched), chance))
    return ways, edge


@settings(max_examples=120, deadline=None)
@given(units())
def test_no_plan_breaks_a_limit_and_the_best_is_what_a_search_of_everything_finds(
    given_unit: tuple[Sheet, dict[str, Verdict]],
) -> None:
    unit, verdicts = given_unit
    plans = plan_unit(unit, verdicts)
    # A pack whose strokes differ by too much to be judged is planned as little as one that was not measured.
    verdicts = {name: verdict for name, verdict in verdicts.items() if not verdict.scattered}
    for plan in plans:
        assert {one.pack for one in plan.packs} == set(verdicts)
        made = [PartsChanged(one.pack, one.changes, None, None, "tech") for one in plan.packs if one.changes]
        fitted_now(unit, made)  # raises where a change breaks a limit
        for one in plan.packs:
            for change in one.changes:
                assert change.after in allowed(unit.pack(one.pack).adjusters[change.adjuster])
    best = [0, 0, 0]
    anything = edges = False
    chance = 1.0
    for names in influencing(unit, list(verdicts)):
        group = [of for of in unit.packs if of.name in names]
        here = math.prod(verdicts[of.name].conformance_probability for of in group)
        if all(verdicts[of.name].verdict == "good" for of in group):
            chance *= here
            continue
        ways, edge = every_way(group, verdicts)
        edges = edges or edge
        anything = True
        if ways:
            key, here = min(ways)
            best = [a + b for a, b in zip(best, key, strict=True)]
        chance *= here
        touched = {one.pack for one in plans[0].packs if one.changes} & names if plans else set()
        assert edge or bool(ways) == bool(touched)
    assert anything == bool(plans)
    if plans and not edges:
        assert plans[0].parts_touched == best[2]
        assert plans[0].in_range_probability == pytest.approx(chance, abs=0.006 * len(verdicts))
        changed = {name for names in influencing(unit, list(verdicts)) for name in names if touches(plans[0], names)}
        away = sum(
            abs(one.predicted_nm - unit.pack(one.pack).preferred_nm) for one in plans[0].packs if one.pack in changed
        )
        assert away == best[1]


def touches(plan: UnitPlan, names: set[str]) -> bool:
    return any(one.changes for one in plan.packs if one.pack in names)
