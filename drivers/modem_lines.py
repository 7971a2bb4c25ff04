"""A serial port's modem control lines as wires: one output, some inputs, and the texts that stand for them.

No byte crosses such a port. What a line does is written as a line of ASCII, its name, `=`, 1 for on or 0 for off:
`rts=1` sets the output, `cts=0` says that an input went off. So lines are recorded and replayed like any stream.
The output's own setting is reported too, once it was made.
"""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from typing import Literal

import serial

Output = Literal["rts", "dtr"]
Input = Literal["cts", "dsr", "ri", "cd"]

#: How often the inputs are looked at, seconds. A change counts when two looks in succession agree, so that a bouncing
#: contact is one change and not many.
SETTLE_S = 0.005


@dataclass(frozen=True, slots=True)
class ModemLines:
    """Which lines of the port are used."""

    output: Output
    inputs: tuple[Input, ...] = ()


def line_text(name: str, on: bool) -> bytes:
    """Return the text that says that a line is on or off."""
    return f"{name}={int(on)}\n".encode()


def parse_setting(lines: ModemLines, data: bytes) -> bool:
    """Return what `data` sets the output to; raises ValueError if it does not."""
    for on in (False, True):
        if data == line_text(lines.output, on):
            return on
    raise ValueError(f"{data!r} does not set {lines.output}; expected {lines.output}=0 or {lines.output}=1")


class LineWatch:
    """Notices changes of the input lines."""

    def __init__(self, lines: ModemLines) -> None:
        self._inputs = lines.inputs
        self._seen: dict[str, bool] = {}
        self._told: dict[str, bool] = {}

    def look(self, port: serial.Serial) -> bytes:
        """Return the texts of the inputs that changed, at first those of all; raises what pyserial raises."""
        texts = b""
        for name in self._inputs:
            on = bool(getattr(port, name))
            if self._seen.get(name) == on and self._told.get(name) != on:
                self._told[name] = on
                texts += line_text(name, on)
            self._seen[name] = on
        if not self._inputs:
            # Nothing else would notice that the port has gone.
            _ = port.in_waiting
        return texts


def hang_up_on_close(port: serial.Serial) -> None:
    """See that the kernel switches the outputs off when the last program that holds the port ends, however it ends.

    That is HUPCL of POSIX termios. It is usual, but a program that had the port before may have left it off.
    """
    try:
        import termios
    except ImportError:  # not a POSIX system; there the driver drops the lines when the handle is closed
        return
    with contextlib.suppress(AttributeError, io.UnsupportedOperation):  # a port over the network has none
        attributes = termios.tcgetattr(port.fileno())
        attributes[2] |= termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
