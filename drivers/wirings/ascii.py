"""The wiring `ascii`: a microcontroller with our own line protocol, version 1; `ascii.md` beside this defines it.

A line is words, a space, two hexadecimal digits of a CRC-8, and a line feed. The host sends `shut`, `open` or `hello`;
the fixture sends `fixture 1 NAME`, `state VALVE BUTTON PRESSURE` and `fault WORDS`. Each line says a whole state and
none an edge, so a lost line is made good by the next.
"""

from __future__ import annotations

import re
from typing import Literal

from drivers.wirings.protocol import (
    Button,
    FixtureDriver,
    FixtureFault,
    FixtureSettings,
    Heartbeat,
    Pressure,
    Signal,
    Valve,
)

#: The version of the protocol that this driver speaks.
VERSION = 1
#: The most bytes a line may have, with its check value and line feed.
LONGEST_LINE = 80

_POLYNOMIAL = 0x07
_HELLO_INTERVAL_NS = 500_000_000
_STATE = re.compile(r"state (open|shut) (down|up) (-?\d{1,8}|-)")
_GREETING = re.compile(r"fixture (\d{1,4})(?: .*)?")


def _table() -> bytes:
    table = bytearray()
    for value in range(256):
        for _ in range(8):
            value = (value << 1) ^ (_POLYNOMIAL if value & 0x80 else 0)
            value &= 0xFF
        table.append(value)
    return bytes(table)


_TABLE = _table()


def check_value(data: bytes) -> int:
    """Return the CRC-8 of `data`: x^8 + x^2 + x + 1 (ITU-T I.432.1, from memory), from zero, high bit first."""
    crc = 0
    for byte in data:
        crc = _TABLE[crc ^ byte]
    return crc


def line(words: str) -> bytes:
    """Return the line that carries `words`."""
    body = words.encode("ascii")
    return b"%b %02x\n" % (body, check_value(body))


def words_of(received: bytes) -> str | None:
    """Return the words of a line without its line feed, None if it does not check. A carriage return is let pass."""
    body, space, check = received.removesuffix(b"\r").rpartition(b" ")
    if not space or check != b"%02x" % check_value(body) or not body.isascii():
        return None
    text = body.decode("ascii")
    return text if text.isprintable() else None


class AsciiSettings(FixtureSettings):
    """Settings of `ascii`."""

    sensor: Literal["fitted", "none"] = "fitted"
    """Whether the fixture measures the pressure. One that is fitted and says nothing is a fault."""


class AsciiCodec:
    """Speaks the host's side."""

    def __init__(self, settings: AsciiSettings) -> None:
        self.skipped = 0
        self._buffer = b""
        self._pressed: bool | None = None
        self._version: int | None = None
        self._too_long = False

    def feed(self, data: bytes) -> list[Signal]:
        """Take received bytes, cut anywhere; return the signals of the lines they complete."""
        signals: list[Signal] = []
        *whole, rest = (self._buffer + data).split(b"\n")
        for received in whole:
            words = None
            if not self._too_long and len(received) < LONGEST_LINE:
                words = words_of(received)
            self._too_long = False
            meant = self._meaning(words) if words is not None else None
            if meant is None:
                self.skipped += len(received) + 1
            else:
                signals += meant
        if len(rest) >= LONGEST_LINE:
            self._too_long = True
            self.skipped += len(rest)
            rest = b""
        self._buffer = rest
        return signals

    def finish(self) -> list[Signal]:
        """Drop an unfinished line; whatever is plugged in next greets anew."""
        self.skipped += len(self._buffer)
        self._buffer = b""
        self._pressed = self._version = None
        self._too_long = False
        return []

    def command(self, valve_open: bool) -> bytes:
        """Return the line that commands the valve."""
        return line("open" if valve_open else "shut")

    def poll(self) -> bytes:
        """Return the line that asks for a greeting, until there was one."""
        return line("hello") if self._version is None else b""

    def _meaning(self, words: str) -> list[Signal] | None:
        """Return what a line says, None if it says nothing that version 1 knows."""
        if greeting := _GREETING.fullmatch(words):
            self._version = int(greeting[1])
            if self._version != VERSION:
                return [
                    FixtureFault(
                        f"the fixture speaks version {self._version} of the ascii protocol, not version {VERSION}; "
                        "load the matching firmware"
                    )
                ]
            return [Heartbeat()]
        if self._version not in (None, VERSION):
            return None
        if words.startswith("fault "):
            return [FixtureFault(words.removeprefix("fault "))]
        state = _STATE.fullmatch(words)
        if state is None:
            return None
        signals: list[Signal] = [Heartbeat(), Valve(state[1] == "open")]
        pressed = state[2] == "down"
        if pressed != self._pressed:
            self._pressed = pressed
            signals.append(Button(pressed))
        if state[3] != "-":
            signals.append(Pressure(int(state[3])))
        return signals


def _hello_interval_ns(settings: AsciiSettings) -> int:
    return _HELLO_INTERVAL_NS


DRIVER = FixtureDriver(
    name="ascii",
    summary="a microcontroller with strokelog's own line protocol: valve, button, pressure, heartbeat",
    settings=AsciiSettings,
    codec=AsciiCodec,
    closes_without_daemon="the fixture's own timer, 500 ms after the last valid command",
    has_heartbeat=True,
    measures_pressure=lambda settings: settings.sensor == "fitted",
    poll_interval_ns=_hello_interval_ns,
)
