"""Whether the air valve may be open: one table, the facts it is asked about, and the words for people.

Theory. The valve is open in exactly one state, APPLIED, and one cell of the table leads there.

    UNARMED    shut; where every session starts, and where disarming leads
    ARMED      shut; a person has armed, and an apply is allowed
    APPLIED    open
    TRIPPED    shut by a fault; only arming again leads out
    STOPPED    shut; the daemon is ending, and nothing leads out

An event first ages what is known (a heartbeat that comes too late must not hide that it was late), then changes
it. Every fault that is then true is looked up in the table, and the request that the event makes comes last; so a
request never outruns a fault. A request to arm is looked up as ARM where nothing stands against it and as
ARM_BARRED where something does, also in the very step in which a fault came up, since nobody can have seen it yet.

What leaves a lasting cause behind (a lost port, pressure) leaves an unarmed valve UNARMED, with the cause standing
against arming. What leaves none (an exception, a fault the fixture tells of) trips even an unarmed valve, or nobody
would learn of it; so does a valve that contradicts its command, since air may be on that nobody asked for.

No I/O and no clock: times are integer nanoseconds of one monotonic clock, pressures integer pascals gauge. This is
no safety device. The fixture needs its own relief valve and a hard-wired release.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from drivers.units import PressureUnit, format_pressure

__all__ = [
    "TABLE",
    "Alive",
    "Arm",
    "ButtonHeld",
    "Disarm",
    "ErrorRaised",
    "Event",
    "Fault",
    "FixtureBack",
    "FixtureLost",
    "FixtureTrouble",
    "HeartbeatSeen",
    "IndicatorBack",
    "IndicatorLost",
    "PressureSeen",
    "RanLate",
    "Request",
    "Safety",
    "SafetyLimits",
    "State",
    "Stop",
    "Tick",
    "ValveConfirmed",
    "WantClosed",
    "WantOpen",
]


class State(Enum):
    """Where the valve stands."""

    UNARMED = "unarmed"
    ARMED = "armed"
    APPLIED = "applied"
    TRIPPED = "tripped"
    STOPPED = "stopped"


class Request(Enum):
    """What somebody asks for."""

    ARM = "arm"
    ARM_BARRED = "arm, with something against it"
    DISARM = "disarm"
    WANT_OPEN = "want open"
    WANT_CLOSED = "want closed"
    STOP = "stop"


class Fault(Enum):
    """What may go wrong. The order is that in which causes are named to people."""

    ERROR_RAISED = "error"
    BENCH_SILENT = "bench silent"
    RAN_LATE = "ran late"
    FIXTURE_LOST = "fixture lost"
    INDICATOR_LOST = "indicator lost"
    HEARTBEAT_LOST = "heartbeat lost"
    PRESSURE_LOST = "pressure lost"
    OVER_PRESSURE = "over-pressure"
    VALVE_DISAGREES = "valve disagrees"
    APPLIED_TOO_LONG = "applied too long"
    FIXTURE_TROUBLE = "fixture trouble"


_U, _A, _O, _T, _S = State.UNARMED, State.ARMED, State.APPLIED, State.TRIPPED, State.STOPPED
#: Where each input leads, by the state it comes in.
_ROWS: tuple[tuple[Request | Fault, State, State, State, State, State], ...] = (
    # input                   from UNARMED  ARMED  APPLIED  TRIPPED  STOPPED
    (Request.ARM,                      _A,    _A,      _O,      _A,      _S),
    (Request.ARM_BARRED,               _U,    _A,      _O,      _T,      _S),
    (Request.DISARM,                   _U,    _U,      _U,      _T,      _S),
    (Request.WANT_OPEN,                _U,    _O,      _O,      _T,      _S),
    (Request.WANT_CLOSED,              _U,    _A,      _A,      _T,      _S),
    (Request.STOP,                     _S,    _S,      _S,      _S,      _S),
    (Fault.ERROR_RAISED,               _T,    _T,      _T,      _T,      _S),
    (Fault.BENCH_SILENT,               _U,    _T,      _T,      _T,      _S),
    (Fault.RAN_LATE,                   _U,    _A,      _T,      _T,      _S),
    (Fault.FIXTURE_LOST,               _U,    _T,      _T,      _T,      _S),
    (Fault.INDICATOR_LOST,             _U,    _T,      _T,      _T,      _S),
    (Fault.HEARTBEAT_LOST,             _U,    _T,      _T,      _T,      _S),
    (Fault.PRESSURE_LOST,              _U,    _T,      _T,      _T,      _S),
    (Fault.OVER_PRESSURE,              _U,    _T,      _T,      _T,      _S),
    (Fault.VALVE_DISAGREES,            _T,    _T,      _T,      _T,      _S),
    (Fault.APPLIED_TOO_LONG,           _U,    _T,      _T,      _T,      _S),
    (Fault.FIXTURE_TROUBLE,            _T,    _T,      _T,      _T,      _S),
)  # fmt: skip
TABLE: dict[tuple[State, Request | Fault], State] = {
    (state, row[0]): to for row in _ROWS for state, to in zip((_U, _A, _O, _T, _S), row[1:], strict=True)
}
"""Every state by every input; the valve is open in APPLIED only."""


# -- events ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Arm:
    """A person allows the air for this session, or again after a fault."""


@dataclass(frozen=True, slots=True)
class Disarm:
    """A person takes that back, or the session ended."""


@dataclass(frozen=True, slots=True)
class WantOpen:
    """The cycle wants air."""


@dataclass(frozen=True, slots=True)
class WantClosed:
    """The cycle wants no air."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Time went by."""


@dataclass(frozen=True, slots=True)
class Alive:
    """The bench, which the air serves, told that it is alive."""


@dataclass(frozen=True, slots=True)
class RanLate:
    """Whoever feeds this machine stood still for longer than he may, so that nobody watched the valve."""


@dataclass(frozen=True, slots=True)
class HeartbeatSeen:
    """The fixture told that it is alive."""


@dataclass(frozen=True, slots=True)
class PressureSeen:
    """The fixture measured this gauge pressure at the apply port, pascals."""

    pascals: int


@dataclass(frozen=True, slots=True)
class ValveConfirmed:
    """The fixture told what its valve does."""

    open: bool


@dataclass(frozen=True, slots=True)
class ButtonHeld:
    """The apply button went down, or came up."""

    held: bool


@dataclass(frozen=True, slots=True)
class IndicatorLost:
    """The indicator's port was lost or its stream fell silent."""


@dataclass(frozen=True, slots=True)
class IndicatorBack:
    """The indicator sends readings."""


@dataclass(frozen=True, slots=True)
class FixtureLost:
    """The fixture's port was lost."""


@dataclass(frozen=True, slots=True)
class FixtureBack:
    """The fixture's port is open."""


@dataclass(frozen=True, slots=True)
class FixtureTrouble:
    """The fixture said, in words, that something is wrong with itself."""

    text: str


@dataclass(frozen=True, slots=True)
class ErrorRaised:
    """Something in the daemon failed, said in words."""

    text: str


@dataclass(frozen=True, slots=True)
class Stop:
    """The daemon is ending: it was told to, or got SIGTERM."""


Event = (
    Arm
    | Disarm
    | WantOpen
    | WantClosed
    | Tick
    | Alive
    | RanLate
    | HeartbeatSeen
    | PressureSeen
    | ValveConfirmed
    | ButtonHeld
    | IndicatorLost
    | IndicatorBack
    | FixtureLost
    | FixtureBack
    | FixtureTrouble
    | ErrorRaised
    | Stop
)

_REQUESTS: Mapping[type, Request] = {
    Disarm: Request.DISARM,
    WantOpen: Request.WANT_OPEN,
    WantClosed: Request.WANT_CLOSED,
    Stop: Request.STOP,
}


# -- the machine -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SafetyLimits:
    """What the fixture and the bench allow. Pressure in pascals gauge, times in nanoseconds."""

    over_pressure_pa: int = 700_000
    """The valve is shut above this."""
    pressure_unit: PressureUnit = "kPa"
    """What its words are in."""
    heartbeat_ns: int | None = 500_000_000
    """Silence this long is a fault; None for a fixture that has no heartbeat."""
    pressure_ns: int | None = 700_000_000
    """A pressure this old is none any more, and its absence a fault; None for a fixture without a sensor."""
    alive_ns: int | None = 300_000_000
    """Silence of the bench this long is a fault; None where nobody has to say that he is alive."""
    max_apply_ns: int = 8_000_000_000
    """No apply lasts this long."""
    disagree_ns: int = 300_000_000
    """How long the valve may contradict its command, which takes it a while to follow."""

    def __post_init__(self) -> None:
        for name in ("over_pressure_pa", "heartbeat_ns", "pressure_ns", "alive_ns", "max_apply_ns", "disagree_ns"):
            value = getattr(self, name)
            if value is not None and value <= 0:
                raise ValueError(f"{name} is {value}; expected more than zero")


@dataclass(frozen=True, slots=True)
class Safety:
    """The machine at one moment. `take` returns the next one; command the valve as its `valve_open` says."""

    limits: SafetyLimits
    state: State = State.UNARMED
    trip: str = ""
    """Why a fault shut the valve and what to do, in words; empty unless TRIPPED."""
    now_ns: int = 0
    indicator: bool = False
    fixture: bool = False
    button_held: bool = False
    pressure_pa: int | None = None
    pressure_at_ns: int | None = None
    heartbeat_at_ns: int | None = None
    alive_at_ns: int | None = None
    confirmed_open: bool | None = None
    differs_since_ns: int | None = None
    opened_at_ns: int | None = None

    @property
    def valve_open(self) -> bool:
        """What to command the valve."""
        return self.state is State.APPLIED

    def take(self, now_ns: int, event: Event) -> Safety:
        """Return the machine after `event` at `now_ns`; a time before the last one counts as the last one."""
        now = self if now_ns <= self.now_ns else replace(self, now_ns=now_ns)
        machine, late = now._age()._fall_for_faults()
        machine, fresh = machine._note(event)._fall_for_faults()
        fault = _fault_of(event)
        if fault is not None:
            machine = machine._look_up(fault, event)
        if isinstance(event, Arm):
            barred = late or fresh or machine.against_arming()
            return machine._look_up(Request.ARM_BARRED if barred else Request.ARM)
        request = _REQUESTS.get(type(event))
        return machine if request is None else machine._look_up(request)

    def faults(self) -> tuple[Fault, ...]:
        """Return the faults that are true now; those of a moment (an error) show in `trip` only."""
        limits, now = self.limits, self.now_ns
        # In the order of `Fault`. Every event asks twice, so no table is made of it.
        asked = (
            (Fault.BENCH_SILENT, self._silent(self.alive_at_ns, limits.alive_ns)),
            (Fault.FIXTURE_LOST, not self.fixture),
            (Fault.INDICATOR_LOST, not self.indicator),
            (Fault.HEARTBEAT_LOST, self.fixture and self._silent(self.heartbeat_at_ns, limits.heartbeat_ns)),
            (Fault.PRESSURE_LOST, self.fixture and self._silent(self.pressure_at_ns, limits.pressure_ns)),
            (Fault.OVER_PRESSURE, self.pressure_pa is not None and self.pressure_pa > limits.over_pressure_pa),
            (
                Fault.VALVE_DISAGREES,
                self.differs_since_ns is not None and now - self.differs_since_ns >= limits.disagree_ns,
            ),
            (
                Fault.APPLIED_TOO_LONG,
                self.opened_at_ns is not None and now - self.opened_at_ns >= limits.max_apply_ns,
            ),
        )
        return tuple([fault for fault, true in asked if true])

    def _silent(self, at_ns: int | None, limit_ns: int | None) -> bool:
        """Whether what should come has not come for too long, or never."""
        return limit_ns is not None and (at_ns is None or self.now_ns - at_ns >= limit_ns)

    def _age(self) -> Safety:
        """Forget a pressure that is too old to hold still."""
        if self.pressure_pa is not None and self._silent(self.pressure_at_ns, self.limits.pressure_ns):
            return replace(self, pressure_pa=None)
        return self

    def against_arming(self) -> tuple[str, ...]:
        """Return in words what stands against arming now, each with what to do; empty if nothing does."""
        causes = [_words(fault, self) for fault in self.faults()]
        if self.button_held and self.fixture:  # of a fixture that is gone nobody knows its button
            causes.append("the apply button is held down. Let go of it; if nobody holds it, it sticks.")
        if self.confirmed_open and not self.valve_open and Fault.VALVE_DISAGREES not in self.faults():
            causes.append("the fixture says that its valve is still open. Wait until it is shut.")
        return tuple(causes)

    def why_not(self) -> str:
        """Return in words why the air cannot be applied now and what to do; empty if it can."""
        if self.state in (State.ARMED, State.APPLIED):
            return ""
        if self.state is State.STOPPED:
            return "The air is off: strokelog is ending. Start it again to go on."
        causes = self.against_arming()
        lines = [f"The air was shut off: {self.trip}"] if self.state is State.TRIPPED else []
        lines += [f"Cannot arm: {cause}" for cause in causes if cause != self.trip]
        if causes:
            return " ".join([*lines, "Then arm."])
        lines = lines or ["The air is off: the bench is not armed."]
        return " ".join([*lines, "Keep hands clear, then arm."])

    def _fall_for_faults(self) -> tuple[Safety, bool]:
        """Look up every fault that is true now; say whether one tripped the machine."""
        machine = self
        for fault in self.faults():
            machine = machine._look_up(fault)
        return machine, machine.state is State.TRIPPED and self.state is not State.TRIPPED

    def _look_up(self, asked: Request | Fault, event: Event | None = None) -> Safety:
        """Go where the table says, and keep the times that hang on the command in step with it."""
        state = TABLE[self.state, asked]
        opened_at = (self.opened_at_ns if self.valve_open else self.now_ns) if state is State.APPLIED else None
        trip = self.trip if state is State.TRIPPED else ""
        if isinstance(asked, Fault) and state is State.TRIPPED and self.state is not State.TRIPPED:
            trip = _words(asked, self, event)
        if (state, trip, opened_at) == (self.state, self.trip, self.opened_at_ns):
            return self
        return replace(self, state=state, trip=trip, opened_at_ns=opened_at)._compare()

    def _compare(self) -> Safety:
        """Note since when the valve contradicts its command."""
        if self.confirmed_open is None or self.confirmed_open == self.valve_open:
            return replace(self, differs_since_ns=None)
        return self if self.differs_since_ns is not None else replace(self, differs_since_ns=self.now_ns)

    def _note(self, event: Event) -> Safety:
        """Take in what the event tells of the bench."""
        match event:
            case HeartbeatSeen():
                return replace(self, heartbeat_at_ns=self.now_ns)
            case Alive():
                return replace(self, alive_at_ns=self.now_ns)
            case PressureSeen(pascals):
                return replace(self, pressure_pa=pascals, pressure_at_ns=self.now_ns)
            case ValveConfirmed(open_now):
                return replace(self, confirmed_open=open_now)._compare()
            case ButtonHeld(held):
                return replace(self, button_held=held)
            case IndicatorLost() | IndicatorBack():
                return replace(self, indicator=isinstance(event, IndicatorBack))
            case FixtureBack():
                return replace(self, fixture=True)
            case FixtureLost():
                # What it last said no longer holds, except a button held down, which is safer believed.
                return replace(
                    self,
                    fixture=False,
                    pressure_pa=None,
                    pressure_at_ns=None,
                    heartbeat_at_ns=None,
                    confirmed_open=None,
                    differs_since_ns=None,
                )
            case _:
                return self


def _fault_of(event: Event) -> Fault | None:
    """Return the fault of a moment that an event is, which no lasting fact shows."""
    if isinstance(event, ErrorRaised):
        return Fault.ERROR_RAISED
    if isinstance(event, RanLate):
        return Fault.RAN_LATE
    return Fault.FIXTURE_TROUBLE if isinstance(event, FixtureTrouble) else None


def _words(fault: Fault, machine: Safety, event: Event | None = None) -> str:
    """Return what a fault is and what to do about it; reads on after a colon."""
    limits = machine.limits
    said = event.text.strip().rstrip(".") if isinstance(event, ErrorRaised | FixtureTrouble) else ""
    match fault:
        case Fault.ERROR_RAISED:
            return f"strokelog failed ({said}). Check the air by hand before going on."
        case Fault.BENCH_SILENT:
            seconds = (limits.alive_ns or 0) / 1e9
            return f"strokelog stood still for {seconds:g} s. See what holds this computer up."
        case Fault.RAN_LATE:
            return "this computer stood still in an apply. See what holds it up."
        case Fault.FIXTURE_LOST:
            return "the air-check fixture is not connected. Check its cable and power."
        case Fault.INDICATOR_LOST:
            return (
                "no reading comes from the indicator. Check its cable, power and battery, and that what it sends can "
                "be read."
            )
        case Fault.HEARTBEAT_LOST:
            seconds = (limits.heartbeat_ns or 0) / 1e9
            return f"the fixture has not said for {seconds:g} s that it is alive. Check its power and cable."
        case Fault.PRESSURE_LOST:
            return (
                "the fixture says no pressure. Check its sensor and the sensor's cable; a fixture that has no sensor "
                "must be set up so."
            )
        case Fault.OVER_PRESSURE:
            measured = format_pressure(machine.pressure_pa or 0, limits.pressure_unit)
            allowed = format_pressure(limits.over_pressure_pa, limits.pressure_unit)
            return f"the pressure is {measured} gauge, above {allowed} gauge. Turn the regulator down."
        case Fault.VALVE_DISAGREES if machine.confirmed_open:
            return "the valve says it is open when told to shut. Shut the supply off by hand and vent it."
        case Fault.VALVE_DISAGREES:
            return "the valve says it is shut when told to open. Check its wiring and supply."
        case Fault.APPLIED_TOO_LONG:
            return f"the air was on for {limits.max_apply_ns / 1e9:g} s, the longest allowed. Let the pack rest."
        case Fault.FIXTURE_TROUBLE:
            return f"the fixture reports trouble ({said}). Put that right."
