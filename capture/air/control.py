"""The air-check fixture at work: its port, the valve's safety and the button's cycle, wired together in real time.

It decides nothing itself: `safety` says whether the valve may be open and `cycle` when air is wanted. Every received
signal goes to both before anything else is done with it, the command is repeated as this side's heartbeat, and
whatever ends this part, an exception included, the last thing sent is the command to shut.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from time import monotonic_ns

from capture.air import button
from capture.air.safety import (
    Alive,
    Arm,
    ButtonHeld,
    Disarm,
    ErrorRaised,
    Event,
    FixtureBack,
    FixtureLost,
    FixtureTrouble,
    HeartbeatSeen,
    IndicatorBack,
    IndicatorLost,
    PressureSeen,
    RanLate,
    Safety,
    State,
    Stop,
    Tick,
    ValveConfirmed,
    WantClosed,
    WantOpen,
)
from capture.air.standing import Air, FixtureSetup
from drivers.port_events import Chunk, Lost, Opened
from drivers.transport import Transport
from drivers.wirings.protocol import (
    COMMAND_INTERVAL_NS,
    Button,
    FixtureFault,
    Heartbeat,
    Pressure,
    Signal,
    Valve,
)
from drivers.wirings.wiring import fixture_transport

_TICK_S = 0.005
#: Ticks further apart than this mean that nobody watched the valve meanwhile.
_LATE_NS = 150_000_000


def _shown(safety: Safety) -> tuple[object, ...]:
    """What a person can see of the safety: when it changes, the screen must."""
    return (safety.state, safety.pressure_pa, safety.confirmed_open, safety.button_held, safety.faults())


class AirControl(Air):
    """Drives one fixture. Run `run()` as a task; tell it what else happens on the bench from the same loop."""

    def __init__(
        self,
        setup: FixtureSetup,
        *,
        on_bytes: Callable[[int, bytes], None],
        on_lost: Callable[[int], None],
        on_change: Callable[[], None],
    ) -> None:
        """`on_bytes` is given what was received and when (monotonic ns), after the valve has been seen to; `on_lost` is
        told of a lost port; `on_change` is called when anything shown may differ. None of them can be waited for: what
        they begin must not stand between the next signal and the valve."""
        super().__init__(setup)
        self._on_bytes = on_bytes
        self._on_lost = on_lost
        self._on_change = on_change
        self._codec = setup.driver.codec(setup.settings)
        self._cycle: button.Cycle | None = None
        self._button_down = False
        self._transport: Transport | None = None
        self._open = False
        self._sent_open: bool | None = None
        self._sent_ns = 0
        self._polled_ns = 0

    # -- what the bench tells ----------------------------------------------------------------------------

    def alive(self) -> None:
        """The bench is alive. Unless it says so again and again there is no air."""
        self._take(Alive())

    def arm(self) -> None:
        """A person allows the air, or again after a fault. Refused, in words, while something stands against it."""
        if self.safety.fixture and not self.button_known:
            self.said = "Cannot arm: the fixture has not said yet how its button stands. Check the button's wiring."
            self._on_change()
            return
        self.said = self.in_vain = ""
        self._take(Arm())

    def disarm(self) -> None:
        """A person takes that back."""
        self.in_vain = ""
        self._take(Disarm())

    def indicator(self, sends: bool) -> None:
        """The indicator sends readings, or has stopped to."""
        if sends != self.safety.indicator:
            self._take(IndicatorBack() if sends else IndicatorLost())

    def begin_check(self, strokes: button.StrokesToMake) -> None:
        """A check begins: the button works for it."""
        self._cycle_takes(button.AirGone("another check began."))
        self._cycle = button.Cycle(
            self.setup.way, strokes, now_ns=monotonic_ns(), button_down=self._button_down or not self.button_known
        )
        self.said = ""
        self._on_change()

    def end_check(self, why: str) -> None:
        """The check is over: no air is wanted any more."""
        self._cycle_takes(button.AirGone(why))
        self._cycle = None

    def stroke(self, *, counts: bool, seats: bool) -> None:
        """A stroke was found; `counts` says whether it is averaged, `seats` whether it settled the pack."""
        self._cycle_takes(button.StrokeCompleted(counts, seats))

    def settled(self) -> None:
        """The verdict stands."""
        self._cycle_takes(button.VerdictSettled())

    # -- what follows ------------------------------------------------------------------------------------

    def _take(self, event: Event) -> None:
        """Tell the safety, and act on what it says at once: the command goes out before anything else is done."""
        before, now_ns = self.safety, monotonic_ns()
        self.safety = before.take(now_ns, event)
        self._command(now_ns)
        after = self.safety
        ready = (State.ARMED, State.APPLIED)
        if after.state not in ready and before.state in ready:
            self._cycle_takes(button.AirGone(after.trip or after.why_not()))
        if _shown(before) != _shown(after):
            self._on_change()

    def _cycle_takes(self, event: button.Event) -> None:
        """Tell the button's cycle, if there is one, and do what it wants."""
        cycle = self._cycle
        if cycle is None:
            return
        for action in cycle.take(monotonic_ns(), event):
            if isinstance(action, button.Say):
                self.said = action.text
                self._on_change()
            else:
                self._take(WantOpen() if isinstance(action, button.AskForAir) else WantClosed())
        makes_strokes = self.setup.way == "press" and cycle.phase is not button.Phase.READY
        if makes_strokes != self.makes_strokes:
            self.makes_strokes = makes_strokes
            self._on_change()
        if cycle.wants_open and not self.safety.valve_open:
            self._cycle_takes(button.AirGone(self.safety.trip or self.safety.why_not()))

    def _signal(self, signal: Signal) -> None:
        match signal:
            case Heartbeat():
                self._take(HeartbeatSeen())
            case Valve(open=is_open):
                # Where the fixture only repeats our own command, that confirms nothing.
                if self.setup.driver.confirms_valve:
                    self._take(ValveConfirmed(is_open))
            case Pressure(pascals=pascals):
                self._take(PressureSeen(pascals))
            case FixtureFault(text=text):
                self._take(FixtureTrouble(text))
            case Button(pressed=pressed):
                in_vain = pressed and not self._button_down and self.button_known
                self._button_down = pressed
                self._take(ButtonHeld(pressed))
                # The first word of a button after a port opens says how it stands, and is no press.
                if self.button_known or not pressed:
                    self._cycle_takes(button.ButtonEdge(pressed))
                if in_vain:
                    self._tell_in_vain()
                if not self.button_known:
                    self.button_known = True
                    self._on_change()

    def _tell_in_vain(self) -> None:
        """Say of a press that nothing follows from it, while nothing can; nor does anything once the air is armed."""
        if not self.may_come:
            self.in_vain = "The button does nothing: the air is not armed."
            self._cycle_takes(button.AirGone(self.in_vain))
        elif self._cycle is None:
            self.said = "The button does nothing: no check is running. Begin one first."
        self._on_change()

    # -- the port ----------------------------------------------------------------------------------------

    def _command(self, decided_ns: int) -> None:
        """Send the command if it changed or is due to be repeated. A port that is gone takes none.

        It is as old as the decision: a process that was stopped between the two would otherwise open, once it goes on,
        a valve that its fixture has shut meanwhile.
        """
        is_open = self.safety.valve_open
        if self._transport is None or not self._open:
            return
        if is_open == self._sent_open and decided_ns - self._sent_ns < COMMAND_INTERVAL_NS:
            return
        try:
            self._transport.write(self._codec.command(is_open), decided_ns=decided_ns)
        except ConnectionError:
            self._sent_open = None
            return
        self._sent_open, self._sent_ns = is_open, decided_ns

    def _poll(self) -> None:
        interval_ns = self.setup.driver.poll_interval_ns(self.setup.settings)
        now_ns = monotonic_ns()
        if not interval_ns or now_ns - self._polled_ns < interval_ns or self._transport is None or not self._open:
            return
        self._polled_ns = now_ns
        request = self._codec.poll()
        if request:
            try:
                self._transport.write(request)
            except ConnectionError:
                return

    async def run(self) -> None:
        """Drive the fixture until cancelled. However this ends, the valve is told to shut first."""
        transport = fixture_transport(self.setup.driver, self.setup.settings, self.setup.port)
        self._transport = transport
        try:
            async with transport, asyncio.TaskGroup() as tasks:
                tasks.create_task(self._tick(transport))
                async for event in transport:
                    self._port_event(event)
        except asyncio.CancelledError:
            raise
        except BaseException as error:
            self._take(ErrorRaised(str(error) or type(error).__name__))
            raise
        finally:
            self._transport = None

    async def _tick(self, transport: Transport) -> None:
        try:
            last_ns = monotonic_ns()
            while True:
                now_ns = monotonic_ns()
                self._take(RanLate() if now_ns - last_ns > _LATE_NS else Tick())
                last_ns = now_ns
                self._cycle_takes(button.TimePassed())
                self._poll()
                transport.beat()
                await asyncio.sleep(_TICK_S)
        finally:
            # Inside the transport's block, so that this last command is flushed before the port closes.
            self._take(Stop())

    def _port_event(self, event: Opened | Chunk | Lost) -> None:
        if isinstance(event, Chunk):
            for signal in self._codec.feed(event.data):
                self._signal(signal)
            self._on_bytes(event.t_ns, event.data)
            return
        self.button_known = False
        if isinstance(event, Opened):
            self._open, self._sent_open, self.port_text = True, None, ""
            self._take(FixtureBack())
        else:
            self._open, self.port_text = False, event.reason
            self._codec.finish()
            self._take(FixtureLost())
            # Nothing follows from a button that nobody hears; what it did last is no claim about it now.
            self._cycle_takes(button.AirGone("the fixture was lost."))
            self._cycle_takes(button.ButtonEdge(False))
            self._button_down = False
            self._on_lost(event.t_ns)
        self._on_change()
