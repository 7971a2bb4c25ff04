"""A torque wrench on a serial line, with the wire form of `line`: lines to torques, torques to tightenings. No I/O.

A line is an optional name, a signed decimal and an optional unit of torque, as in "TQ +35.2 in-lb". No maker's own
protocol is spoken.

Theory of a tightening. Wrenches send either their peak, once, when the bolt is let go, or what they feel, all the
time. One rule serves both: a tightening begins with a torque of `floor_unm` or more, its value is the highest torque
seen, and it ends when the torque falls below half of that, or when nothing comes for a second. A peak that is sent
once is then its own tightening, and a stream gives one value a pull. From bolt to bolt takes more than that second
(common practice). A torque below zero loosens, and is no tightening: a left-hand thread is entered by hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from drivers.indicators.line import LineDecoder, line_fields
from drivers.units import TorqueUnit, torque_unit, unm_per_unit

__all__ = ["SILENCE_NS", "Tightenings", "TorqueReading", "TorqueSettings", "torque_decoder"]

#: After this long without a torque, the bolt was let go.
SILENCE_NS = 1_000_000_000
#: No bolt of a transmission is tightened to less (common practice); below it a wrench shows its own noise.
LEAST_UNM = 100_000

#: Loose on purpose: letters with what stands between them. `unm_per_unit` says whether it is a torque.
_UNIT = rb"[a-z][a-z ._*\xb7\xc2-]{0,24}"


class TorqueReading(NamedTuple):
    """One torque a wrench sent, in micronewton metres, and the unit to show it in."""

    torque_unm: int
    unit: TorqueUnit


class TorqueSettings(BaseModel):
    """The settings of a wrench on a serial line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: TorqueUnit | None = None
    """The unit of a line that names none; without it such a line is no torque, since a guess could break a bolt."""
    decimal: Literal[".", ","] = "."
    """The decimal mark."""
    baud: int = Field(default=9600, gt=0)
    framing: str = Field(default="8N1", pattern=r"^[78][NEOMS][12]$")
    """Data bits, parity and stop bits of the serial line."""


def torque_decoder(settings: TorqueSettings) -> LineDecoder[TorqueReading]:
    """Return a decoder of a wrench's bytes. It never raises; `skipped` counts the bytes that were no torque."""
    return LineDecoder(_parser(settings))


def _parser(settings: TorqueSettings) -> Callable[[bytes], TorqueReading | None]:
    read = line_fields(settings.decimal, _UNIT)

    def parse(line: bytes) -> TorqueReading | None:
        fields = read(line)
        if fields is None:
            return None
        spelling = settings.unit if fields.unit is None else _text(fields.unit)
        per_unit = None if spelling is None else unm_per_unit(spelling)
        if spelling is None or per_unit is None:
            return None
        value_unm = round(Decimal(int(fields.digits)).scaleb(-fields.decimals) * per_unit)
        return TorqueReading(-value_unm if fields.negative else value_unm, torque_unit(spelling))

    return parse


def _text(spelling: bytes) -> str:
    """Return a unit's bytes as text: the middle dot is one byte in latin-1 and two in UTF-8."""
    return re.sub(rb"\xc2?\xb7", b"*", spelling).decode("latin-1")


class Tightenings:
    """Finds the peak of each tightening; feed it torques in order of time."""

    def __init__(self, floor_unm: int = LEAST_UNM) -> None:
        self._floor = max(1, floor_unm)
        self._peak: int | None = None
        self._last_ns = 0

    def take(self, t_ns: int, torque_unm: int) -> list[int]:
        """Take a torque that came at `t_ns`; return the peaks, micronewton metres, of the tightenings it ends."""
        ended = self.wait(t_ns)
        self._last_ns = t_ns
        if self._peak is not None and 2 * torque_unm < self._peak:
            ended.append(self._peak)
            self._peak = None
        elif torque_unm >= self._floor:
            self._peak = max(torque_unm, self._peak or 0)
        return ended

    def wait(self, t_ns: int) -> list[int]:
        """Say that it is `t_ns`; return the peak of a tightening that the silence ends."""
        if self._peak is None or t_ns - self._last_ns < SILENCE_NS:
            return []
        ended, self._peak = [self._peak], None
        return ended
