"""The apply button and the clock in; when air is wanted out. Whether air may be had is decided in `safety`.

Theory. Two ways to work. In `hold` the valve follows the debounced button. In `press` one short press runs the
whole check, and the cycle is in one of three phases:

    READY      no air wanted. A press that was let go again in good time starts the run
    APPLYING   air wanted, for the apply dwell
    RESTING    no air, for the release dwell and until the stroke just made has been found

    after RESTING, on a tick       what follows
    the verdict stands             READY: the run ends, early or late
    no stroke was found            READY: the run ends, for air without travel is a fault to look for
    strokes still to make          APPLYING: seat strokes, then counted ones, then more while it is undecided
    the sheet's most is made       READY: the run ends undecided

Opening is slow and closing is quick. A run starts when the button comes up, so that a button that sticks cannot
start one and the hand is on its way out; while a run is on, the very first edge down ends it, undebounced, because a
stop that was not meant costs one stroke. Only a tick ever opens the valve, so that an event heard late cannot. A
button that is down when nothing may follow from it (at the start, after the longest hold, after a stop) does nothing
until it has been up.

No I/O and no clock: times are integer nanoseconds of one monotonic clock, and no apply outlasts `max_apply_ns`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

__all__ = [
    "Action",
    "AirGone",
    "AskForAir",
    "AskForNoAir",
    "ButtonEdge",
    "Cycle",
    "CycleTimes",
    "Event",
    "Phase",
    "Say",
    "StrokeCompleted",
    "StrokesToMake",
    "TimePassed",
    "VerdictSettled",
]


@dataclass(frozen=True, slots=True)
class ButtonEdge:
    """The apply button went down or up, as received; said twice, it changes nothing."""

    pressed: bool


@dataclass(frozen=True, slots=True)
class TimePassed:
    """Time went by. Ticks must come at least every few hundredths of a second."""


@dataclass(frozen=True, slots=True)
class StrokeCompleted:
    """A stroke was found; `counts` says whether it is averaged, `seats` whether it settled the pack; a spoiled one does
    neither."""

    counts: bool
    seats: bool


@dataclass(frozen=True, slots=True)
class VerdictSettled:
    """The check is done: no more strokes are needed, or none would help."""


@dataclass(frozen=True, slots=True)
class AirGone:
    """Air is not to be had any more, with the reason in words: a fault, disarming, or the check was left."""

    reason: str


Event = ButtonEdge | TimePassed | StrokeCompleted | VerdictSettled | AirGone


@dataclass(frozen=True, slots=True)
class AskForAir:
    """Ask the safety for air."""


@dataclass(frozen=True, slots=True)
class AskForNoAir:
    """Ask for none."""


@dataclass(frozen=True, slots=True)
class Say:
    """Tell the technician this."""

    text: str


Action = AskForAir | AskForNoAir | Say

_DONE = "This check is done. Go on to the next pack before applying air."


class Phase(Enum):
    """Where a cycle is. In `hold` it is APPLYING while air is wanted, READY otherwise."""

    READY = "ready"
    APPLYING = "applying"
    RESTING = "resting"


@dataclass(frozen=True, slots=True)
class CycleTimes:
    """How long everything takes, nanoseconds."""

    debounce_ns: int = 20_000_000
    """A contact that holds this long means it (common practice: contacts bounce for some milliseconds)."""
    long_press_ns: int = 1_000_000_000
    """A press longer than this starts no run: somebody leans on the button, or expects it to follow the hand."""
    stuck_ns: int = 5_000_000_000
    """A button down this long without a run is said to stick."""
    apply_ns: int = 1_500_000_000
    release_ns: int = 1_500_000_000
    find_ns: int = 4_000_000_000
    """How long after the release a stroke may take to be found; the piston may return slowly."""
    max_apply_ns: int = 7_000_000_000
    """Keep it below the safety's limit, where a valve still open is a fault that a person must clear."""

    def __post_init__(self) -> None:
        for name in ("debounce_ns", "long_press_ns", "stuck_ns", "apply_ns", "release_ns", "find_ns", "max_apply_ns"):
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} is {getattr(self, name)}; expected more than zero")
        if self.apply_ns > self.max_apply_ns:
            raise ValueError(f"apply_ns is {self.apply_ns}; expected no more than max_apply_ns, {self.max_apply_ns}")
        if not self.debounce_ns < self.long_press_ns <= self.stuck_ns:
            raise ValueError("expected debounce_ns < long_press_ns <= stuck_ns")


@dataclass(frozen=True, slots=True)
class StrokesToMake:
    """How many strokes the sheet asks for: to seat, to count, and to count at most while it is undecided."""

    seat: int
    count: int
    most: int

    def __post_init__(self) -> None:
        if self.seat < 0 or not 0 < self.count <= self.most:
            raise ValueError(f"{self}: expected no negative seat and 0 < count <= most")


class Cycle:
    """Works the valve for one check. Feed it events in order of time; do what it returns, in order."""

    def __init__(
        self,
        way: Literal["hold", "press"],
        strokes: StrokesToMake,
        times: CycleTimes | None = None,
        *,
        now_ns: int,
        button_down: bool = False,
    ) -> None:
        """`button_down` is what the fixture last said of its button, so that one held from before starts nothing."""
        self._way = way
        self._strokes = strokes
        self._times = CycleTimes() if times is None else times
        self.phase = Phase.READY
        self._phase_ns = now_ns
        # The button: as received and since when, then what has been made of it.
        self._raw = self._down = button_down
        self._raw_ns = now_ns
        self._down_ns = now_ns
        self._spent = self._down_at_start = button_down
        self._told_stuck = False
        # The check: what has been made, and the run that makes it.
        self._seated = self._counted = self._applies = 0
        self._found = self._settled = False
        self._said: list[Action] = []

    @property
    def wants_open(self) -> bool:
        """Whether air is wanted."""
        return self.phase is Phase.APPLYING

    def take(self, now_ns: int, event: Event) -> list[Action]:
        """Take what happened at `now_ns`; return what follows from it."""
        self._said = []
        if self.wants_open and now_ns - self._phase_ns >= self._times.max_apply_ns:
            self._spent = self._down
            seconds = self._times.max_apply_ns / 1e9
            self._end(now_ns, f"Air off: it was on for {seconds:g} s, the longest hold. Let go of the button.")
        self._debounce(now_ns)
        match event:
            case ButtonEdge(pressed):
                self._edge(now_ns, pressed)
            case StrokeCompleted(counts, seats):
                self._count(counts, seats)
            case VerdictSettled():
                self._settled = True
                self._end(now_ns, f"The verdict stands after {self._counted} counted strokes.")
            case AirGone(reason):
                self._spent = self._raw or self._down
                self._end(now_ns, f"Air off: {reason}")
            case TimePassed():
                if self._way == "press":
                    self._run(now_ns)
                elif self._down and self._raw and not self._spent and self.phase is Phase.READY:
                    self._follow(now_ns)
        self._tell_stuck(now_ns)
        return self._said

    # -- the button --------------------------------------------------------------------------------------

    def _edge(self, now_ns: int, pressed: bool) -> None:
        if pressed == self._raw:
            return
        self._raw, self._raw_ns = pressed, now_ns
        if pressed and self._way == "press" and self.phase is not Phase.READY:
            self._spent = True
            self._end(now_ns, "Stopped: the button was pressed again. Press once more to start over.")

    def _debounce(self, now_ns: int) -> None:
        """Believe the button once it has held still."""
        if now_ns - self._raw_ns < self._times.debounce_ns:
            return
        was, self._down = self._down, self._raw
        if self._down and not was:
            self._down_ns = self._raw_ns
        elif not self._down:
            if was and not self._spent:
                self._let_go(now_ns)
            self._spent = self._told_stuck = self._down_at_start = False

    def _follow(self, now_ns: int) -> None:
        """The button went down and air may follow it."""
        if self._settled:
            self._spent = True
            self._say(_DONE)
        else:
            self._enter(Phase.APPLYING, now_ns)

    def _let_go(self, now_ns: int) -> None:
        """The button came up from a press that still meant something."""
        if self._way == "hold":
            self._end(now_ns, "")
        elif self._settled:
            self._say(_DONE)
        elif self._raw_ns - self._down_ns >= self._times.long_press_ns:
            self._say("That press was too long to start a run. Press the button briefly.")
        else:
            self._applies = 0
            self._found = True
            self._say("Hands clear: the run starts. Press again to stop it at once.")
            # As at the end of a rest whose stroke was found, so that the next tick makes the first apply.
            self._enter(Phase.RESTING, now_ns - self._times.release_ns)

    def _tell_stuck(self, now_ns: int) -> None:
        """Say once that the button is down and nothing will follow until it has been up."""
        if not self._down or self._told_stuck or self.wants_open:
            return
        if self._down_at_start:
            self._told_stuck = True
            self._say("The apply button is down already. Let go of it; nothing happens until it has been up.")
        elif now_ns - self._down_ns >= self._times.stuck_ns:
            self._spent = self._told_stuck = True
            seconds = self._times.stuck_ns / 1e9
            self._say(f"The apply button has been down for {seconds:g} s. Let go of it; if nobody holds it, it sticks.")

    # -- the run -----------------------------------------------------------------------------------------

    def _count(self, counts: bool, seats: bool) -> None:
        self._found = True
        self._counted += counts
        self._seated += seats

    def _run(self, now_ns: int) -> None:
        """Go on with a run whose dwell is over."""
        spent_ns = now_ns - self._phase_ns
        if self.phase is Phase.APPLYING and spent_ns >= self._times.apply_ns:
            self._enter(Phase.RESTING, now_ns)
        elif self.phase is Phase.RESTING and spent_ns >= self._times.release_ns:
            if self._found:
                self._next(now_ns)
            elif spent_ns >= self._times.find_ns:
                self._end(
                    now_ns,
                    "Stopped: air was applied and no stroke was seen. Check the air hose, the indicator's plunger "
                    "and that the piston moves, then press again.",
                )

    def _next(self, now_ns: int) -> None:
        """Make the next stroke, or say why there is none."""
        strokes, n = self._strokes, self._counted + 1
        if self._counted >= strokes.most or self._applies >= strokes.seat + strokes.most:
            self._end(now_ns, f"Stopped undecided: {self._applies} applies are as many as the sheet allows in a run.")
            return
        if self._seated < strokes.seat:
            self._say(f"Seat stroke {self._seated + 1} of {strokes.seat}.")
        elif n <= strokes.count:
            self._say(f"Stroke {n} of {strokes.count}.")
        else:
            self._say(f"Undecided after {self._counted} strokes: stroke {n} of at most {strokes.most}.")
        self._applies += 1
        self._found = False
        self._enter(Phase.APPLYING, now_ns)

    # -- what follows ------------------------------------------------------------------------------------

    def _say(self, text: str) -> None:
        self._said.append(Say(text))

    def _enter(self, phase: Phase, now_ns: int) -> None:
        was_open = self.wants_open
        self.phase, self._phase_ns = phase, now_ns
        if self.wants_open != was_open:
            self._said.append(AskForAir() if self.wants_open else AskForNoAir())

    def _end(self, now_ns: int, why: str) -> None:
        """Close at once and be ready; say why if there was anything to end."""
        if self.phase is Phase.READY:
            return
        self._enter(Phase.READY, now_ns)
        if why:
            self._say(why)
