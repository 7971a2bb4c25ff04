"""A wire form and a stroke finder in a row: timed bytes in, readings and strokes out. The live bench, a replay and
the tests all measure through this, so that they cannot differ."""

from __future__ import annotations

from typing import Any

from capture.strokes import FinderSettings, Stroke, StrokeFinder
from capture.verdict import MeasurementLimits
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.indicators.registry import find_driver, make_settings
from drivers.reading import Reading

__all__ = ["IndicatorStream", "indicator_from", "limits_of"]


def indicator_from(header: dict[str, Any]) -> tuple[IndicatorDriver, IndicatorSettings, list[str]]:
    """Return the driver and settings that a recording's header names, and the settings no such driver takes.

    A recording made elsewhere may say more about its indicator than the driver needs; that must not make it
    unreadable. Raises LookupError for an unknown driver and pydantic's ValidationError for a bad setting.
    """
    driver = find_driver(str(header["driver"]))
    known = {key: value for key, value in header.items() if key in driver.settings.model_fields}
    unknown = sorted(set(header) - set(known) - {"driver"})
    return driver, make_settings(driver, known), unknown


def limits_of(settings: IndicatorSettings) -> MeasurementLimits:
    """Return what the settings say of the indicator's uncertainty."""
    return MeasurementLimits(settings.resolution_nm, settings.max_error, settings.misalignment)


class IndicatorStream:
    """One recording's worth of an indicator: a fresh decoder and a fresh finder, fed in order."""

    def __init__(self, driver: IndicatorDriver, settings: IndicatorSettings, measure: str = "peak") -> None:
        self.decoder = driver.decoder(settings)
        self.finder = StrokeFinder(FinderSettings(settings.resolution_nm, settings.range, measure))
        self.newest: Reading | None = None

    def feed(self, t_ns: int, data: bytes) -> tuple[list[Reading], list[Stroke]]:
        """Take bytes received at `t_ns`; return the readings and the strokes they complete."""
        readings = self.decoder.feed(data)
        if readings:
            self.newest = readings[-1]
        return readings, self.finder.feed(t_ns, readings)

    def lost(self, t_ns: int) -> list[Stroke]:
        """The port was lost at `t_ns`: an unfinished frame is worthless, and a running stroke is marked."""
        strokes = self.finder.feed(t_ns, self.decoder.finish())
        self.finder.stream_lost()
        return strokes

    def finish(self, t_ns: int) -> list[Stroke]:
        """The stream is over: return the strokes that were still being held back."""
        strokes = self.finder.feed(t_ns, self.decoder.finish())
        return strokes + self.finder.finish()
