"""The wiring `lines`: RTS or DTR of a serial port drives the valve's relay, an input line reads the button.

The kernel itself switches both outputs on for a moment, some milliseconds at most, while a port is being opened, before
any program can say otherwise. A relay that pulls in slower than that, or a delay in its supply, keeps the valve shut.
"""

from __future__ import annotations

from typing import Literal

from drivers.modem_lines import Input, ModemLines, Output, line_text
from drivers.wirings.protocol import Button, FixtureDriver, FixtureSettings, Signal, Valve

_LONGEST = 6


class LinesSettings(FixtureSettings):
    """Settings of `lines`. The valve is open while its line is on: a line falls off when a program or a port dies."""

    valve: Output = "rts"
    """The line that drives the valve's relay."""
    button: Input | Literal["none"] = "cts"
    """The line that reads the apply button."""
    pressed: Literal["on", "off"] = "on"
    """How the button's line stands while it is pressed."""


class LinesCodec:
    """Reads the texts that stand for line states."""

    def __init__(self, settings: LinesSettings) -> None:
        self.skipped = 0
        self._buffer = b""
        self._pressed: bool | None = None
        self._valve = settings.valve
        self._meaning: dict[bytes, Signal] = {
            line_text(settings.valve, False): Valve(False),
            line_text(settings.valve, True): Valve(True),
        }
        if settings.button != "none":
            for on in (False, True):
                self._meaning[line_text(settings.button, on)] = Button(on == (settings.pressed == "on"))

    def feed(self, data: bytes) -> list[Signal]:
        """Take texts, cut anywhere; return what they mean."""
        signals: list[Signal] = []
        *whole, rest = (self._buffer + data).split(b"\n")
        for text in whole:
            signal = self._meaning.get(text + b"\n")
            if signal is None:
                self.skipped += len(text) + 1
            elif isinstance(signal, Button):
                if signal.pressed != self._pressed:
                    self._pressed = signal.pressed
                    signals.append(signal)
            else:
                signals.append(signal)
        # The start of what is too long is dropped, and never its end, which leaves it too long.
        self.skipped += max(0, len(rest) - _LONGEST)
        self._buffer = rest[-_LONGEST:]
        return signals

    def finish(self) -> list[Signal]:
        """Drop an unfinished text."""
        self.skipped += len(self._buffer)
        self._buffer = b""
        self._pressed = None
        return []

    def command(self, valve_open: bool) -> bytes:
        """Return the text that sets the valve's line."""
        return line_text(self._valve, valve_open)

    def poll(self) -> bytes:
        """Return nothing: the transport watches the lines."""
        return b""


def _lines(settings: LinesSettings) -> ModemLines:
    return ModemLines(settings.valve, () if settings.button == "none" else (settings.button,))


DRIVER = FixtureDriver(
    name="lines",
    summary="RTS or DTR of a serial port drives the valve's relay, CTS, DSR, RI or CD reads the button",
    settings=LinesSettings,
    codec=LinesCodec,
    closes_without_daemon=(
        "the operating system, which switches the line off as soon as the process that holds it has ended, and a "
        "second process, which does so 200 ms after the first stood still; nothing shuts the valve if the computer "
        "itself hangs, or the serial adapter does, or both processes are stopped at once"
    ),
    has_heartbeat=False,
    confirms_valve=False,
    lines=_lines,
)
