"""The wiring `hand`: none at all. The technician opens the valve by hand and strokelog only watches the indicator."""

from __future__ import annotations

from drivers.wirings.protocol import FixtureDriver, FixtureSettings, Signal


class HandSettings(FixtureSettings):
    """Settings of `hand`: none of its own."""


class HandCodec:
    """Says nothing and is told nothing."""

    def __init__(self, settings: HandSettings) -> None:
        self.skipped = 0

    def feed(self, data: bytes) -> list[Signal]:
        """Count the bytes; there is no wire for them to come by."""
        self.skipped += len(data)
        return []

    def finish(self) -> list[Signal]:
        """Return nothing."""
        return []

    def command(self, valve_open: bool) -> bytes:
        """Return nothing: no wire reaches the valve."""
        return b""

    def poll(self) -> bytes:
        """Return nothing: there is no one to ask."""
        return b""


DRIVER = FixtureDriver(
    name="hand",
    summary="no wiring: the technician works the valve by hand",
    settings=HandSettings,
    codec=HandCodec,
    closes_without_daemon="the technician's hand; strokelog never moves this valve",
    has_heartbeat=False,
    wired=False,
    confirms_valve=False,
)
