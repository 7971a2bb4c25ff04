"""A wire form and a stroke finder in a row, with the fixture's word beside them: timed bytes in, readings and strokes
out. The live bench, a replay and the tests all measure through this, so that they cannot differ."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from capture.air.pressure import HeldPressure, PressureWatch
from capture.clearance.gauge.error_found import found_in
from capture.clearance.verdict import MeasurementLimits
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.single_values import SingleValueFinder
from capture.strokes.stroke import FLAGS, Stroke, counts
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.indicators.registry import find_driver
from drivers.reading import Reading
from drivers.registry import make_settings
from drivers.units import PressureUnit
from drivers.wirings.protocol import FixtureDriver, FixtureSettings, Pressure, Signal, Valve
from drivers.wirings.registry import find_driver as find_fixture


def indicator_from(header: dict[str, Any]) -> tuple[IndicatorDriver, IndicatorSettings, list[str]]:
    """Return the driver and settings that a recording's header names, and the settings no such driver takes.

    A recording made elsewhere may say more about its indicator than the driver needs; that must not make it
    unreadable. Raises LookupError for an unknown driver and pydantic's ValidationError for a bad setting.
    """
    driver = find_driver(str(header["driver"]))
    known = {key: value for key, value in header.items() if key in driver.settings.model_fields}
    unknown = sorted(set(header) - set(known) - {"driver"})
    return driver, make_settings(driver, known), unknown


def limits_of(settings: IndicatorSettings, gauge: Mapping[str, Any] | None = None) -> MeasurementLimits:
    """Return what the settings say of the indicator's uncertainty, and what is kept of the gauge's check, if anything.

    Raises TypeError, KeyError or ValueError for what is no kept check.
    """
    return MeasurementLimits(
        settings.resolution_nm,
        settings.max_error,
        settings.misalignment,
        settings.hysteresis,
        found_in(gauge),
        settings.reading_error_nm,
    )


def fixture_from(header: dict[str, Any]) -> tuple[FixtureDriver, FixtureSettings]:
    """Return the fixture driver and settings that a recording's header names.

    Raises LookupError for an unknown driver and pydantic's ValidationError for a bad setting.
    """
    driver = find_fixture(str(header.get("driver", "")))
    known = {key: value for key, value in header.items() if key in driver.settings.model_fields}
    return driver, make_settings(driver, known)


class FixtureStream:
    """One recording's worth of a fixture: a fresh codec, and what the air did while the valve was open."""

    def __init__(
        self,
        driver: FixtureDriver,
        settings: FixtureSettings,
        window_pa: tuple[int, int] | None = None,
        unit: PressureUnit = "kPa",
    ) -> None:
        """`window_pa` is the sheet's lowest and highest gauge pressure, None where it names none; `unit` is what is
        said of pressures in."""
        self.codec = driver.codec(settings)
        self.watch = PressureWatch(window_pa, unit)
        self.valve_open = False
        self.pressure_pa: int | None = None
        self.held: HeldPressure | None = None
        """What the newest hold was like."""


class IndicatorStream:
    """One recording's worth of a bench: a fresh decoder and a fresh finder, fed in order, and the fixture if any."""

    def __init__(
        self,
        driver: IndicatorDriver,
        settings: IndicatorSettings,
        measure: str = "peak",
        fixture: FixtureStream | None = None,
        *,
        finder: Callable[[FinderSettings], StrokeFinder] = StrokeFinder,
    ) -> None:
        self.decoder = driver.decoder(settings)
        needs = FinderSettings(settings.resolution_nm, settings.range, measure)
        self.finder: StrokeFinder | SingleValueFinder = (
            SingleValueFinder(needs) if settings.sends == "on-press" else finder(needs)
        )
        self.moving = self.finder if isinstance(self.finder, StrokeFinder) else None
        """The finder, where the indicator shows how the pack moves."""
        self.newest: Reading | None = None
        self.fixture = fixture
        self._measure = measure

    def feed_fixture(self, t_ns: int, data: bytes) -> None:
        """Take the fixture's bytes received at `t_ns`: the valve is a trigger, the pressure belongs to the stroke."""
        self.follow_fixture(t_ns, self.heard(data))

    def heard(self, data: bytes) -> list[Signal]:
        """Return what the fixture's bytes say, of which nothing has come of yet."""
        return self.fixture.codec.feed(data) if self.fixture is not None else []

    def turns_valve(self, signals: Sequence[Signal]) -> bool:
        """Say whether one of these tells of a valve that was turned."""
        fixture = self.fixture
        return fixture is not None and any(
            isinstance(signal, Valve) and signal.open != fixture.valve_open for signal in signals
        )

    def follow_fixture(self, t_ns: int, signals: Sequence[Signal]) -> None:
        """Do what follows from what the fixture said at `t_ns`."""
        fixture = self.fixture
        if fixture is None:
            return
        for signal in signals:
            if isinstance(signal, Pressure):
                fixture.pressure_pa = signal.pascals
                fixture.watch.feed(t_ns, signal.pascals)
            elif isinstance(signal, Valve) and signal.open != fixture.valve_open:
                fixture.valve_open = signal.open
                self.finder.trigger(t_ns, signal.open)
                if signal.open:
                    fixture.held = None
                    fixture.watch.applied(t_ns)
                else:
                    fixture.held = fixture.watch.released(t_ns)

    @property
    def air_may_have_been_on(self) -> bool:
        """Whether the strokes so far look as if the air had been on at the start."""
        return self.moving is not None and self.moving.air_may_have_been_on

    def deny_air(self) -> None:
        """A person who was there says that the air was off at the start."""
        if self.moving is not None:
            self.moving.deny_air()

    def fixture_lost(self, t_ns: int) -> None:
        """The fixture's port was lost at `t_ns`: nothing says any more what its valve does."""
        if self.fixture is not None:
            self.fixture.codec.finish()
            if isinstance(self.finder, SingleValueFinder):
                self.finder.air_unknown()
            if self.fixture.valve_open:
                self.fixture.valve_open = False
                self.fixture.held = self.fixture.watch.released(t_ns)

    def with_air(self, strokes: list[Stroke]) -> list[Stroke]:
        """Flag the strokes that were made outside the sheet's pressure."""
        if self.fixture is None:
            return strokes
        judged = []
        for stroke in strokes:
            holds = self.fixture.watch.during(stroke.start_ns, stroke.end_ns)
            raised = {*stroke.flags, *(flag for hold in holds for flag in hold.flags)}
            flags = tuple(flag for flag in FLAGS if flag in raised)
            lows = [hold.min_pa for hold in holds if hold.min_pa is not None]
            highs = [hold.max_pa for hold in holds if hold.max_pa is not None]
            leaks = [rate for hold in holds if (rate := hold.leak_down_pa_per_s) is not None]
            judged.append(
                replace(
                    stroke,
                    flags=flags,
                    accepted=counts(flags, self._measure),
                    pressure_min_pa=min(lows, default=None),
                    pressure_max_pa=max(highs, default=None),
                    leak_down_pa_per_s=max(leaks, default=None),
                )
            )
        return judged

    def feed(self, t_ns: int, data: bytes) -> tuple[list[Reading], list[Stroke]]:
        """Take bytes received at `t_ns`; return the readings and the strokes they complete."""
        readings = self.decoder.feed(data)
        if readings:
            self.newest = readings[-1]
        return readings, self.with_air(self.finder.feed(t_ns, readings))

    def lost(self, t_ns: int) -> list[Stroke]:
        """The port was lost at `t_ns`: an unfinished frame is worthless, and a running stroke is marked."""
        strokes = self.with_air(self.finder.feed(t_ns, self.decoder.finish()))
        self.finder.stream_lost()
        return strokes

    def finish(self, t_ns: int) -> list[Stroke]:
        """The stream is over: return the strokes that were still being held back."""
        strokes = self.finder.feed(t_ns, self.decoder.finish())
        return self.with_air(strokes + self.finder.finish())
