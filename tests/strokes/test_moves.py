"""An indicator that is moved or set anew, at whatever moment, hides no stroke and makes none that counts."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.machine import Notice
from capture.strokes.moves import Stand, stands_among, strokes_among
from capture.strokes.stroke import Stroke
from drivers.reading import Reading

UM, MM, SECOND = 1_000, 1_000_000, 1_000_000_000
TRAVEL = 0.8 * MM
APPLIES_S = [(3.0 + 3.1 * number, 4.4 + 3.1 * number) for number in range(6)]
#: The least and the most that is asked for, 0.005 and 0.3 inch, and between.
BY_NM = (127 * UM, 400 * UM, 850 * UM, 2 * MM, 7_620 * UM)


def found(moves: list[tuple[float, float]], rate: float, seed: int) -> tuple[list[Stroke], set[Notice]]:
    """The strokes of a check in which the indicator was moved at these times by so much, and what was said of it."""
    rng = np.random.default_rng(seed)
    t_s = (np.arange(int(22 * rate)) + rng.uniform()) / rate
    x = sum(
        np.where(t_s >= apply_s, TRAVEL * (1 - np.exp(-np.clip(t_s - apply_s, 0, None) / 0.02)), 0)
        - np.where(t_s >= release_s, TRAVEL * (1 - np.exp(-np.clip(t_s - release_s, 0, None) / 0.02)), 0)
        for apply_s, release_s in APPLIES_S
    )
    for at_s, by_nm in moves:
        x = x + by_nm * np.clip((t_s - at_s) / 0.05, 0, 1)
    values = np.rint((5 * MM + rng.choice((-1, 1)) * x + 2 * UM * rng.standard_normal(len(t_s))) / (2 * UM)) * 2 * UM
    finder, strokes, said = StrokeFinder(FinderSettings(2 * UM)), [], set[Notice]()
    for at, value in zip(t_s.tolist(), values.tolist(), strict=True):
        strokes += finder.feed(round(at * SECOND), [Reading(round(value), "mm")])
        said |= set(finder.notices)
    return strokes + finder.finish(), said


def of_each(strokes: list[Stroke]) -> list[int]:
    """How many of these strokes lie in each that was."""
    return [
        sum(s.start_ns < (release_s + 0.25) * SECOND and s.end_ns > (apply_s - 0.1) * SECOND for s in strokes)
        for apply_s, release_s in APPLIES_S
    ]


@pytest.mark.parametrize("rate", [10.0, 50.0])
@pytest.mark.parametrize("after_s", [-0.6, -0.1, 0.05, 0.9, 1.4, 1.55, 2.1], ids="{:+.2f} s".format)
def test_a_move_at_any_moment_of_a_stroke_loses_none_and_no_travel_that_counts_is_wrong(
    after_s: float, rate: float
) -> None:
    for seed, (by_nm, way) in enumerate(itertools.product(BY_NM, (-1, 1))):
        strokes, said = found([(APPLIES_S[3][0] + after_s, way * by_nm)], rate, seed)
        assert 0 not in of_each(strokes), (by_nm, way)
        assert sum(of_each(strokes)) == len(strokes) <= 7, (by_nm, way)
        assert all(abs(s.peak_travel_nm - TRAVEL) < 10 * UM for s in strokes if s.accepted)
        assert sum(s.accepted for s in strokes) >= 4
        if not all(s.accepted for s in strokes):
            assert Notice.MOVED in said or any("base_moved" in s.flags or "no_return" in s.flags for s in strokes)


@pytest.mark.parametrize("first", [0, 2])
def test_several_moves_in_a_check_lose_no_stroke(first: int) -> None:
    for seed, (one, two) in enumerate(itertools.product((-2.3 * MM, -0.3 * MM, 0.5 * MM, 5 * MM), repeat=2)):
        moves = [(APPLIES_S[first][0] - 0.1, one), (APPLIES_S[first + 1][1] + 0.05, two)]
        strokes, _ = found(moves, 25.0, seed)
        assert 0 not in of_each(strokes), (one, two)
        assert all(abs(s.peak_travel_nm - TRAVEL) < 10 * UM for s in strokes if s.accepted)


@pytest.mark.parametrize(
    "moves",
    [
        [(APPLIES_S[3][0] - 0.15, -0.98 * TRAVEL)],  # the apply undoes the move: all that shows is a bump
        [(APPLIES_S[2][0] - 0.35, 5 * TRAVEL), (APPLIES_S[3][0] - 0.15, -4.16 * TRAVEL)],
        [(APPLIES_S[5][0] - 1.1, 7.8 * TRAVEL), (APPLIES_S[5][0] - 0.3, -7.8 * TRAVEL)],  # there and back
    ],
)
def test_an_indicator_that_is_moved_just_before_an_apply_hides_no_stroke(moves: list[tuple[float, float]]) -> None:
    for seed, rate in enumerate((20.0, 50.0)):
        strokes, _ = found(moves, rate, seed)
        assert of_each(strokes) == [1] * 6
        assert all(abs(s.peak_travel_nm - TRAVEL) < 10 * UM for s in strokes if s.accepted)


def test_a_hold_where_rest_had_been_before_the_indicator_was_moved_is_no_rest() -> None:
    moved = [(0.05, 0.9), (0.1, 0), (0.06, 3), (0.9, 0), (0.2, -3), (0.3, 0), (0.06, -3.9), (0.3, 0), (0.06, 3)]
    stroke = [(0.05, 3.0), (1.0, 0), (0.2, -3), (1.2, 0)]
    spans, ways = zip((1.5, 0), *stroke, *moved, (1.0, 0), (0.2, -3), (1.2, 0), *stroke, strict=True)
    t_s = np.arange(0, sum(spans), 0.01)
    shown = np.interp(t_s, np.cumsum((0, *spans)), 5 + np.cumsum((0.0, *ways)))
    finder, strokes = StrokeFinder(FinderSettings(2 * UM)), list[Stroke]()
    for at, value in zip(t_s.tolist(), np.rint(shown * MM / (2 * UM)).astype(int).tolist(), strict=True):
        strokes += finder.feed(round(at * SECOND), [Reading(value * 2 * UM, "mm")])
    strokes += finder.finish()
    assert strokes[0].accepted and strokes[-1].accepted
    assert all(abs(stroke.peak_travel_nm - 3 * MM) < 10 * UM for stroke in strokes if stroke.accepted)


def leaking(at_s: float, by_nm: float, rate: float, seed: int) -> tuple[list[Stroke], StrokeFinder]:
    """The strokes of a pack that loses 0.25 mm a second while held, its indicator set elsewhere once."""
    rng = np.random.default_rng(seed)
    t_s = (np.arange(int(22 * rate)) + rng.uniform()) / rate
    x = by_nm * np.clip((t_s - at_s) / 0.05, 0, 1)
    for apply_s, release_s in APPLIES_S:
        sunk = 0.25 * MM * np.clip(np.minimum(t_s, release_s) - apply_s - 0.05, 0, None)
        held = (TRAVEL * 2 - sunk) * (t_s >= apply_s)
        x = x + held * np.where(
            t_s < release_s,
            1 - np.exp(-np.clip(t_s - apply_s, 0, None) / 0.02),
            np.exp(-np.clip(t_s - release_s, 0, None) / 0.04),
        )
    values = np.rint((5 * MM + rng.choice((-1, 1)) * x + UM * rng.standard_normal(len(t_s))) / (2 * UM)) * 2 * UM
    finder, strokes = StrokeFinder(FinderSettings(2 * UM)), list[Stroke]()
    for at, value in zip(t_s.tolist(), values.tolist(), strict=True):
        strokes += finder.feed(round(at * SECOND), [Reading(round(value), "mm")])
    finder.ends_by_itself()
    return strokes + finder.finish(), finder


@pytest.mark.parametrize("after", [0, 3])
@pytest.mark.parametrize("rate", [20.0, 100.0])
@pytest.mark.parametrize("by_nm", [-6 * MM, -2.4 * MM, 5 * MM], ids="{:+.0f} nm".format)
def test_a_pack_that_leaks_keeps_its_strokes_and_its_rest_where_the_indicator_is_set_anew(
    by_nm: float, rate: float, after: int
) -> None:
    # Soon before the next apply as well: what is held never stands still, nor did what was moved for long.
    for seed, before_s in enumerate((0.8, 0.35)):
        strokes, finder = leaking(APPLIES_S[after + 1][0] - before_s, by_nm, rate, seed)
        assert of_each(strokes) == [1] * 6, before_s
        assert not finder.air_may_have_been_on
        sound = [stroke for stroke in strokes if stroke.accepted]
        assert len(sound) >= 4 and all(abs(stroke.peak_travel_nm - 2 * TRAVEL) < 40 * UM for stroke in sound)


def stands(*levels_mm: float) -> list[Stand]:
    return [Stand(round(level * MM), at * SECOND, (at + 1) * SECOND - 1) for at, level in enumerate(levels_mm)]


@pytest.mark.parametrize(
    ("levels_mm", "held_from_s"),
    [
        ((0, 0.8, 0), [1]),
        ((0, -1.2, -2), [1]),  # moved in the moment of the apply, and the release tells
        ((0, 0.8, -1.5), [1]),  # moved in that of the release
        ((0, 0.8, 3, 2.2), [1]),  # moved while it was held
        ((0, -2, -1.2, -2), [2]),  # moved at rest
        ((0, -2), []),
        ((0, 0.8, 5, 5.8, 5), [1, 3]),
    ],
)
def test_steps_of_a_strokes_size_tell_rests_from_holds(levels_mm: tuple[float, ...], held_from_s: list[int]) -> None:
    told, _ = strokes_among(stands(*levels_mm), round(TRAVEL), 4 * UM, begins_at_rest=True, ends_at_rest=True)
    assert [one.start_ns // SECOND for one in told] == held_from_s
    assert all(one.way_nm == pytest.approx(TRAVEL) for one in told)


def test_what_sinks_for_as_long_as_a_hold_is_a_stand_and_what_a_hand_moves_is_none() -> None:
    values = [0] * 10 + [1_000 * UM - 20 * UM * at for at in range(12)] + [0] * 10 + [300 * UM * at for at in range(9)]
    found = stands_among([SECOND // 20 * at for at in range(len(values))], values, 5 * UM)
    assert [(stand.level_nm, stand.left_nm) for stand in found] == [(0, 0), (980 * UM, 780 * UM), (0, 0)]
    usual = strokes_among(found, 1_000 * UM, 5 * UM, True, True)[0]
    assert [(stroke.rest_nm, stroke.way_nm) for stroke in usual] == [(0, 980 * UM)]


@pytest.mark.parametrize(
    ("way_um", "stands_um"),
    [((6_730, 6_891, 6_931, 6_941), 6_945), ((5_551, 6_491, 6_944, 6_399), 6_390)],
    ids=["the slow end of a return", "there and back"],
)
def test_a_few_readings_on_their_way_are_no_stand(way_um: tuple[int, ...], stands_um: int) -> None:
    values = [value * UM for value in [*way_um, *[stands_um] * 6]]
    told = stands_among([SECOND // 10 * at for at in range(len(values))], values, 2 * UM)
    assert [stand.level_nm for stand in told] == [stands_um * UM]


def test_where_readings_stood_still_is_found_between_wild_ones_and_moves() -> None:
    values = [0] * 20 + [9 * MM] + [0] * 20 + [MM, 2 * MM] + [3 * MM] * 20
    times = [round(at * SECOND / 50) for at in range(len(values))]
    assert [stand.level_nm for stand in stands_among(times, values, 4 * UM)] == [0, 3 * MM]
    assert math.isclose(stands_among(times, values, 4 * UM)[0].to_ns, 40 * SECOND / 50, rel_tol=0.05)
