"""A part's thickness read from an instrument's port: waits until the reading rests on a value that the part can have.

Any indicator driver will do. The instrument was zeroed before, so a thickness is the difference of two readings, as a
travel is (JCGM 100, F.2.2.1); its expanded uncertainty is given with k = 2."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import aclosing
from dataclasses import dataclass

from drivers.identify import listen_live
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.reading import LengthUnit

#: The reading rests when so many in a row agree within one step of the display over this time, which an instrument
#: that sends only at the press of its button meets with as many presses (common practice: read it three times).
_READINGS = 3
_REST_NS = 500_000_000


@dataclass(frozen=True, slots=True)
class Thickness:
    """What the instrument showed. Lengths nm; the uncertainty is expanded, 95 %, k = 2."""

    actual_nm: int
    expanded_uncertainty_nm: int
    readings: int
    unit: LengthUnit


async def read_thickness(
    url: str,
    driver: IndicatorDriver,
    settings: IndicatorSettings,
    misfit: Callable[[int], str],
    seconds: float,
) -> Thickness:
    """Return the thickness once it rests on a value for which `misfit` has no objection.

    Raises ConnectionError if the port does not open, and TimeoutError, with the last objection, after `seconds`.
    """
    run: list[tuple[int, int, LengthUnit]] = []
    objection = "no reading came; is the instrument on, and does it send by itself or at a button?"
    try:
        async with asyncio.timeout(seconds), aclosing(listen_live(url, driver, settings)) as live:
            async for t_ns, _, readings in live:
                for reading in readings:
                    if wrong := misfit(reading.value_nm):
                        run, objection = [], f"it {wrong}"
                        continue
                    objection = "the reading did not rest; hold the instrument still"
                    values = [value for _, value, _ in run] + [reading.value_nm]
                    if max(values) - min(values) > settings.resolution_nm:
                        run = []
                    run.append((t_ns, reading.value_nm, reading.unit))
                if len(run) >= _READINGS and run[-1][0] - run[0][0] >= _REST_NS:
                    break
            else:
                raise TimeoutError
    except TimeoutError as error:
        raise TimeoutError(f"no thickness from {url} in {seconds:g} s: {objection}") from error
    standard = math.hypot(math.sqrt(2) * settings.resolution_nm / math.sqrt(12), settings.max_error / math.sqrt(3))
    return Thickness(round(sum(value for _, value, _ in run) / len(run)), math.ceil(2 * standard), len(run), run[-1][2])
