"""Oil that is slow to go and slow to come back: what was not waited for is followed, and its uncertainty holds."""

from __future__ import annotations

from tests.load.slow_streams import tallied


def test_a_return_with_a_slow_end_biases_no_stroke_by_more_than_its_uncertainty_says() -> None:
    """3 % of the travel at 0.6 s, and the next stroke begins 0.7 to 1.6 s after: what is left is 2 to 30 um."""
    result = tallied("return", 60)
    assert result.found == result.counted == result.strokes
    assert abs(result.bias_steps) < 1
    assert result.covered >= 0.93
    assert result.expanded_nm < 5_000


def test_the_next_apply_before_the_return_has_ended_leaves_the_truth_within_the_uncertainty() -> None:
    """The same with 0.5 to 1.1 s between: a rest too short to see the tail is held against where the pack rested."""
    result = tallied("hurried", 120)
    assert result.found == result.strokes
    assert result.covered >= 0.93
    assert result.expanded_nm < 8_000


def test_a_squeeze_out_that_was_cut_short_is_not_counted_or_its_uncertainty_holds_what_was_left() -> None:
    """3 % of the travel at 0.6 s, let go after 0.35 to 0.6 s: half of that is still to come, seen to grow or not."""
    result = tallied("squeeze", 60)
    assert result.found == result.strokes
    assert result.judged > 50
    assert result.covered >= 0.9
    assert abs(result.bias_steps) < 0.5
