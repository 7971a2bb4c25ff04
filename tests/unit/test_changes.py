"""What changes of parts mean: what is fitted, which checks still count, and which changes did not come out."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

from capture.clearance.advice import Change, advise, predict
from capture.clearance.verdict import MeasurementLimits, Verdict, judge
from capture.sheet.sheet import Sheet
from capture.unit.changes import (
    Happened,
    PlanError,
    fitted_now,
    newest_verdicts,
    outcome,
    outcomes,
    packs_to_recheck,
    unexplained,
)
from capture.unit.facts import Correction, Judged, PartsChanged, SignedOff, StepDone
from tests.support.sheets import MM, measured, pack, ring, sheet, shim

BOX = sheet(
    pack("low", shim(keys='moves = { "reverse" = -0.5 }'), keys='friction_thickness = "2.20 mm"'),
    pack("high", ring(["2.80 mm", "3.00 mm", "3.20 mm"], "3.00 mm"), keys='depends_on = ["low"]'),
    pack("top", keys='depends_on = ["high"]'),
    pack("reverse"),
)
#: Facts that are about other things than parts.
OTHER = [StepDone(0, "tech"), Correction(3, "tech", "typing slip", "step 1 was meant"), SignedOff("lead")]


def shims(before: int, after: int, predicted_nm: int | None = None, u_nm: int | None = None) -> PartsChanged:
    return PartsChanged("low", (Change(0, "shim", before, after),), predicted_nm, u_nm, "tech")


def rings(before_nm: int, after_nm: int) -> PartsChanged:
    return PartsChanged("high", (Change(0, "selective", before_nm, after_nm),), None, None, "tech")


def checked(name: str, travel_nm: int = 1_100_000) -> Judged:
    return Judged(name, 0, 0, measured(BOX.pack(name), travel_nm))


def fitted(of: Sheet) -> list[int]:
    return [adjuster.fitted for one in of.packs for adjuster in one.adjusters]


def test_what_is_fitted_follows_the_changes_in_their_order() -> None:
    happened: list[Happened] = [
        checked("low"), shims(2, 3), *OTHER, rings(3_000_000, 3_200_000), shims(3, 0)
    ]  # fmt: skip
    now = fitted_now(BOX, happened)
    assert fitted(now) == [0, 3_200_000] and fitted(BOX) == [2, 3_000_000]
    assert now.display_unit == BOX.display_unit
    ring_now = now.pack("high").adjusters[0]
    assert ring_now.kind == "selective" and ring_now.text(3_200_000) == "3.20 mm"


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (PartsChanged("middle", (), None, None, "tech"), "no pack 'middle' in this sheet; there are: low, high"),
        (PartsChanged("top", (Change(0, "shim", 0, 1),), None, None, "tech"), "no such adjuster; it has 0"),
        (PartsChanged("low", (Change(-1, "shim", 2, 1),), None, None, "tech"), "no such adjuster; it has 1"),
        (PartsChanged("low", (Change(0, "selective", 2, 1),), None, None, "tech"), "the sheet has a shim there"),
        (shims(1, 2), "changed from 1 shim, but 2 shims was fitted"),
        (shims(2, 6), "changed to 6 shims; the sheet allows 0 to 5"),
        (shims(2, -1), "changed to -1 shims; the sheet allows 0 to 5"),
        (rings(3_000_000, 3_100_000), "the ring of 3.100 mm; the sheet allows 2.80 mm, 3.00 mm, 3.20 mm"),
    ],
)
def test_a_change_that_cannot_have_been_is_an_error_in_words(made: PartsChanged, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        fitted_now(BOX, [made])
    assert words in str(caught.value)


def test_a_changed_pack_is_stale_until_it_is_checked_again() -> None:
    assert packs_to_recheck(BOX, [checked("low"), shims(2, 3)])["low"] == "parts of low were changed since"
    assert packs_to_recheck(BOX, [checked("low"), shims(2, 3), checked("low")]) == {}
    # Without a check no pack can need a re-check.
    assert packs_to_recheck(BOX, [shims(2, 3)]) == {}


def test_a_pack_that_another_packs_part_moves_is_stale_as_well() -> None:
    recheck = packs_to_recheck(BOX, [checked("reverse"), shims(2, 3)])
    assert recheck == {"reverse": "the shim of low, which moves reverse, was changed since"}
    assert packs_to_recheck(BOX, [checked("reverse"), shims(2, 3), checked("low"), checked("reverse")]) == {}
    assert "reverse" in packs_to_recheck(BOX, [checked("reverse"), shims(2, 3), checked("low")])


def test_what_depends_on_a_changed_pack_is_stale_however_far_down() -> None:
    happened: list[Happened] = [checked(name) for name in ("low", "high", "top", "reverse")]
    recheck = packs_to_recheck(BOX, [*happened, shims(2, 3)])
    assert list(recheck) == ["low", "high", "top", "reverse"]
    assert recheck["top"] == "it depends on low, and parts of low were changed since"
    assert list(packs_to_recheck(BOX, [*happened, rings(3_000_000, 2_800_000)])) == ["high", "top"]


def test_a_check_made_before_the_pack_it_depends_on_was_checked_again_came_too_early() -> None:
    early: list[Happened] = [checked("low"), shims(2, 3), checked("high")]
    why = "it was checked before low, which it depends on, was checked again"
    assert packs_to_recheck(BOX, early)["high"] == why
    assert packs_to_recheck(BOX, [*early, checked("low")]) == {"high": why}
    assert packs_to_recheck(BOX, [*early, checked("low"), checked("high")]) == {}


def test_measuring_again_and_other_facts_make_nothing_stale() -> None:
    assert packs_to_recheck(BOX, [checked("low"), checked("high"), checked("low"), *OTHER, checked("low")]) == {}


def test_the_newest_verdict_is_the_last_of_its_pack() -> None:
    first, last = checked("low"), checked("low", 1_200_000)
    assert newest_verdicts([first, checked("high"), last])["low"] is last.verdict


MADE: list[Happened] = [shims(2, 3), shims(3, 2), rings(3_000_000, 3_200_000), rings(3_200_000, 3_000_000)]


@given(st.lists(st.sampled_from(MADE + [checked(one.name) for one in BOX.packs]), max_size=12))
def test_checking_everything_in_order_always_leaves_nothing_stale(happened: list[Happened]) -> None:
    again = [*happened, *(checked(one.name) for one in BOX.order())]
    assert packs_to_recheck(BOX, again) == {}
    # And what needs a re-check has a check that is older than some change.
    newest = {entry.pack: i for i, entry in enumerate(happened) if isinstance(entry, Judged)}
    for name in packs_to_recheck(BOX, happened):
        assert any(isinstance(entry, PartsChanged) for entry in happened) and name in newest


def test_the_normalized_error_is_the_difference_over_both_uncertainties() -> None:
    # ISO 13528 and ISO/IEC 17043: E_n = (x - X) / sqrt(U_x^2 + U_X^2), satisfactory up to 1 in size (from memory).
    # The independent reference is the package `uncertainties` (ufloat): it combines the same two uncertainties.
    verdict = measured(BOX.pack("low"), 1_130_000)
    one = outcome(BOX.pack("low"), shims(2, 3, 1_100_000, 20_000), Judged("low", 0, 0, verdict))
    assert one is not None
    x = uncertainties.ufloat(verdict.mean_nm, verdict.expanded_uncertainty_nm / 2)
    reference = x - uncertainties.ufloat(1_100_000, 20_000 / 2)
    assert one.normalized_error == pytest.approx(reference.nominal_value / (2 * reference.std_dev), rel=1e-12)


def test_a_change_that_came_out_says_so_and_nothing_else() -> None:
    (one,) = outcomes(BOX, [checked("low", 1_350_000), shims(2, 3, 1_100_000, 12_000), checked("low", 1_104_000)])
    assert one.as_predicted and abs(one.normalized_error) <= 1
    assert one.text == "The change in low came out as predicted: 1.104 mm, predicted 1.100 mm."


def test_a_change_that_did_not_come_out_is_flagged_with_what_it_looks_like() -> None:
    happened: list[Happened] = [checked("low", 1_350_000), shims(2, 3, 1_100_000, 12_000)]
    (one,) = outcomes(BOX, [*happened, checked("low", 1_348_000)])
    assert not one.as_predicted and one.normalized_error > 1
    assert "0.248 mm more than the predicted 1.100 mm" in one.text
    assert "as with the old parts still in place" in one.text and "a wrong part, dirt" in one.text
    (plate,) = outcomes(BOX, [*happened, checked("low", 3_302_000)])
    assert "one friction plate of 2.200 mm left out" in plate.text
    (dirt,) = outcomes(BOX, [*happened, checked("low", 1_020_000)])
    assert not dirt.as_predicted and "measures as with" not in dirt.text and "0.080 mm less" in dirt.text


def test_what_did_not_come_out_is_settled_only_by_a_check_of_the_pack_as_it_was() -> None:
    miss: list[Happened] = [checked("low", 1_350_000), shims(2, 3, 1_100_000, 12_000), checked("low", 1_300_000)]
    (one,) = outcomes(BOX, miss)
    assert (one.as_predicted, one.settled) == (False, False)
    (again,) = outcomes(BOX, [*miss, checked("low", 1_301_000)])  # the same once more explains nothing
    assert again == one
    (found,) = outcomes(BOX, [*miss, checked("high"), checked("low", 1_104_000)])
    assert (found.as_predicted, found.settled) == (False, True)
    assert found.text == f"{one.text} Checked again, nothing changed: 1.104 mm, as predicted."
    # A plate left out stays left out, however well the next shim comes out.
    further: list[Happened] = [shims(3, 4, 1_050_000, 12_000), checked("low", 1_052_000)]
    first, second = outcomes(BOX, [*miss, *further])
    assert not first.settled and second.settled
    (first, second) = outcomes(BOX, [*miss, *further, checked("low", 1_104_000)])
    assert not first.settled  # what it foretold is no longer built


def test_what_an_advice_predicts_is_judged_as_it_was_given() -> None:
    low = BOX.pack("low")
    loose = measured(low, 1_350_000)
    best = advise(low, loose)[0]
    made = PartsChanged("low", best.changes, best.predicted_nm, best.expanded_uncertainty_nm, "tech")
    happened: list[Happened] = [Judged("low", 0, 0, loose), made, checked("low", best.predicted_nm)]
    (one,) = outcomes(BOX, happened)
    assert one.as_predicted and one.normalized_error == pytest.approx(0, abs=0.1)


def test_only_a_prediction_that_was_built_is_judged() -> None:
    again = checked("low", 2_000_000)
    assert outcomes(BOX, [shims(2, 3), again]) == []  # nothing was predicted
    overtaken: list[Happened] = [shims(2, 3, 1_100_000, 12_000), shims(3, 4, 850_000, 12_000), again]
    assert [one.change.predicted_nm for one in outcomes(BOX, overtaken)] == [850_000]
    # Once judged, a prediction is not held against a later check.
    assert len(outcomes(BOX, [shims(2, 3, 1_100_000, 12_000), again, again])) == 1


def in_the_range(shown_nm: float, rng: np.random.Generator) -> Verdict:
    """A check of five strokes that scatter by 3 um, on an indicator of 1 um steps whose maker promises 20 um."""
    travels = [round(shown_nm + 3_000 * rng.standard_normal()) for _ in range(5)]
    of = BOX.pack("low")
    verdict = judge(travels, of.low_nm, of.high_nm, MeasurementLimits(1_000, 20_000))
    assert verdict is not None
    return verdict


def came_out(mistake_nm: float, set_ups: tuple[str, str], rng: np.random.Generator) -> bool:
    """Make a change of 0.25 mm that comes out off by `mistake_nm`, before and after measured with one gauge's error."""
    error = rng.uniform(-20_000, 20_000)
    before = in_the_range(1_350_000 + error, rng)
    made = [Change(0, "shim", 2, 3)]
    predicted, expanded = predict(BOX.pack("low"), before, made)
    after = in_the_range(1_100_000 + mistake_nm + error, rng)
    happened: list[Happened] = [
        Judged("low", 0, 0, before, set_up=set_ups[0]),
        PartsChanged("low", tuple(made), predicted, expanded, "tech"),
        Judged("low", 0, 0, after, set_up=set_ups[1]),
    ]
    (one,) = outcomes(BOX, happened)
    return one.as_predicted


def test_a_mistake_of_ten_micrometres_shows_where_one_gauge_measured_before_and_after() -> None:
    rng = np.random.default_rng(11)
    caught = sum(not came_out(10_000, ("DI-1 today", "DI-1 today"), rng) for _ in range(300))
    assert caught >= 0.95 * 300
    # And no more than 5 in a hundred changes that came out are blamed: three standard errors above that.
    blamed = sum(not came_out(0, ("DI-1 today", "DI-1 today"), rng) for _ in range(300))
    assert blamed <= 300 * (0.05 + 3 * math.sqrt(0.05 * 0.95 / 300))


@pytest.mark.parametrize("set_ups", [("DI-1 today", "DI-2 today"), ("DI-1 today", "DI-1 yesterday"), ("", "")])
def test_another_gauge_or_another_day_may_differ_by_both_limits_of_error(set_ups: tuple[str, str]) -> None:
    rng = np.random.default_rng(12)
    assert all(came_out(10_000, set_ups, rng) for _ in range(50))


def test_two_exact_numbers_that_differ_are_infinitely_far_apart() -> None:
    exact = measured(BOX.pack("low"), 1_100_000, spread_nm=0, resolution_nm=0)
    assert exact.expanded_uncertainty_nm == 0
    same = outcome(BOX.pack("low"), shims(2, 3, 1_100_000, 0), Judged("low", 0, 0, exact))
    off = outcome(BOX.pack("low"), shims(2, 3, 1_100_001, 0), Judged("low", 0, 0, exact))
    assert same is not None and same.normalized_error == 0 and same.as_predicted
    assert off is not None and off.normalized_error == -math.inf and not off.as_predicted


def test_the_limits_of_the_invented_box_are_in_millimetres() -> None:
    assert BOX.pack("low").high_nm == 1.3 * MM


def test_a_pack_that_became_good_with_no_change_of_parts_is_said_to_have() -> None:
    bad, good = checked("low", 2_198_000), checked("low")
    assert bad.verdict.verdict == "loose" and good.verdict.verdict == "good"
    (words,) = unexplained(BOX, [bad, good]).values()
    assert words.startswith(
        "low was loose (2.198 mm) and is good now (1.100 mm), and the record holds no change of its"
    )
    # Measured again and again it stays so, until a change is recorded and the pack is checked once more.
    assert list(unexplained(BOX, [bad, good, *OTHER, good])) == ["low"]
    assert unexplained(BOX, [bad, good, shims(2, 3), good]) == {}
    assert unexplained(BOX, [bad, shims(2, 3), good]) == {}
    assert unexplained(BOX, [bad]) == unexplained(BOX, [good, good]) == unexplained(BOX, [good, bad]) == {}


def test_a_change_that_moves_another_pack_explains_that_one_too() -> None:
    tight = checked("reverse", 300_000)
    assert tight.verdict.verdict == "tight"
    assert list(unexplained(BOX, [tight, checked("reverse")])) == ["reverse"]
    assert unexplained(BOX, [tight, shims(2, 3), checked("reverse")]) == {}  # low's shims move reverse
    assert list(unexplained(BOX, [tight, rings(3_000_000, 3_200_000), checked("reverse")])) == ["reverse"]
