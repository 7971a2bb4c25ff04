"""Where the reading stood still while the indicator was being moved: which of that was rest, and which a hold.

Theory. A pack goes one way and about as far every time. Of a reading that goes from one stand to the next, a step of
that size and way is an apply, one of that size the other way a release, and any other the indicator that was moved,
alone or in the same moment as an apply or a release. Each stand is a rest or a hold, so that the steps between them
have a price: nothing for an apply, a release or hardly a step, one for a move while the pack rests or is held, a
little more for one in the same moment. The cheapest labels are found as the shortest path is (Viterbi's algorithm). A
hold between two rests is a stroke where one of its two steps was clean, and its travel is that of the clean one.

This is asked only where the finder had to take rest anew, about the stands that it passed over; so a check whose
indicator nobody touches never comes here. Lengths are integer nanometres as displayed, times integer nanoseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from capture.strokes.hold import LEAKS_NM_PER_S, SHORT_HOLD_NS

#: What a move costs, alone and in the same moment as an apply or a release, in tenths.
_MOVE, _BOTH = 10, 12
#: What it costs that both were as far, seen only as a bump that way: less than a move by just a stroke afterwards.
_BOTH_AS_FAR = 9
#: What it costs to take the first stand for a hold, where the stroke before ended in a move as well.
_HELD_FROM_THE_START = 5
#: A step is a stroke's within this part of the way (common practice: packs repeat far better than that).
_LIKE = 16
#: What stood for less is on its way.
_LEAST_STAND_NS, _LEAST_READINGS = 150_000_000, 3
#: Nobody moves an indicator more often between two sound strokes (common practice).
_MOST_STANDS = 64


@dataclass(frozen=True, slots=True)
class Stand:
    """A level at which the reading stood still, from when to when."""

    level_nm: int
    from_ns: int
    to_ns: int
    went_nm: int = 0
    """How far it went from there meanwhile, slowly, as what is held by a seal that leaks does."""
    bumped: bool = False
    """Whether the reading came there from about the same level, by a bump the way that no stroke goes."""

    @property
    def left_nm(self) -> int:
        """Where it was when it left."""
        return self.level_nm + self.went_nm


@dataclass(frozen=True, slots=True)
class PassedOver:
    """A stroke that was passed over: from the apply to the release, and how far it went, with its way."""

    rest_nm: int
    way_nm: int
    start_ns: int
    end_ns: int


def stands_among(times: Sequence[int], values: Sequence[int], calm_nm: int) -> list[Stand]:
    """Return where these readings stood still: for a while, within `calm_nm` of where they began to; and, between two
    such, where they only sank slowly, as long as a hold lasts."""
    found: list[Stand] = []
    begin = over = 0
    # The middle of three, so that a wild reading ends no stand.
    middles = [
        sorted(values[max(0, at - 1) : at + 2])[len(values[max(0, at - 1) : at + 2]) // 2] for at in range(len(values))
    ]
    for at in range(1, len(middles) + 1):
        if at < len(middles) and abs(middles[at] - middles[begin]) <= calm_nm:
            continue
        if at - begin >= _LEAST_READINGS and times[at - 1] - times[begin] >= _LEAST_STAND_NS:
            level = sorted(middles[begin:at])[(at - begin) // 2]
            # Of few readings on their way the middles of three can be alike.
            if 2 * sum(abs(value - level) <= calm_nm for value in values[begin:at]) > at - begin:
                sank = _sinking(times[over:begin], middles[over:begin], calm_nm)
                found += [stand for stand in sank if not _arrives(stand, level)]
                found.append(Stand(level, times[begin], times[at - 1]))
                over = at
        begin = at
    return found + _sinking(times[over:], middles[over:], calm_nm)


def _sinking(times: Sequence[int], values: Sequence[int], calm_nm: int) -> list[Stand]:
    """Return where these readings went one way from each to the next, slowly, for at least as long as a hold lasts."""
    found: list[Stand] = []
    begin = 0
    for at in range(1, len(values) + 1):
        if at < len(values):
            step, most = values[at] - values[at - 1], LEAKS_NM_PER_S * (times[at] - times[at - 1]) // 1_000_000_000
            way = values[at] - values[begin]
            if abs(step) <= calm_nm + most and (step * way >= 0 or abs(step) <= calm_nm):
                continue
        if at - begin > _LEAST_READINGS and times[at - 1] - times[begin] >= SHORT_HOLD_NS:
            found.append(Stand(values[begin], times[begin], times[at - 1], values[at - 1] - values[begin]))
        begin = at
    return found


def _arrives(sank: Stand, level_nm: int) -> bool:
    """Say whether what sank came ever more slowly to where it then stands: the end of the way there, and no leak."""
    to_come = level_nm - sank.left_nm
    return to_come * sank.went_nm >= 0 and 4 * abs(to_come) <= abs(sank.went_nm)


class Track:
    """The stands since the last stroke, oldest first."""

    __slots__ = ("_bump_ns", "_stands", "_sure")

    def __init__(self) -> None:
        self._stands: list[Stand] = []
        self._sure = True
        self._bump_ns: int | None = None

    def stood(self, stand: Stand, apart_nm: int) -> None:
        """It stood there as well; within `apart_nm` of where it stood before that is the same stand."""
        if self._bump_ns is not None:
            stand = replace(stand, from_ns=max(stand.from_ns, self._bump_ns), bumped=True)
            self._bump_ns = None
        elif self._stands and abs(self._stands[-1].left_nm - stand.level_nm) <= apart_nm:
            before = self._stands.pop()
            level = before.level_nm if before.went_nm else stand.level_nm
            stand = Stand(level, before.from_ns, stand.to_ns, stand.left_nm - level, before.bumped)
        self._stands = [*self._stands[1 - _MOST_STANDS :], stand]

    def bumped(self, t_ns: int) -> None:
        """It went the way that no stroke goes and was back at that time: it may be held there, where it was moved."""
        self._bump_ns = t_ns

    @property
    def first_way_nm(self) -> int:
        """How far and which way the first step went, 0 where there is none."""
        return self._stands[1].level_nm - self._stands[0].left_nm if len(self._stands) >= 2 else 0

    def begin(self, sure: bool) -> None:
        """A stroke is told, and the next stand is a rest; or it may be the hold of the next where that is not sure."""
        self._stands, self._sure, self._bump_ns = [], sure, None

    def passed_over(self, usual_nm: int, apart_nm: int, until_ns: int, ends_at_rest: bool) -> list[PassedOver]:
        """Return and forget the strokes among the stands until then. `usual_nm` is how far strokes go, with its way."""
        stands = [stand for stand in self._stands if stand.from_ns < until_ns]
        if len(stands) < 2 + self._sure or not usual_nm:
            return []
        found, last = strokes_among(stands, usual_nm, apart_nm, self._sure, ends_at_rest)
        if found:
            self._stands, self._sure = self._stands[last:], True
        return found


def strokes_among(
    stands: Sequence[Stand], usual_nm: int, apart_nm: int, begins_at_rest: bool, ends_at_rest: bool
) -> tuple[list[PassedOver], int]:
    """Return the strokes among these stands, and the index of the rest after the last release: which of those that
    come after it are rests, later ones may tell."""
    limit = abs(usual_nm) // _LIKE + apart_nm
    steps = [after.level_nm - before.left_nm for before, after in pairwise(stands)]
    bumped = [stand.bumped for stand in stands[1:]]
    # By label, False for rest: the price of the cheapest way there, and the labels of that way.
    cheapest: dict[bool, tuple[int, tuple[bool, ...]]] = {False: (0, (False,))}
    if not begins_at_rest:
        cheapest[True] = _HELD_FROM_THE_START, (True,)
    for step, bump in zip(steps, bumped, strict=True):
        ways: dict[bool, tuple[int, tuple[bool, ...]]] = {}
        for held in (False, True):
            ways[held] = min(
                (price + _price(step, bump, before, held, usual_nm, limit), (*labels, held))
                for before, (price, labels) in cheapest.items()
            )
        cheapest = ways
    labels = cheapest[False][1] if ends_at_rest else min(cheapest.values())[1]
    found: list[PassedOver] = []
    last = applied = 0
    for at, (before, held) in enumerate(pairwise(labels), start=1):
        if held and not before:
            applied = at
        if before and not held:
            last = at
            ways_of_it = [*steps[max(0, applied - 1) : applied], -steps[at - 1]]
            clean = [way for way in ways_of_it if abs(way - usual_nm) <= limit]
            if clean and stands[at - 1].to_ns - stands[applied].from_ns >= SHORT_HOLD_NS:
                rest_nm = stands[applied].level_nm - clean[0]
                found.append(PassedOver(rest_nm, clean[0], stands[applied].from_ns, stands[at - 1].to_ns))
    return found, last


def _price(step_nm: int, bumped: bool, before: bool, held: bool, usual_nm: int, limit_nm: int) -> int:
    as_before = abs(step_nm) <= abs(usual_nm) // 32
    if before == held:
        return 0 if as_before else _MOVE
    if bumped and held and abs(step_nm) <= limit_nm:
        return _BOTH_AS_FAR
    return 0 if abs((step_nm if held else -step_nm) - usual_nm) <= limit_nm else _BOTH
