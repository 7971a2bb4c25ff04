"""Advice: the shim or the selective part that a good technician would change, and never one that is not there."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from capture.clearance.advice import Advice, Change, advise, predict
from capture.clearance.verdict import MeasurementLimits, Verdict, judge
from capture.output.json_forms import advice_json
from capture.record import columns_of_advice
from capture.sheet.sheet import Pack, Selective, Shim, parse_sheet

THOU = 25_400
FINE = MeasurementLimits(2_540)


def pack(adjusters: str, low: str = "0.040 in", high: str = "0.060 in", preferred: str = "0.050 in") -> Pack:
    text = f"""
        [sheet]
        name = "advice"
        revision = "1"
        source = "invented for tests"
        [[packs]]
        name = "low"
        range = ["{low}", "{high}"]
        preferred = "{preferred}"
    """
    return parse_sheet(text + adjusters, "advice.toml").pack("low")


def shim(thickness: str = "0.015 in", fitted: int = 1, least: int = 0, most: int = 2, more: str = "opens") -> str:
    return f"""
        [[packs.adjusters]]
        kind = "shim"
        thickness = "{thickness}"
        fitted = {fitted}
        min = {least}
        max = {most}
        more = "{more}"
    """


def test_no_part_is_advised_from_strokes_that_differ_too_much_to_be_judged() -> None:
    of = pack(shim())
    wild = judge([400_000, 2_300_000, 700_000, 2_600_000, 900_000], of.low_nm, of.high_nm, FINE)
    assert wild is not None and wild.verdict == "inconclusive" and "they differ by too much" in wild.next_step
    assert wild.scattered and advise(of, wild) == []
    near = judge(
        [1_524_000, 1_526_540, 1_524_000, 1_526_540, 1_524_000], of.low_nm, of.high_nm, MeasurementLimits(25_400)
    )
    assert near is not None and near.verdict == "inconclusive" and not near.scattered


def ring(choices: list[str], fitted: str, thicker: str = "closes") -> str:
    return f"""
        [[packs.adjusters]]
        kind = "selective"
        choices = {choices}
        fitted = "{fitted}"
        thicker = "{thicker}"
    """


def measured(of: Pack, travel_nm: int, spread_nm: int = 1_000) -> Verdict:
    travels = [travel_nm - spread_nm, travel_nm, travel_nm + spread_nm]
    verdict = judge(travels, of.low_nm, of.high_nm, FINE)
    assert verdict is not None
    return verdict


def test_a_loose_pack_that_its_shim_opens_loses_the_shim() -> None:
    # Common practice: 0.065 in measured with one 0.015 in shim in place; without it the pack has 0.050 in.
    one = pack(shim())
    first = advise(one, measured(one, 65 * THOU), "in")[0]
    assert first.predicted_nm == 50 * THOU
    (change,) = first.changes
    assert (change.adjuster, change.kind, change.before, change.after) == (0, "shim", 1, 0)
    assert first.text.startswith("Take out 1 shim of 0.0150 in: 0.0500 in, over 99 % likely")


def test_a_tight_pack_never_gets_more_shims_than_the_sheet_allows() -> None:
    # Common practice: a stack has a limit. Two shims would give 0.035 in, and a third is not allowed.
    one = pack(shim())
    assert advise(one, measured(one, 20 * THOU)) == []
    (only,) = advise(one, measured(one, 30 * THOU))
    assert only.predicted_nm == 45 * THOU and only.changes[0].after == 2


def test_a_shim_that_closes_works_the_other_way() -> None:
    one = pack(shim(more="closes"))
    assert advise(one, measured(one, 65 * THOU))[0].changes[0].after == 2
    assert advise(one, measured(one, 35 * THOU))[0].changes[0].after == 0


def test_a_thicker_ring_closes_or_opens_as_the_sheet_says() -> None:
    choices = ["0.090 in", "0.100 in", "0.110 in"]
    closes = pack(ring(choices, "0.100 in"))
    assert advise(closes, measured(closes, 62 * THOU))[0].changes[0].after == 110 * THOU
    opens = pack(ring(choices, "0.100 in", "opens"))
    assert advise(opens, measured(opens, 62 * THOU))[0].changes[0].after == 90 * THOU


def test_a_good_pack_is_left_alone() -> None:
    one = pack(shim())
    verdict = measured(one, 50 * THOU)
    assert verdict.verdict == "good" and advise(one, verdict) == []


def test_a_pack_that_nothing_brings_into_range_gets_no_advice() -> None:
    one = pack(shim())
    assert measured(one, 120 * THOU).verdict == "loose" and advise(one, measured(one, 120 * THOU)) == []
    fixed = pack("")
    assert advise(fixed, measured(fixed, 65 * THOU)) == []


def test_no_part_is_changed_to_make_it_less_likely_that_the_pack_is_in_range() -> None:
    # At 0.057 in it is likely sure to be in range as it stands; without the shim, at 0.042 in, it would be less so.
    one = pack(shim())
    scattered = judge([52 * THOU, 62 * THOU] * 3, one.low_nm, one.high_nm, FINE)
    assert scattered is not None and scattered.verdict == "inconclusive"
    # Strokes so different that their t (JCGM 101, 6.4.9) is all that counts. The independent reference is SciPy's own
    # t distribution, scipy.stats.t.cdf.
    u, dof = scattered.budget[0].standard_nm, 5
    without = scipy.stats.t.cdf(60 * THOU, dof, 42 * THOU, u) - scipy.stats.t.cdf(40 * THOU, dof, 42 * THOU, u)
    assert 0.5 < without < scattered.conformance_probability
    assert advise(one, scattered) == []


def test_of_two_ways_to_the_same_clearance_fewer_parts_come_first() -> None:
    two = pack(shim("0.005 in", 3, 0, 6) + ring(["0.100 in", "0.115 in"], "0.100 in"))
    best, second = advise(two, measured(two, 65 * THOU))[:2]
    assert best.predicted_nm == second.predicted_nm == 50 * THOU
    assert [change.kind for change in best.changes] == ["selective"]
    assert second.changes[0].after == 0


def test_parts_made_less_exactly_than_measured_widen_the_prediction() -> None:
    exact = pack(shim())
    rough = pack(shim() + '        tolerance = "0.001 in"\n')
    verdict = measured(exact, 65 * THOU)
    assert advise(exact, verdict)[0].expanded_uncertainty_nm == verdict.expanded_uncertainty_nm
    # JCGM 101: the sum of what the measurement and the part may be, drawn; three standard errors of the quantile.
    draws, count = np.random.default_rng(2), 2_000_000
    step = 2_540 * draws.uniform(-0.5, 0.5, (2, count)).sum(axis=0)
    drawn = verdict.budget[0].standard_nm * draws.standard_t(2, count) + step + draws.uniform(-THOU, THOU, count)
    assert advise(rough, verdict)[0].expanded_uncertainty_nm == pytest.approx(np.quantile(abs(drawn), 0.95), rel=0.004)


def test_a_sum_with_a_part_does_not_keep_the_few_degrees_of_freedom_of_the_strokes() -> None:
    # Five strokes that scatter by 4 um leave 4 degrees of freedom; a ring's tolerance of 0.02 mm has unlimited ones.
    # JCGM 100, G.4.1: together they have hundreds, so that Student's factor of 2.78 is not theirs.
    of = pack(ring(["0.100 in", "0.115 in"], "0.100 in") + '        tolerance = "0.02 mm"\n')
    verdict = judge(
        [1_651_000 + off for off in (-4_000, 0, 0, 0, 4_000)], of.low_nm, of.high_nm, MeasurementLimits(100)
    )
    assert verdict is not None
    (change,) = advise(of, verdict)[0].changes
    _, expanded = predict(of, verdict, [change])
    standard = math.hypot(verdict.standard_uncertainty_nm, math.sqrt(2) * 20_000 / math.sqrt(3))
    # Two equal rectangles are a triangle: 95 % within (1 - sqrt(0.05)) of its half-width (JCGM 101, 6.4.5).
    assert expanded == pytest.approx((1 - math.sqrt(0.05)) * 40_000, rel=0.02) and expanded < 1.96 * standard
    assert expanded == advise(of, verdict)[0].expanded_uncertainty_nm


def test_shims_are_each_off_by_themselves_unless_the_sheet_calls_them_a_batch() -> None:
    several = shim("0.05 mm", 0, 0, 10, "closes") + '        tolerance = "0.003 mm"\n'
    each, alike = pack(several), pack(several + "        batch = true\n")
    verdict = measured(each, 65 * THOU)
    made = [Change(0, "shim", 0, 9)]
    # JCGM 100, 5.2.2: nine that err alike are nine times as far off as one, nine that do not three times.
    assert predict(alike, verdict, made)[1] > 2 * predict(each, verdict, made)[1]
    assert predict(alike, verdict, [Change(0, "shim", 0, 1)]) == predict(each, verdict, [Change(0, "shim", 0, 1)])


def test_in_json_shims_are_counted_and_selective_parts_are_called_as_the_sheet_calls_them() -> None:
    two = pack(shim() + ring(["0.1 in", "2.8 mm", "0.1200 in"], "0.1 in"))
    shown = [advice_json(two, advice)["changes"] for advice in advise(two, measured(two, 65 * THOU))]
    assert [{"adjuster": 0, "kind": "shim", "from": 1, "to": 0}] in shown
    assert [{"adjuster": 1, "kind": "selective", "from": "0.1 in", "to": "2.8 mm"}] in shown
    best = advise(two, measured(two, 65 * THOU))[0]
    # What pipes are told may change; what the ledger is hashed with may not, nor the order it is written in.
    assert advice_json(two, best) == columns_of_advice(two, best)
    assert list(columns_of_advice(two, best).items()) == list(
        {
            "text": best.text,
            "predicted_nm": best.predicted_nm,
            "expanded_uncertainty_nm": best.expanded_uncertainty_nm,
            "in_range_probability": best.in_range_probability,
            "changes": [{"adjuster": 0, "kind": "shim", "from": 1, "to": 0}],
        }.items()
    )


SHIMS = st.tuples(
    st.sampled_from(["0.005 in", "0.010 in", "0.015 in", "0.25 mm"]),
    st.integers(0, 2),
    st.integers(0, 3),
    st.integers(0, 3),
    st.sampled_from(["opens", "closes"]),
).map(lambda s: shim(s[0], s[1] + s[2], s[1], s[1] + s[2] + s[3], s[4]))
SIZES = ["2.60 mm", "2.80 mm", "0.115 in", "3.00 mm", "3.20 mm", "3.45 mm"]
RINGS = st.tuples(
    st.lists(st.sampled_from(SIZES), min_size=1, max_size=5, unique=True), st.sampled_from(["opens", "closes"])
).map(lambda r: ring(r[0], r[0][0], r[1]))
PACKS = st.lists(SHIMS | RINGS, max_size=3).map(lambda adjusters: pack("".join(adjusters)))
Candidate = tuple[dict[int, int], int, float, int]


def searched(of: Pack, verdict: Verdict) -> list[Candidate]:
    """Every state of the parts: what is fitted, the clearance, its chance of lying in range, parts touched."""
    states = [a.choices if isinstance(a, Selective) else range(a.min, a.max + 1) for a in of.adjusters]
    found: list[Candidate] = []
    for fitted in itertools.product(*states):
        clearance, touched = verdict.mean_nm, 0
        for adjuster, now in zip(of.adjusters, fitted, strict=True):
            grown = now - adjuster.fitted
            if isinstance(adjuster, Shim):
                clearance += grown * adjuster.thickness * (1 if adjuster.more == "opens" else -1)
                touched += abs(grown)
            else:
                clearance += grown * (1 if adjuster.thicker == "opens" else -1)
                touched += grown != 0
        chance = verdict.spread.below(of.high_nm - clearance) - verdict.spread.below(of.low_nm - clearance)
        found.append((dict(enumerate(fitted)), clearance, chance, touched))
    return found


@given(PACKS, st.integers(10 * THOU, 100 * THOU), st.integers(0, 2 * THOU))
def test_advice_keeps_the_sheets_limits_and_the_best_is_what_a_search_of_all_parts_finds(
    of: Pack, travel_nm: int, spread_nm: int
) -> None:
    verdict = measured(of, travel_nm, spread_nm)
    advices = advise(of, verdict)
    searchable = searched(of, verdict)
    known = {tuple(sorted(fitted.items())): rest for fitted, *rest in searchable}
    for advice in advices:
        fitted = {index: adjuster.fitted for index, adjuster in enumerate(of.adjusters)}
        fitted |= {change.adjuster: change.after for change in advice.changes}
        # A state outside the sheet's limits would not be among those searched.
        clearance, chance, _ = known[tuple(sorted(fitted.items()))]
        assert advice.changes and all(change.before != change.after for change in advice.changes)
        assert advice.predicted_nm == clearance and abs(advice.in_range_probability - chance) < 1e-6
    useful = [
        (chance, clearance, touched)
        for _, clearance, chance, touched in searchable
        if touched and chance > max(0.5, verdict.conformance_probability) + 1e-6
    ]
    if verdict.verdict == "good" or verdict.scattered or not useful:
        assert not advices or not (verdict.verdict == "good" or verdict.scattered)
        return
    best = advices[0]
    # The stated order: the chance in steps of half a percent, then nearness to the preferred, then fewest parts.
    near_a_step = any(abs(chance / 0.005 % 1 - 0.5) < 1e-3 for chance, _, _ in useful)
    _, away, touched = min((-round(p / 0.005), abs(nm - of.preferred_nm), touched) for p, nm, touched in useful)
    assert best.in_range_probability >= max(chance for chance, _, _ in useful) - 0.005 - 1e-6
    if not near_a_step:
        assert (abs(best.predicted_nm - of.preferred_nm), parts_touched(best)) == (away, touched)


def parts_touched(advice: Advice) -> int:
    return sum(abs(c.after - c.before) if c.kind == "shim" else 1 for c in advice.changes)
