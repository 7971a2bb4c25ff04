"""Finds out what an unknown indicator sends: which wire form fits, at which baud, and how surely. Keeps nothing."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncGenerator, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from pydantic import ValidationError

from drivers.indicator_port import NO_BAUD, indicator_port_at
from drivers.indicators.protocol import NM_PER_UNIT, IndicatorDriver, IndicatorSettings, Sends
from drivers.indicators.registry import driver_names, find_driver
from drivers.port_events import Chunk, Lost, Opened
from drivers.reading import LengthUnit, Reading
from drivers.registry import make_settings
from drivers.units import format_length

#: The usual first, then by how common they are on shop instruments (common practice).
BAUDS = (9600, 4800, 19200, 38400, 57600, 115200, 2400, 1200)

#: Below this a fit is not worth naming; above the other, no other baud needs trying.
_WORTH_NAMING = 0.5
_SURE = 0.95
#: More bytes than this say nothing new, and are dear to try on every wire form.
_ENOUGH_BYTES = 16_384
_SAMPLE = 5
#: A hand presses a key no quicker than this, and by so much less evenly than a clock sends (common practice).
_PRESS_APART_NS = 400_000_000
_UNEVEN = 0.1

#: No indicator reaches further, and seldom moves further between two readings (common practice).
_REACH_NM = 400_000_000
_STEP_NM = 2_000_000
#: What bytes alone cannot tell: how long a count is, or that a value which never changes is one at all.
_UNKNOWN_SCALE = 0.7
_NEVER_CHANGED = 0.9
_ALWAYS_ZERO = 0.6

#: The settings a wire form is tried with, where its defaults alone will not do; the likelier first.
_TRIALS: dict[str, tuple[dict[str, Any], ...]] = {
    "line": ({}, {"decimal": ","}),
    "counts": ({"scale": "0.01 mm"}, {"scale": "0.0005 in", "unit": "in"}),
}


@dataclass(frozen=True, slots=True)
class WireFit:
    """How well one wire form, with the settings tried, explains the bytes."""

    driver: str
    settings: dict[str, Any]
    """What was tried beyond the driver's defaults, as for `--set`."""
    readings: int
    explained: float
    """The share of the bytes that belong to readings, 0 to 1."""
    confidence: float
    """0 to 1: how far the bytes bear this wire form out. It is a score for ranking, not a probability."""
    sample: tuple[Reading, ...]
    """The newest readings, to hold against the instrument's display."""
    names_unit: bool = True
    """Whether the stream says in which unit its values are."""
    guessed_scale: bool = False
    """Whether the length of a count is a guess, which nobody gave."""
    step_nm: int = 0
    """The largest usual step of a display that all values are multiples of, nanometres; 0 for none."""
    decimals: int = 0
    """How many digits the display shows after its point."""
    values: int = 1
    """How many different values came."""

    def shown(self, reading: Reading) -> str:
        """Return a reading with the digits of the display, without a unit where the stream names none."""
        number, unit = format_length(reading.value_nm, reading.unit, self.decimals).split(" ")
        return f"{number} {unit}" if self.names_unit else number


@dataclass(frozen=True, slots=True)
class HeardAtBaud:
    """What came from a port at one baud, and the wire forms by how well they fit it."""

    baud: int
    data: bytes
    fits: tuple[WireFit, ...]
    sends: Sends = "stream"

    @property
    def confidence(self) -> float:
        """The confidence of the fit that leads, 0 if there is none."""
        return self.fits[0].confidence if self.fits else 0.0


def best(ranked: Sequence[WireFit]) -> WireFit | None:
    """Return the leading fit if it is worth naming; None means that no wire form fits."""
    return ranked[0] if ranked and ranked[0].confidence >= _WORTH_NAMING else None


def fits(data: bytes, known: Mapping[str, Any] | None = None) -> list[WireFit]:
    """Try every wire form that sends by itself on captured bytes; return those that yield readings, best first.

    `known` are settings that a person has given: a wire form that has no such setting is none.
    """
    data = data[:_ENOUGH_BYTES]
    found = []
    for name in driver_names():
        driver = find_driver(name)
        given = dict(known or {})
        trials: list[dict[str, Any]] = []
        for guess in _TRIALS.get(name, ({},)):
            if (merged := {**guess, **given}) not in trials:
                trials.append(merged)
        for values in trials:
            try:
                settings = make_settings(driver, values)
            except ValidationError:
                continue  # a wire form that cannot be tried without knowing a setting of it
            if not (driver.request(settings) or driver.typed):
                fit = _fit(driver, settings, values, data, given)
                if fit is not None:
                    found.append(fit)
    # `sorted` is stable, so of two that fit alike the one tried first leads.
    return sorted(found, key=lambda fit: -fit.confidence)


def _fit(
    driver: IndicatorDriver,
    settings: IndicatorSettings,
    values: dict[str, Any],
    data: bytes,
    given: Mapping[str, Any],
) -> WireFit | None:
    decoder = driver.decoder(settings)
    readings = [*decoder.feed(data), *decoder.finish()]
    if not readings:
        return None
    count = len(readings)
    # Listening starts and stops in the middle of a frame; what that costs is no evidence against a wire form.
    edges = 2 * len(data) / (count + 2)
    explained = 1 - decoder.skipped / len(data)
    within = 1 - max(0.0, decoder.skipped - edges) / len(data)
    confidence = within**2 * _plausible(readings) * (1 - 0.5**count)
    if len({reading.value_nm for reading in readings}) == 1:
        confidence *= _NEVER_CHANGED if readings[0].value_nm else _ALWAYS_ZERO
    guessed_scale = "scale" in values and "scale" not in given
    if guessed_scale:
        confidence *= _UNKNOWN_SCALE
    return WireFit(
        driver=driver.name,
        settings=dict(values),
        readings=count,
        explained=round(explained, 4),
        confidence=round(confidence, 4),
        sample=tuple(readings[-_SAMPLE:]),
        guessed_scale=guessed_scale,
        names_unit=_names_unit(driver, values, data, readings),
        step_nm=(step := _step_nm(readings)),
        decimals=_decimals(data, step, readings[-1].unit),
        values=len({reading.value_nm for reading in readings}),
    )


def _names_unit(driver: IndicatorDriver, values: dict[str, Any], data: bytes, readings: list[Reading]) -> bool:
    """Say whether the values stay what they are when the settings say another unit: then the stream names its own."""
    if "unit" in values or "scale" in values:
        return True
    other = driver.decoder(make_settings(driver, {**values, "unit": "in"}))
    return other.feed(data)[:1] == readings[:1]


def _step_nm(readings: list[Reading]) -> int:
    """Return the largest of the usual steps (1, 2 or 5 in a decimal place) that the values are multiples of.

    One in fifty may be no multiple: a byte was lost.
    """
    per_unit = NM_PER_UNIT[readings[-1].unit]
    for place in range(1, 6):
        for digit in (5, 2, 1):
            parts: int = 10**place
            step_nm, rest = divmod(digit * per_unit, parts)
            if rest == 0 and sum(one.value_nm % step_nm != 0 for one in readings) * 50 <= len(readings):
                return step_nm
    return 0


def decimals_of(value_nm: int, unit: LengthUnit) -> int:
    """Return how many digits after the point show a value exactly, 5 at most."""
    return next((n for n in range(5) if value_nm * 10**n % NM_PER_UNIT[unit] == 0), 5)


_MARKED = re.compile(rb"\d[.,](\d+)")


def _decimals(data: bytes, step_nm: int, unit: LengthUnit) -> int:
    """Return the digits after the point: as the text shows them, else as the display's step needs them."""
    written = [len(digits) for digits in _MARKED.findall(data)]
    if written and data.isascii():
        return max(set(written), key=written.count)
    usual = 4 if unit == "in" else 2
    needed = next((n for n in range(6) if step_nm * 10**n % NM_PER_UNIT[unit] == 0), usual) if step_nm else usual
    return max(usual, needed)


def _plausible(readings: list[Reading]) -> float:
    """Return the share of the readings that a plunger could have shown: in reach, and a short step from the last."""
    # The first may be the end of a frame whose beginning was not heard.
    whole = readings[1:] if len(readings) > 2 else readings
    good = 0
    last = whole[0]
    for reading in whole:
        good += abs(reading.value_nm) <= _REACH_NM and abs(reading.value_nm - last.value_nm) <= _STEP_NM
        last = reading
    share = good / len(whole)
    # Whole millimetres or inches only: the stream counts steps, it does not show lengths.
    if any(r.value_nm for r in whole) and all(r.value_nm % NM_PER_UNIT[r.unit] == 0 for r in whole):
        share /= 2
    return share


def how_it_sends(at_ns: Sequence[int]) -> Sends:
    """Return how an indicator sends whose bytes came at these times, nanoseconds.

    A hand at a key is slow and uneven: at most two presses a second, and never two pauses alike (common practice). A
    stream is quicker, or as even as its clock. Raises no doubt where there were fewer than three presses.
    """
    starts = [at for before, at in pairwise((at_ns[0] - _PRESS_APART_NS, *at_ns)) if at - before >= _PRESS_APART_NS / 4]
    pauses = [later - earlier for earlier, later in pairwise(starts)]
    if len(pauses) < 2 or min(pauses) < _PRESS_APART_NS:
        return "stream"
    return "on-press" if max(pauses) - min(pauses) > _UNEVEN * min(pauses) else "stream"


async def _collect(url: str, baud: int, seconds: float) -> tuple[bytes, list[int]]:
    """Return what comes from the port in `seconds` after it opens, and when each part of it came, nanoseconds; raises
    ConnectionError if it does not."""
    data, at_ns = bytearray(), []
    async with indicator_port_at(url, baud=baud) as transport:
        opened = False
        try:
            async with asyncio.timeout(None) as limit:
                async for event in transport:
                    match event:
                        case Opened() if not opened:
                            opened = True
                            limit.reschedule(asyncio.get_running_loop().time() + seconds)
                        case Chunk(t_ns=t_ns, data=chunk):
                            data += chunk
                            at_ns.append(t_ns)
                            if len(data) >= _ENOUGH_BYTES:
                                break
                        case Lost(reason=reason):
                            if opened:
                                break
                            raise ConnectionError(reason)
        except TimeoutError:
            pass
    return bytes(data), at_ns


async def survey(
    url: str,
    bauds: Iterable[int] = BAUDS,
    seconds_each: float = 2.0,
    *,
    known: Mapping[str, Any] | None = None,
    told: Callable[[int, int | None], None] = lambda baud, heard: None,
) -> list[HeardAtBaud]:
    """Listen at each baud for `seconds_each` seconds and return what was heard, the best fit first.

    `known` is as for `fits`. `told` is called with each baud before it is tried, with None, and after it with
    how many bytes came. Stops at a baud that leaves no doubt. What has no baud, such as a network socket, is listened
    to once.
    Raises ConnectionError, with what to do, if the port does not open.
    """
    heard = []
    for baud in bauds:
        told(baud, None)
        data, at_ns = await _collect(url, baud, seconds_each)
        told(baud, len(data))
        sends = how_it_sends(at_ns) if at_ns else "stream"
        heard.append(HeardAtBaud(baud, data, tuple(fits(data, known)), sends))
        if heard[-1].confidence >= _SURE or url.startswith(NO_BAUD):
            break
    return sorted(heard, key=lambda one: -one.confidence)


async def listen_live(
    url: str, driver: IndicatorDriver, settings: IndicatorSettings
) -> AsyncGenerator[tuple[int, bytes, list[Reading]], None]:
    """Yield (t_ns, bytes, readings) as they come, t_ns nanoseconds on the monotonic clock, until closed.

    When the port is lost, what the decoder held back comes with no bytes, and listening goes on once the port is
    there again. Raises ConnectionError, with what to do, if it does not open at first.
    """
    decoder = driver.decoder(settings)
    opened = False
    async with indicator_port_at(
        url,
        baud=settings.baud,
        framing=settings.framing,
        request=driver.request(settings),
        poll_interval_ns=driver.poll_interval_ns(settings),
    ) as transport:
        async for event in transport:
            match event:
                case Opened():
                    opened = True
                case Chunk(t_ns=t_ns, data=data):
                    yield t_ns, data, decoder.feed(data)
                case Lost(t_ns=t_ns, reason=reason):
                    if not opened:
                        raise ConnectionError(reason)
                    yield t_ns, b"", decoder.finish()
