"""The port of a fixture, opened as its driver wants it. Sends nothing by itself."""

from __future__ import annotations

from drivers.transport import Transport
from drivers.wirings.protocol import FixtureDriver, FixtureSettings


def fixture_transport(driver: FixtureDriver, settings: FixtureSettings, url: str) -> Transport:
    """Return the transport of a wired fixture; raises ValueError for a driver without wiring."""
    if not driver.wired:
        raise ValueError(f"fixture driver {driver.name!r} has no wiring, so there is no port to open")
    return Transport(
        url,
        baud=settings.baud,
        framing=settings.framing,
        write_gap_ns=driver.write_gap_ns(settings),
        lines=driver.lines(settings),
    )
