"""One pack's check as a state machine: strokes in, effects out. No I/O and no clock.

Theory.
    SEATING    the first `seat_strokes` strokes settle the pack: kept and shown, not averaged; one that was cut off,
               by lost readings or by an end of the plunger, settles nothing that anybody saw, and is asked for again
    COUNTING   strokes that count are averaged until there are as many as the sheet asks for, or fewer, where it
               allows that, if they settle the verdict; strokes with a flag that spoils them are kept and shown, and
               asked for again
    EXTENDING  the sheet's count is there but the verdict is inconclusive and more strokes can settle it
    DONE       the verdict stands; further strokes are ignored

A verdict is worked out after every counted stroke from the second on, so that the screen can show where it is
heading; only the one that `Finished` carries is recorded and published. How sure a verdict must be to end the check
is in `stopping`, so that making strokes until it settles does not make it wrong more often.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace
from enum import Enum
from statistics import median_low
from typing import Final

from capture.clearance.remarks import AIR_MAY_HAVE_BEEN_ON, AIR_OFF_FIRST, SEAL_FIRST, remarks_on
from capture.clearance.stopping import Looks, choices
from capture.clearance.stroke_by_stroke import HOW_TO, HowTo
from capture.clearance.verdict import (
    COVERAGE,
    MOST_STROKES,
    MeasurementLimits,
    Remark,
    Verdict,
    VerdictWord,
    judge,
    one_look,
)
from capture.sheet.sheet import Pack
from capture.strokes.stroke import Stroke, counts
from drivers.reading import LengthUnit
from drivers.units import format_length

__all__ = ["MOST_TIMES", "Check", "CheckState", "Effect", "Finished", "StrokeKept", "judged_again"]


#: What a verdict on a play asks for, in place of a clearance's words.
_OF_PLAY: Final[dict[VerdictWord, str]] = {
    "tight": "Too little play. Change a part that gives it more, then check again.",
    "loose": "Too much play. Change a part that takes some of it, then check again.",
}
#: Numbers in one unit read as the other are this many times too large, or too small.
_INCH_IN_MM: Final = 25.4

#: A stroke that goes so many times as far as those before, or less than that part, is asked about (common practice).
_FAR_OUT: Final = 4

#: A check is extended to this many times the sheet's strokes at most.
MOST_TIMES = 3


class CheckState(Enum):
    """Where a check stands."""

    SEATING = "seating"
    COUNTING = "counting"
    EXTENDING = "extending"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class StrokeKept:
    """A stroke belongs to this check: record it. `seat` strokes are never averaged."""

    stroke: Stroke
    seat: bool
    left_out: str = ""
    """Who left it out and why, in words; empty where nobody did."""

    @property
    def counts(self) -> bool:
        """Whether it is averaged."""
        return self.stroke.accepted and not self.seat and not self.left_out


@dataclass(frozen=True, slots=True)
class Finished:
    """The check is over with this verdict: record it with the recording's hash, and publish it."""

    verdict: Verdict


Effect = StrokeKept | Finished


class Check:
    """Measures one pack once. Feed it strokes; do what it returns."""

    def __init__(
        self, pack: Pack, limits: MeasurementLimits, *, stop_when_settled: bool = True, unit: LengthUnit = "mm"
    ) -> None:
        """`stop_when_settled` ends the check as soon as the sheet's count gives a verdict; a replay that must
        judge everything a recording holds turns it off and asks `verdict` at the end. `unit` is that of remarks."""
        self.pack = pack
        self._limits = limits
        self._stop = stop_when_settled
        last = max(pack.strokes, min(MOST_STROKES, MOST_TIMES * pack.strokes))
        self.looks = Looks(pack.first_look, pack.strokes, last, 1 - COVERAGE)
        self._seated = 0
        self._left_out = 0
        self._travels: list[int] = []
        self._roundings: list[int | None] = []
        self._inferred: list[int | None] = []
        self._counted: list[Stroke] = []
        self._fell: list[Stroke] = []
        """Strokes that do not count for nothing but their fall while held."""
        self._unit = unit
        self.state = CheckState.SEATING if pack.seat_strokes else CheckState.COUNTING
        self._verdict: Verdict | None = None
        self._unjudged = False
        self.last: StrokeKept | None = None
        self.air_at_start = ""
        """What the readings say of the air when the check began, in words; empty where it was off."""
        self._unit_asked = ""
        """What to ask where the last stroke looks as if the indicator had switched its unit; else empty."""

    @property
    def verdict(self) -> Verdict | None:
        """The verdict over what counts so far, None over too little; worked out when somebody asks."""
        self._judge()
        return self._verdict

    def _judge(self) -> None:
        if self._unjudged:
            self._verdict, self._unjudged = self.judged(self._asked), False

    @property
    def counted(self) -> int:
        """How many strokes are averaged so far."""
        return len(self._travels)

    def take(self, stroke: Stroke) -> list[Effect]:
        """Take the next stroke; return what follows from it."""
        if self.state is CheckState.DONE:
            return []
        if self.state is CheckState.SEATING:
            return [self._seat(stroke)]
        self.last = StrokeKept(stroke, seat=False)
        if not stroke.accepted:
            # What falls fast enough is not held for long, whoever holds it.
            if "leak" in stroke.flags and counts([flag for flag in stroke.flags if flag != "short_hold"]):
                self._judge()  # a stroke that does not count changes nothing that was said before it
                self._fell.append(stroke)
            return [self.last]
        travel = stroke.peak_travel_nm if self.pack.measure == "peak" else stroke.held_travel_nm
        self._ask_unit(travel)
        self._travels.append(travel)
        self._roundings.append(stroke.rounding_nm)
        self._inferred.append(stroke.inferred_nm)
        self._counted.append(stroke)
        self._unjudged = True
        if not self._stop or self.counted < self.looks.first or self.verdict is None:
            return [self.last]
        undecided = self.verdict.verdict == "inconclusive"
        if undecided and self.counted < self.pack.strokes:
            return [self.last]
        # Between two looks it goes on: what the strokes promise changes with each of them.
        hopeful = self.verdict.more_strokes is not None or not self.looks.spent(self.counted)
        if undecided and hopeful and self.counted < self.looks.last:
            self.state = CheckState.EXTENDING
            return [self.last]
        if undecided:
            left = 1 - self.looks.left(self.counted) if self._left_out else self.looks.at_last(self.counted)
            final = self.judged(lambda _: left)
            if final is not None and final.verdict != "inconclusive":
                self._verdict = final
        self.state = CheckState.DONE
        return [self.last, Finished(self.verdict)]

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What the strokes so far show beside the clearance, even where too few count for a verdict."""
        if self.pack.moved_by != "air":  # what a hand moves has neither a seal nor air
            return ()
        found = remarks_on([*self._counted, *self._fell], self.pack, self._limits, self._unit)
        return (*found, Remark("air_at_start", self.air_at_start)) if self.air_at_start else found

    def judged(self, asked: Callable[[int], float]) -> Verdict | None:
        """Judge what counts so far, as sure as `asked`, and surer where strokes were left out."""

        def surer(count: int) -> float:
            return 1 - (1 - asked(count)) / choices(count, self._left_out)

        low, high = self.pack.low_nm, self.pack.high_nm
        verdict = judge(self._travels, low, high, self._limits, self._roundings, surer, self._inferred)
        if verdict is None:
            return None
        verdict = replace(verdict, remarks=self.remarks)
        if self.air_at_start == AIR_MAY_HAVE_BEEN_ON and verdict.verdict != "inconclusive":
            verdict = replace(verdict, next_step=f"{AIR_OFF_FIRST} {verdict.next_step}".strip())
        if self.pack.moved_by != "air":
            verdict = replace(verdict, next_step=_OF_PLAY.get(verdict.verdict, verdict.next_step))
        if verdict.leaks and verdict.verdict != "inconclusive":
            verdict = replace(verdict, next_step=f"{SEAL_FIRST} {verdict.next_step}".strip())
        return verdict

    def tell_air_at_start(self, text: str) -> None:
        """Take what the readings say of the air when the check began, in words; empty where it was off."""
        if self.pack.moved_by == "hand":  # there is none, and a hand may begin at either stop
            text = ""
        if text != self.air_at_start:
            self.air_at_start = text
            if self._verdict is not None and self.state is not CheckState.DONE:
                self._unjudged = True

    def leave_out(self, number: int) -> None:
        """A person knows that a stroke was wrong: it counts no longer, and another is asked for in its place.

        Raises ValueError where no such stroke counts, or the check is done.
        """
        place = next((i for i, stroke in enumerate(self._counted) if stroke.n == number), None)
        if place is None:
            raise ValueError(f"stroke {number} does not count, so it cannot be left out")
        if self.state is CheckState.DONE:
            raise ValueError("the check has come to its verdict")
        for kept in (self._counted, self._travels, self._roundings, self._inferred):
            del kept[place]
        self._left_out += 1
        self._unit_asked = ""
        if self.counted < self.pack.strokes:
            self.state = CheckState.COUNTING
        self._unjudged = True

    @property
    def _asked(self) -> Callable[[int], float]:
        """How sure the verdict must be after so many strokes."""
        if not self._stop:
            return one_look
        return self.looks.surer if self._left_out else self.looks.confidence

    def _seat(self, stroke: Stroke) -> StrokeKept:
        if not {"gap", "out_of_reach"}.isdisjoint(stroke.flags):
            self.last = StrokeKept(replace(stroke, accepted=False), seat=False)
            return self.last
        self._seated += 1
        if self._seated >= self.pack.seat_strokes:
            self.state = CheckState.COUNTING
        self.last = StrokeKept(replace(stroke, accepted=False), seat=True)
        return self.last

    def next_step(self, how: HowTo = HOW_TO["by hand"]) -> str:
        """Return the next thing for the technician to do, in words; strokes have the numbers of the list.

        Why the last stroke does not count stands beside it, in the list; here stands what must be seen to first.
        """
        if self.state is CheckState.DONE and self.verdict is not None:
            return self.verdict.next_step
        if first := self._first():
            return first
        seat = "Seat the pack" if self.pack.moved_by == "air" else "Settle it"
        if self.state is CheckState.SEATING:
            return f"{seat}: {how.seat}, {self._seated + 1} of {self.pack.seat_strokes}."
        stroke = f"Stroke {1 if self.last is None else self.last.stroke.n + 1} ({self.counted} of"
        fell = len(self._fell) > 1 and self.pack.moved_by == "air"
        if fell and self.last is not None and self.last.stroke is self._fell[-1]:
            many = f"{len(self._fell)} strokes fell away while held, and do not count"
            stroke = f"The seal leaks: {many}. Mend it first, as the maker's literature says. {stroke}"
        if self.state is CheckState.EXTENDING and self.verdict is not None:
            if self.verdict.more_strokes is None:
                following = next(count for count in self.looks.later if count > self.counted)
                return f"Too close to call yet. {stroke} {following} counted): {how.another}."
            return f"{self.verdict.next_step} {_sentence(how.another)}."
        return f"{self._far_out()}{stroke} {self.pack.strokes} counted): {how.one}."

    def _far_out(self) -> str:
        """Return a question where the newest stroke that counts went far from those before it; else nothing."""
        if len(self._travels) < 2 or self.last is None or not self.last.counts:
            return ""
        *before, newest = self._travels
        usual = median_low(before)
        if usual <= 0 or usual <= newest * _FAR_OUT <= usual * _FAR_OUT**2:
            return ""
        went, were = (format_length(nm, self._unit) for nm in (newest, usual))
        return f"Stroke {self.last.stroke.n} went {went}, those before {were}: l leaves it out if it was wrong. "

    def _ask_unit(self, travel_nm: int) -> None:
        """Look whether a travel is that of the one before, as read in the other unit."""
        self._unit_asked = ""
        if self._travels and travel_nm > 0 and self._travels[-1] > 0:
            times = travel_nm / self._travels[-1]
            if abs(max(times, 1 / times) / _INCH_IN_MM - 1) < 0.2:
                self._unit_asked = (
                    f"The last two strokes that count are {_INCH_IN_MM} to 1: did the indicator switch its unit? Set "
                    "it right, then begin the check again (r)."
                )

    def _first(self) -> str:
        """What must be seen to at the indicator before another stroke is of any use; empty for nothing."""
        if self.last is None:
            return ""
        stroke = self.last.stroke
        if "out_of_reach" in stroke.flags:
            return (
                f"Air off. Move the indicator: its plunger came near its end in stroke {stroke.n}, which may be cut "
                f"off. Then make that stroke again, as stroke {stroke.n + 1}."
            )
        if "rezeroed" in stroke.flags:
            return (
                f"The display jumped in stroke {stroke.n}: was the indicator zeroed, or did it switch its unit? Set it "
                f"right, then make that stroke again, as stroke {stroke.n + 1}."
            )
        return self._unit_asked


def judged_again(
    pack: Pack,
    limits: MeasurementLimits,
    strokes: Iterable[StrokeKept],
    left_out: Collection[int],
    unit: LengthUnit = "mm",
    had: Verdict | None = None,
) -> Verdict | None:
    """Judge a check that had its verdict anew without some of its strokes; None with fewer than two.

    What the readings said of the air at the start is kept from the verdict it `had`: strokes do not say it. With none
    left out it is what one look at all of them says. Raises ValueError as `Check.leave_out` does.
    """
    check = Check(pack, limits, stop_when_settled=False, unit=unit)
    check.air_at_start = next((one.text for one in had.remarks if one.code == "air_at_start"), "") if had else ""
    for kept in strokes:
        check.take(kept.stroke)
    if not left_out:
        return check.verdict
    looks = check.looks
    # The look that ended the check is made again.
    part = looks.spent(check.counted) or looks.spent(looks.last)
    for number in left_out:
        check.leave_out(number)
    verdict = check.judged(lambda _: 1 - part)
    if verdict is None or verdict.verdict != "inconclusive":
        return verdict
    step = f"The strokes that are left do not settle it. Check {pack.name} again."
    return replace(verdict, next_step=step, more_strokes=None)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}"
