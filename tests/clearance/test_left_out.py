"""A stroke that a technician knows to be wrong is left out; leaving out good ones buys no verdict.

The bounds are Boole's inequality and the binomial coefficients, worked out here from their definition; how often a
verdict is wrong is counted with NumPy's normal random numbers, apart from the code that judges.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from capture.clearance.check import Check, CheckState, Finished, StrokeKept, judged_again
from capture.clearance.stopping import choices
from capture.clearance.verdict import MeasurementLimits
from tests.clearance.test_check import pack, stroke

LIMITS = MeasurementLimits(resolution_nm=1_000)
RANGE = (900_000, 1_300_000)


def kept(*travels_nm: int) -> list[StrokeKept]:
    return [StrokeKept(stroke(n, travel), seat=False) for n, travel in enumerate(travels_nm, 1)]


def ended(check: Check, strokes: list[StrokeKept]) -> list[Finished]:
    return [one for made in strokes for one in check.take(made.stroke) if isinstance(one, Finished)]


def test_a_stroke_left_out_counts_no_longer_and_another_is_asked_for() -> None:
    check = Check(pack(strokes=4, seat_strokes=0), LIMITS)
    assert not ended(check, kept(1_100_000, 1_102_000, 1_500_000))
    check.leave_out(3)
    assert check.counted == 2 and check.state is CheckState.COUNTING
    assert check.next_step().startswith("Stroke 4 (2 of 4 counted): ")
    assert not ended(check, [StrokeKept(stroke(4, 1_098_000), seat=False)])
    (done,) = ended(check, [StrokeKept(stroke(5, 1_100_000), seat=False)])
    assert (done.verdict.strokes, done.verdict.mean_nm) == (4, 1_100_000)


def test_what_does_not_count_cannot_be_left_out_nor_can_anything_once_the_verdict_stands() -> None:
    check = Check(pack(strokes=2, seat_strokes=1), LIMITS)
    check.take(stroke(1))
    check.take(stroke(2, accepted=False))
    for number in (1, 2, 7):
        with pytest.raises(ValueError, match=f"stroke {number} does not count"):
            check.leave_out(number)
    assert ended(check, [StrokeKept(stroke(n), seat=False) for n in (3, 4)])
    with pytest.raises(ValueError, match="has come to its verdict"):
        check.leave_out(3)


@pytest.mark.parametrize(("counted", "left_out"), [(5, 1), (4, 2), (5, 3), (2, 6)])
def test_a_look_is_divided_among_all_ways_to_choose(counted: int, left_out: int) -> None:
    ways = sum(1 for _ in combinations(range(counted + left_out), left_out))
    assert choices(counted, left_out) == ways * 2**left_out
    assert sum(1 / 2**k for k in range(1, 60)) <= 1 and choices(counted, 0) == 1


def test_fewer_strokes_must_be_surer_than_the_same_ones_with_nothing_left_out() -> None:
    """Four strokes that settle it by themselves do not where they are what is left of five."""
    four = [1_240_000, 1_252_000, 1_246_000, 1_258_000]
    limits = {"range": (900_000, 1_263_000)}
    alone = judged_again(pack(strokes=4, seat_strokes=0).model_copy(update=limits), LIMITS, kept(*four), ())
    of = pack(strokes=5, seat_strokes=0).model_copy(update=limits)
    left = judged_again(of, LIMITS, kept(*four, 1_330_000), [5])
    assert alone is not None and left is not None and alone.mean_nm == left.mean_nm
    assert (alone.verdict, left.verdict) == ("good", "inconclusive")
    assert left.next_step == "The strokes that are left do not settle it. Check low again."


def test_whoever_leaves_out_the_strokes_that_serve_best_is_right_as_often_as_promised() -> None:
    """On the limit every `good` is wrong. One look may be in 2.5 of 100 (half the risk is kept for later looks); all
    choices of one or two strokes to leave out may add as much, and no more."""
    dice = np.random.default_rng(20261128)
    of = pack(strokes=5, seat_strokes=0).model_copy(update={"range": RANGE})
    bought = naive = 0
    runs = 400
    for _ in range(runs):
        travels = [round(nm) for nm in dice.normal(RANGE[1], 5_000, 5)]
        strokes = kept(*travels)
        # The adversary wants `good`: the highest strokes are those to leave out.
        order = sorted(range(1, 6), key=lambda n: -travels[n - 1])
        words = [judged_again(of, LIMITS, strokes, order[:k]) for k in (1, 2)]
        bought += any(one is not None and one.verdict == "good" for one in words)
        rest = [judged_again(of, LIMITS, kept(*(travels[n - 1] for n in order[k:])), ()) for k in (0, 1, 2)]
        naive += any(one is not None and one.verdict == "good" for one in rest)
    assert naive > 0.09 * runs  # without the rule leaving out buys verdicts
    # 2.5 % and three standard deviations of such a count.
    assert bought <= 0.025 * runs + 3 * (0.025 * 0.975 * runs) ** 0.5


def test_a_stroke_left_out_is_kept_and_no_longer_counts() -> None:
    (one,) = kept(1_100_000)
    assert one.counts and not replace(one, left_out="left out by Ana: bumped the bench").counts
