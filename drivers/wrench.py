"""Reads tightenings from a torque wrench at a port. What a line means is `drivers.torque`'s, what a torque is worth is
decided by the caller."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncGenerator, Callable
from contextlib import suppress

from drivers.port_events import Chunk, Lost, Opened
from drivers.torque import LEAST_UNM, Tightenings, TorqueSettings, torque_decoder
from drivers.transport import Transport

#: How often a silence is looked at, seconds.
_LOOK_S = 0.1


async def tightenings(
    url: str,
    settings: TorqueSettings,
    *,
    wait_s: float,
    floor_unm: int = LEAST_UNM,
    opened: Callable[[], None] = lambda: None,
) -> AsyncGenerator[int, None]:
    """Yield the peak of each tightening, micronewton metres, as they are made; close it to close the port.

    `opened` is called once the port is open: what a wrench sent before is lost.

    Raises ConnectionError where the port cannot be opened or is lost, or where no tightening came for `wait_s`.
    """
    decoder, found = torque_decoder(settings), Tightenings(floor_unm)
    limit_ns = round(wait_s * 1e9)
    asked_ns = time.monotonic_ns()
    async with Transport(url, baud=settings.baud, framing=settings.framing) as transport:
        while True:
            event = None
            with suppress(TimeoutError):
                async with asyncio.timeout(_LOOK_S):
                    event = await anext(transport)
            if isinstance(event, Lost):
                raise ConnectionError(event.reason)
            if isinstance(event, Opened):
                opened()
            peaks = []
            if isinstance(event, Chunk):
                for torque in decoder.feed(event.data):
                    peaks += found.take(event.t_ns, torque.torque_unm)
            else:
                peaks += found.wait(time.monotonic_ns())
            for peak in peaks:
                yield peak
                asked_ns = time.monotonic_ns()
            if time.monotonic_ns() - asked_ns > limit_ns:
                raise ConnectionError(_silent(url, wait_s, decoder.skipped))


def _silent(url: str, wait_s: float, skipped: int) -> str:
    if skipped:
        return (
            f"no tightening came from {url} in {wait_s:g} s, but {skipped} bytes that are no torque; expected lines "
            "such as 'TQ +35.2 in-lb'. Check the baud rate, and give the unit if the wrench sends none"
        )
    return f"no tightening came from {url} in {wait_s:g} s; check that the wrench is on and sends its values"
