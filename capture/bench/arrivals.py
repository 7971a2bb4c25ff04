"""What the ports of a bench bring, on its way to the dial and to the check that runs. Waits for nothing.

Bytes are handed to the check's recording before anything is made of them; what comes while a check begins is its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from time import monotonic_ns

from capture.air.keeper.kept import KeptAir
from capture.air.safety import State as AirState
from capture.bench.gauge_morning import GaugeCheck
from capture.bench.running_check import RunningCheck, since
from capture.bench.setup import BenchSetup
from capture.bench.state import BenchState
from capture.bench.telling import Telling
from capture.recordings.file import RecordingError
from capture.recordings.playback import PREFIX as RECORDED
from capture.recordings.playback import open_port
from capture.recordings.stream import IndicatorStream
from capture.strokes.stroke import Stroke
from drivers.port_events import Chunk, EventPort, Lost, Opened

#: Something that came, with whether the fixture sent it.
Early = tuple[bool, Chunk | Lost]


def indicator_port(setup: BenchSetup) -> EventPort:
    """Return the indicator's port, not open yet."""
    return open_port(
        setup.port,
        baud=setup.settings.baud,
        framing=setup.settings.framing,
        request=setup.driver.request(setup.settings),
        poll_interval_ns=setup.driver.poll_interval_ns(setup.settings),
        speed=setup.speed,
    )


class Arrivals:
    """Takes what the indicator's and the fixture's port bring."""

    def __init__(
        self,
        state: BenchState,
        air: KeptAir | None,
        telling: Telling,
        found: Callable[[RunningCheck, Sequence[Stroke]], None],
        fail: Callable[[BaseException], None],
    ) -> None:
        """`found` takes the strokes that readings complete; `fail` ends the session."""
        self._state, self._air, self._telling, self._found, self._fail = state, air, telling, found, fail
        self._idle = IndicatorStream(state.setup.driver, state.setup.settings)
        self._began_ns = self._idle_from_ns = monotonic_ns()
        self.early: list[Early] | None = None
        """While a check begins: what came meanwhile and will be its."""
        self._air_was: AirState | None = None
        self.gauge_check: GaugeCheck | None = None
        """A check of the gauge itself against masters, which readings go to while it goes."""
        self.begin_port: Callable[[], None] = lambda: None
        """Called once a check begins: a port that waits for one sends from then on."""
        self.gauge_measured: Callable[[GaugeCheck], None] = lambda made: None
        """Called once that has all it measures."""

    def feeding(self) -> RunningCheck | None:
        """Return the check that what comes now belongs to."""
        running = self._state.running
        return running if running is not None and not running.measured else None

    def rest(self) -> None:
        """Readings belong to no check from now on: they are only shown."""
        self._idle = IndicatorStream(self._state.setup.driver, self._state.setup.settings)
        self._idle_from_ns = monotonic_ns()

    def measured(self, running: RunningCheck) -> None:
        """Nothing that comes now belongs to this check any more: readings are only shown."""
        if not running.measured:
            running.measured = True
            self.rest()

    def give_early(self, running: RunningCheck, early: Sequence[Early]) -> None:
        """Give a check what came while it began, and what a port that waited for it brings."""
        self.begin_port()
        for of_fixture, event in early:
            if of_fixture and isinstance(event, Chunk):
                running.feed_fixture(event.t_ns, event.data)
            elif of_fixture:
                running.fixture_lost(event.t_ns)
            elif isinstance(event, Chunk):
                self._found(running, running.feed(event.t_ns, event.data)[1])
            else:
                self._found(running, running.lost(event.t_ns))

    # -- readings ----------------------------------------------------------------------------------------

    def _now_ns(self) -> int:
        """Now on the bench's clock, which runs `speed` times as fast."""
        return since(self._began_ns, monotonic_ns(), self._state.setup.speed)

    def look_for_silence(self) -> None:
        """Say so when an open port brings no reading: a frozen number must not pass for a live one."""
        if self._state.dial.link != "up":
            return
        dial, before = self._state.dial, self._state.dial.silence
        if not dial.look(self._now_ns()):
            return
        if dial.silence and self._air is not None:
            self._air.indicator(False)
        if dial.silence != before:
            self._telling.tell_status()
            if dial.warning:
                self._telling.event(dial.warning, "")
        self._telling.changed()

    def take(self, event: Opened | Chunk | Lost) -> None:
        """Take what the indicator's port brings."""
        running, dial = self.feeding(), self._state.dial
        if self.early is not None and not isinstance(event, Opened):
            self.early.append((False, event))
        if self._air is not None and not isinstance(event, Chunk):
            self._air.indicator(False)
        if isinstance(event, Chunk):
            self._bytes(event)
        elif isinstance(event, Lost):
            dial.lost(event.reason)
            played = self._state.setup.port.startswith(RECORDED)  # which ends, and does not come back
            again = "" if played else "; it is tried again by itself, and measuring begins when it answers"
            self._telling.event(event.reason + again, "")
            if running:
                self._found(running, running.lost(event.t_ns))
            elif self.gauge_check is not None and not self.gauge_check.measured:
                self.gauge_check.lost(event.t_ns)
            self._telling.tell_status()
        else:
            dial.opened(self._now_ns())
            if self._air is not None and dial.at_press:
                self._air.indicator(True)  # it is read off before every press, and sends nothing in between
            self._telling.tell_status()
        self._telling.changed()

    def _bytes(self, event: Chunk) -> None:
        running, dial = self.feeding(), self._state.dial
        if running:
            stream = running.stream
            readings, strokes = running.feed(event.t_ns, event.data)
        elif (made := self.gauge_check) is not None and not made.measured:
            stream, strokes = made.led.stream, []
            readings = made.feed(event.t_ns, event.data)
            if made.measured:
                self.gauge_measured(made)
        else:
            stream = self._idle
            readings, strokes = stream.feed(since(self._idle_from_ns, event.t_ns, self._state.setup.speed), event.data)
        # The trace runs on through the starts and ends of checks, so it has a clock of its own.
        at_ns = since(self._began_ns, event.t_ns, self._state.setup.speed)
        if dial.take(self._now_ns(), at_ns, len(event.data), stream, readings):
            if self._air is not None:
                self._air.indicator(True)
            if dial.silence:
                self.look_for_silence()
        if running:
            self._found(running, strokes)

    # -- the fixture -------------------------------------------------------------------------------------

    def fixture_bytes(self, t_ns: int, data: bytes) -> None:
        """Take what the fixture's port brings."""
        if self.early is not None:
            self.early.append((True, Chunk(t_ns, data)))
        if running := self.feeding():
            try:
                running.feed_fixture(t_ns, data)
            except RecordingError as error:  # not the air's fault: it ends the session, and that shuts the valve
                self._fail(error)
        self.air_changed()

    def fixture_lost(self, t_ns: int) -> None:
        """The fixture's port is gone."""
        assert self._air is not None
        self._telling.event(self._air.port_text, "")
        if self.early is not None:
            self.early.append((True, Lost(t_ns, self._air.port_text)))
        if running := self.feeding():
            try:
                running.fixture_lost(t_ns)
            except RecordingError as error:
                self._fail(error)

    def air_changed(self) -> None:
        """The air stands otherwise."""
        air = self._air
        if air is None:
            return
        if air.safety.trip and self._air_was is not air.safety.state:
            self._telling.event(f"The air was shut off: {air.safety.trip}", "")
        self._air_was = air.safety.state
        self._telling.air_changed()
