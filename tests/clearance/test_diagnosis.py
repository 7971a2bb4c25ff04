"""What an error's size says: one plate or one part where the evidence is plain, and silence where it is not."""

from __future__ import annotations

import math

import pytest

from capture.clearance.advice import Change
from capture.clearance.diagnosis import Cause, cause_of_difference, cause_of_distance, causes, how_far_off
from capture.clearance.distribution import Distribution, scaled_t
from capture.sheet.sheet import Pack
from tests.support.sheets import measured, pack, ring, sheet, shim

PLATES = 'friction_thickness = "2.20 mm"\nsteel_thickness = "1.70 mm"\nplate_tolerance = "0.05 mm"'


def low(*adjusters: str, keys: str = "", limits: str = '["0.90 mm", "1.30 mm"]') -> Pack:
    return sheet(pack("low", *adjusters, keys=keys, limits=limits)).pack("low")


def spread(standard_nm: float, dof: float = math.inf) -> Distribution:
    return Distribution.of([scaled_t(standard_nm, dof)])


def text(cause: Cause | None) -> str:
    return cause.text if cause is not None else ""


def test_a_clearance_a_friction_plate_too_wide_is_said_to_lack_one() -> None:
    # Common practice: a plate left out shows as about its own thickness of clearance too much.
    of = low(shim(), keys=PLATES)
    verdict = measured(of, 3_300_000)
    assert text(cause_of_distance(of, verdict)) == "one friction plate of 2.200 mm left out"
    said = how_far_off(of, verdict)
    assert said == (
        "No adjuster of the sheet reaches the range: off by 2.000 mm. It measures as with one friction plate of "
        "2.200 mm left out: look for that first. The closest is to add 3 shims of 0.250 mm, for 2.550 mm, still "
        "1.250 mm off."
    )


def test_a_steel_plate_is_told_from_a_friction_plate_only_where_the_range_can() -> None:
    narrow = low(keys=PLATES)
    assert text(cause_of_distance(narrow, measured(narrow, 2_800_000))) == "one steel plate of 1.700 mm left out"
    wide = low(keys=PLATES, limits='["0.50 mm", "1.50 mm"]')
    verdict = measured(wide, 3_000_000)
    # 3.0 mm less 2.2 mm is in the wide range, and 3.0 mm less 1.7 mm is too.
    assert cause_of_distance(wide, verdict) is None
    assert "measures as" not in how_far_off(wide, verdict)


def test_one_plate_too_many_is_a_pack_that_hardly_moves() -> None:
    # A steel plate of 1.0 mm too many takes 1.0 mm of a clearance of 1.1 mm.
    of = low(keys='steel_thickness = "1.00 mm"')
    assert text(cause_of_distance(of, measured(of, 100_000))) == "one steel plate of 1.000 mm too many"


def test_without_a_known_thickness_nothing_is_suggested() -> None:
    of = low()
    verdict = measured(of, 3_300_000)
    assert causes(of) == [] and cause_of_distance(of, verdict) is None
    assert how_far_off(of, verdict) == "The sheet lists no adjuster: off by 2.000 mm."


def test_a_pack_that_an_adjuster_reaches_or_that_is_in_range_is_not_far_off() -> None:
    of = low(shim())
    assert how_far_off(of, measured(of, 1_380_000)) == ""
    assert how_far_off(of, measured(of, 1_100_000)) == ""


def test_where_no_state_is_closer_what_is_fitted_is_called_the_closest() -> None:
    of = low(shim(fitted=0, most=0))
    assert how_far_off(of, measured(of, 1_500_000)).endswith("What is fitted now is the closest there is.")


def test_a_double_shim_shows_in_the_difference_from_the_prediction() -> None:
    of = low(shim(fitted=3, keys='tolerance = "0.01 mm"'), keys=PLATES)
    made = [Change(0, "shim", 2, 3)]
    # Predicted with three shims; a fourth that sticks to one of them takes 0.25 mm more.
    double = cause_of_difference(of, -247_000, spread(6_000), changes=made)
    assert text(double).startswith("4 shims of 0.250 mm in place of 3 (a double one")
    undone = cause_of_difference(of, 251_000, spread(6_000), changes=made)
    assert text(undone) == "the old parts still in place"


def test_a_wrong_ring_is_named_by_its_thickness() -> None:
    # Rings of 0.060 in and 0.095 in: common practice. 0.060 in where 0.095 in was meant opens by 0.035 in.
    choices = ["0.060 in", "0.078 in", "0.095 in"]
    of = low(ring(choices, "0.095 in"))
    wrong = cause_of_difference(
        of, 889_000 - 5_000, spread(8_000), changes=[Change(0, "selective", 1_981_200, 2_413_000)]
    )
    assert text(wrong) == "the ring of 0.060 in in place of 0.095 in"


@pytest.mark.parametrize("difference_nm", [125_000, -125_000, 40_000, 700_000])
def test_a_difference_that_is_no_parts_thickness_is_left_unexplained(difference_nm: int) -> None:
    of = low(shim(fitted=3), keys=PLATES)
    assert cause_of_difference(of, difference_nm, spread(6_000), changes=[Change(0, "shim", 2, 3)]) is None


def test_two_parts_of_one_thickness_are_told_apart_by_no_measurement() -> None:
    of = low(shim(thickness="0.20 mm", fitted=0, most=0), ring(["2.80 mm", "3.00 mm"], "2.80 mm"))
    assert {cause.effect_nm for cause in causes(of)} == {-200_000}
    assert cause_of_difference(of, -200_000, spread(5_000)) is None


def test_a_coarse_measurement_names_nothing() -> None:
    of = low(shim(thickness="0.10 mm", fitted=3), keys=PLATES)
    assert cause_of_difference(of, -100_000, spread(5_000)) is not None
    assert cause_of_difference(of, -100_000, spread(60_000)) is None
    # A few strokes leave wide tails: with 2 degrees of freedom the same scatter proves less.
    assert cause_of_difference(of, -100_000, spread(26_000)) is not None
    assert cause_of_difference(of, -100_000, spread(26_000, 2)) is None


def test_plates_known_less_exactly_explain_more_differences() -> None:
    exact, rough = low(keys=PLATES.replace("0.05 mm", "0 mm")), low(keys=PLATES)
    assert cause_of_difference(exact, 2_200_000 + 40_000, spread(6_000)) is None
    assert (
        text(cause_of_difference(rough, 2_200_000 + 40_000, spread(6_000))) == "one friction plate of 2.200 mm left out"
    )


def test_lengths_are_said_in_the_sheets_unit() -> None:
    of = low(keys='friction_thickness = "0.080 in"', limits='["0.040 in", "0.060 in"]')
    said = how_far_off(of, measured(of, 130 * 25_400), "in")
    assert "off by 0.0700 in" in said and "one friction plate of 0.0800 in left out" in said
