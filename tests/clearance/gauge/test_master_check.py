"""A check against masters: what it finds, what it proves, and when it refuses."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from capture.clearance.gauge.guided import GuidedCheck, told_apart
from capture.clearance.gauge.limits import against_limit
from capture.clearance.gauge.master_check import CheckSettings, checked, linearity_in
from capture.clearance.gauge.masters import ASSUMED_ROOM, Master, Room, load_masters, master_of
from capture.plumbing.checked_file import TableError
from capture.strokes.stroke import Stroke
from tests.support.samples import stroke

TODAY = date(2026, 11, 28)
BLOCK = Master("GB-1", "gauge block", 1_000_000, 1_000_120, 500, 2.0, "C-17", date(2027, 5, 1))
LARGE = Master("GB-2", "gauge block", 2_000_000, 1_999_900, 500, 2.0, "C-17", date(2027, 5, 1))
COARSE = CheckSettings(10_000, 20_000)
FINE = CheckSettings(1_000, 4_000)


def steps(*held_nm: int, **changes: object) -> list[Stroke]:
    plain: dict[str, object] = {"flags": (), "accepted": True, "released_nm": 0, "return_error_nm": 0,
                                "rounding_nm": None, **changes}  # fmt: skip
    return [replace(stroke(n), held_travel_nm=nm, peak_travel_nm=nm, **plain) for n, nm in enumerate(held_nm, 1)]


def test_a_gauge_that_reads_long_at_a_millimetre_is_told_by_how_much() -> None:
    found = checked(steps(1_003_000, 1_003_000, 1_004_000, 2_002_000), [BLOCK, LARGE], FINE, TODAY)
    first, second = found.masters
    assert (first.serial, first.error_nm, first.repeats) == ("GB-1", 3_213, 3)
    assert (second.serial, second.error_nm, second.repeats) == ("GB-2", 2_100, 1)
    assert found.refusal is None


def test_the_uncertainty_of_an_error_is_that_of_its_lines_added_in_squares() -> None:
    """JCGM 100, 5.1.2, by hand: s of 577 nm over sqrt 3, the certificate's 250 nm, two readings' rounding at 1 um
    (408 nm), and 11.5e-6 x 5 K x 1 mm as a rectangle (33 nm)."""
    found = checked(steps(1_003_000, 1_003_000, 1_004_000), [BLOCK], FINE, TODAY).masters[0]
    by_hand = np.sqrt((577.35 / np.sqrt(3)) ** 2 + 250**2 + 2 * (1000 / np.sqrt(12)) ** 2 + (57.5 / np.sqrt(3)) ** 2)
    assert found.standard_uncertainty_nm == round(float(by_hand))


def test_in_a_warm_room_a_master_is_longer_than_its_certificate_says() -> None:
    """11.5e-6 a kelvin of steel (common practice): 100 mm at 26 degrees is 6.9 um longer. What is not known of the
    temperature is left."""
    long = replace(BLOCK, nominal_nm=100_000_000, value_nm=100_000_000)
    read = steps(100_006_900, 100_006_900, 100_006_900)
    warm = [checked(read, [long], replace(FINE, room=room), TODAY).masters[0] for room in (Room(), Room(26.0, 1.0))]
    assert [one.error_nm for one in warm] == [6_900, 0]
    assert warm[1].standard_uncertainty_nm < 0.3 * warm[0].standard_uncertainty_nm


@pytest.mark.parametrize(
    ("error", "uncertainty", "result"),
    [(12, 8, "in order"), (-12, 8, "in order"), (12, 9, "not shown"), (28, 8, "not shown"), (29, 8, "out"),
     (-29, 8, "out")],
)  # fmt: skip
def test_the_uncertainty_counts_against_whoever_must_prove(error: float, uncertainty: float, result: str) -> None:
    """ISO 14253-1 (memory): conformity is proven inside the limit less U, non-conformity beyond the limit and U."""
    assert against_limit(error, uncertainty, 20) == result


def test_without_a_limit_of_error_nothing_is_proven() -> None:
    assert against_limit(0, 1, 0) == "not shown"


def test_a_gauge_proven_outside_is_out_whatever_the_other_master_says() -> None:
    found = checked(steps(1_000_000, 1_000_000, 1_000_000, 2_040_000), [BLOCK, LARGE], COARSE, TODAY)
    assert [one.result for one in found.masters] == ["in order", "out"]
    assert found.result == "out"


def test_a_larger_certificate_uncertainty_proves_less() -> None:
    shim = replace(BLOCK, kind="shim", expanded_uncertainty_nm=15_000)
    assert checked(steps(1_000_000, 1_000_000, 1_010_000), [BLOCK], COARSE, TODAY).result == "in order"
    assert checked(steps(1_000_000, 1_000_000, 1_010_000), [shim], COARSE, TODAY).result == "not shown"


def test_noise_that_dithers_the_display_proves_more() -> None:
    still = checked(steps(1_000_000, 1_001_000, 999_000), [BLOCK], COARSE, TODAY).masters[0]
    dithered = checked(steps(1_000_000, 1_001_000, 999_000, rounding_nm=400), [BLOCK], COARSE, TODAY).masters[0]
    assert dithered.expanded_uncertainty_nm < still.expanded_uncertainty_nm


@pytest.mark.parametrize(
    ("measured", "code", "said"),
    [
        (steps(1_060_000, 1_060_000, 1_060_000), "another_piece", "not the 1.000 mm gauge block GB-1, or it is dirty"),
        (steps(1_000_000, 1_000_000), "", ""),
        (steps(1_000_000), "too_few", "3 times: 1 counts so far"),
        ([], "no_steps", "No master was slid under the tip"),
        (steps(1_000_000, 1_000_000, return_error_nm=26_000), "rest_moved", "the stand moved"),
        (steps(1_000_000, 1_000_000, return_error_nm=24_000), "", ""),
        (steps(1_000_000, 1_030_000, 990_000), "shakes", "Something shakes"),
    ],
)
def test_a_check_that_says_nothing_is_refused_with_its_reason(measured: list[Stroke], code: str, said: str) -> None:
    found = checked(measured, [BLOCK], COARSE, TODAY)
    if not code:
        assert found.refusal is None
        return
    assert found.refusal is not None and found.refusal.code == code and said in found.refusal.text
    assert found.result == "not shown" and not found.usable


def test_a_piece_within_fifty_micrometres_is_the_one_named() -> None:
    """A shim of 1.00 mm read 45 um long is a gauge that is out, and not another shim."""
    assert checked(steps(1_045_000, 1_045_000, 1_045_000), [BLOCK], COARSE, TODAY).result == "out"


def test_a_step_that_was_cut_short_has_no_part_in_the_error() -> None:
    spoilt = steps(1_000_000, 1_000_000, 1_000_000)
    spoilt[1] = replace(spoilt[1], held_travel_nm=800_000, flags=("short_hold",), accepted=False)
    found = checked(spoilt, [BLOCK], COARSE, TODAY)
    assert found.refusal is None and found.masters[0].repeats == 2


def test_a_certificate_that_ran_out_is_said_and_nothing_rests_on_it() -> None:
    old = replace(BLOCK, due=date(2026, 11, 27))
    found = checked(steps(1_000_000, 1_000_000, 1_000_000), [old], COARSE, TODAY)
    assert found.remarks and "ran out on 2026-11-27" in found.remarks[0] and not found.usable
    assert checked(steps(1_000_000, 1_000_000), [old], COARSE, date(2026, 11, 27)).usable


@pytest.mark.parametrize("noise_nm", [300, 3_000])
def test_the_error_found_holds_the_true_one_95_times_in_100(noise_nm: int) -> None:
    """By simulation: a display of 0.01 mm, a gauge with any error up to 15 um, the rest anywhere between two steps."""
    rng = np.random.default_rng(noise_nm)
    held = 0
    for _ in range(600):
        error = rng.uniform(-15_000, 15_000)
        certified = BLOCK.value_nm + rng.normal(0, BLOCK.standard_uncertainty_nm)
        rest = rng.uniform(0, 10_000)
        tops = rest + certified + error + rng.normal(0, noise_nm, 3)
        readings = [int(round(top / 10_000) - round(rest / 10_000)) * 10_000 for top in tops]
        found = checked(steps(*readings), [BLOCK], COARSE, TODAY).masters[0]
        held += abs(found.error_nm - error) <= found.expanded_uncertainty_nm
    assert held >= 558  # 93 %


MASTERS = """
[[masters]]
serial = "GB-1"
kind = "gauge block"
value = "1.00012 mm"
expanded_uncertainty = "0.0005 mm"
coverage_factor = 2
certificate = "C-17"
due = 2027-05-01

[[masters]]
serial = "SH-3"
kind = "shim"
nominal = "0.040 in"
value = "0.0401 in"
expanded_uncertainty = "0.0001 in"
certificate = 12
"""


def test_masters_are_read_with_what_their_certificates_say(tmp_path: Path) -> None:
    file = tmp_path / "masters.toml"
    file.write_text(MASTERS)
    block, shim = load_masters(file)
    assert block == BLOCK
    assert (shim.nominal_nm, shim.value_nm, shim.expanded_uncertainty_nm) == (1_016_000, 1_018_540, 2_540)
    assert master_of(block.kept()) == block and master_of(shim.kept()) == shim


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("0.0005 mm", "0.5 mm", "more than a twentieth"),
        ("SH-3", "GB-1", "stands twice"),
        ('"gauge block"', '"ruler"', "kind"),
        ('"0.0005 mm"', "0.0005", "has no unit"),
        ("coverage_factor = 2", "coverage_factor = 0.5", "coverage_factor"),
        ('certificate = "C-17"', "", "certificate"),
        ("due = 2027-05-01", "due = 2027-05-01\nmade_by = 3", "made_by"),
    ],
)
def test_a_file_of_masters_that_cannot_be_says_why(tmp_path: Path, old: str, new: str, said: str) -> None:
    file = tmp_path / "masters.toml"
    file.write_text(MASTERS.replace(old, new))
    with pytest.raises(TableError, match=said):
        load_masters(file)


def test_a_bench_takes_masters_that_hold_that_its_gauge_reaches_and_that_it_can_tell_apart() -> None:
    def master(serial: str, nm: int, due: date | None = None) -> Master:
        return Master(serial, "gauge block", nm, nm, 500, 2.0, "C-17", due)

    listed = [master("A", 1_000_000), master("B", 1_060_000), master("C", 2_000_000, date(2026, 1, 1))]
    listed += [master("D", 3_000_000), master("E", 25_000_000)]
    on = date(2026, 11, 28)
    assert [one.serial for one in told_apart(listed, on, 12_700_000)] == ["A", "D"]
    assert [one.serial for one in told_apart(listed, on, 0)] == ["A", "D", "E"]


def test_five_masters_up_and_down_are_a_linearity() -> None:
    masters = [replace(BLOCK, serial=f"GB-{n}", value_nm=n * 400_000, nominal_nm=n * 400_000) for n in range(1, 6)]
    made = steps(*(n * 401_000 for n in [1, 2, 3, 4, 5, 5, 4, 3, 2, 1] * 3))
    found = linearity_in(made, masters, ASSUMED_ROOM)
    assert found is not None and found.line.slope == pytest.approx(0.0025, abs=3e-4)
    assert linearity_in(made[:5], masters, ASSUMED_ROOM) is None
    assert linearity_in(made, masters[:4], ASSUMED_ROOM) is None


def test_five_masters_are_led_through_up_and_down_three_times() -> None:
    masters = [replace(BLOCK, serial=f"GB-{n}", value_nm=n * 400_000, nominal_nm=n * 400_000) for n in (3, 1, 2, 5, 4)]
    guided, order = GuidedCheck(masters), []
    assert "slide the 0.400 mm gauge block GB-1 under it" in guided.next_step
    while not guided.done:
        (asked,) = [one for one in masters if one.serial in guided.next_step]
        order.append(asked.value_nm // 400_000)
        guided.take(steps(asked.value_nm)[0])
    assert order == [1, 2, 3, 4, 5, 5, 4, 3, 2, 1] * 3
    found = linearity_in(guided.strokes, masters, ASSUMED_ROOM)
    assert found is not None and found.line.slope == pytest.approx(0, abs=1e-6)


def test_a_gauge_that_reads_its_block_far_off_comes_to_a_refusal_that_can_be_kept() -> None:
    """Led for ever to the block that it does not recognise, it would go on under yesterday's check."""
    guided = GuidedCheck([BLOCK, LARGE])
    for count in range(3):
        assert not guided.done and (not count or "The gauge reads 1.060 mm: no master named." in guided.next_step)
        guided.take(steps(1_060_000)[0])
    assert guided.done and guided.next_step.endswith("Done.")
    refusal = checked(guided.strokes, guided.masters, COARSE, TODAY).refusal
    assert refusal is not None and refusal.code == "another_piece"
    once = GuidedCheck([BLOCK])
    for nm in (1_060_000, 1_000_000, 1_000_000):
        once.take(steps(nm)[0])
    assert not once.done  # one slip of the hand is none


def test_a_master_out_of_turn_counts_and_what_is_left_is_asked_for() -> None:
    masters = [replace(BLOCK, serial=f"GB-{n}", value_nm=n * 400_000, nominal_nm=n * 400_000) for n in range(1, 6)]
    guided = GuidedCheck(masters)
    for _ in range(6):
        guided.take(steps(masters[4].value_nm)[0])
    while not guided.done:
        (asked,) = [one for one in masters if one.serial in guided.next_step]
        assert asked is not masters[4]
        guided.take(steps(asked.value_nm)[0])
    assert len(guided.strokes) == 30
