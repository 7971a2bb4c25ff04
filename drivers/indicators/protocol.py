"""What every indicator driver offers: its settings and a decoder. No wire form lives here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Protocol

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.reading import Reading, Unit
from drivers.units import Angle, LengthNm

__all__ = ["Decoder", "IndicatorDriver", "IndicatorSettings"]

#: What a hand-held indicator of each unit usually resolves (common practice), used where no setting says.
_USUAL_RESOLUTION_NM: dict[Unit, int] = {"mm": 10_000, "in": 12_700}


def _as_pair(value: Any) -> Any:
    """Accept "0 in, 0.5 in" (as typed on a command line) beside ["0 in", "0.5 in"]."""
    if isinstance(value, str):
        return [part.strip() for part in value.split(",")]
    return value


class IndicatorSettings(BaseModel):
    """The settings that every indicator driver takes; a driver adds its own by subclassing.

    Lengths are text with a unit on the edge ("0.0005 in") and integer nanometres inside.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: Unit = "mm"
    """The unit of a stream that names none."""
    resolution: LengthNm = Field(default=0, ge=0)
    """The display step; where it is not given, 0.01 mm or 0.0005 in by `unit`."""
    range: Annotated[tuple[LengthNm, LengthNm], BeforeValidator(_as_pair)] | None = None
    """Where the plunger can go, lowest and highest displayed value."""
    max_error: LengthNm = Field(default=0, ge=0)
    """The maker's stated limit of error, plus or minus."""
    misalignment: Angle = Field(default=0.0, ge=0.0, lt=1.0)
    """The largest angle between plunger and travel, radians ("5 deg" on the edge)."""
    baud: int = Field(default=9600, gt=0)
    framing: str = Field(default="8N1", pattern=r"^[78][NEOMS][12]$")
    """Data bits, parity and stop bits of the serial line."""
    name: str = ""
    """What the shop calls this indicator, such as its serial number."""

    @model_validator(mode="after")
    def _check(self) -> IndicatorSettings:
        if self.range is not None and self.range[0] >= self.range[1]:
            raise ValueError("range: the first length must be below the second, such as ['0 mm', '12.7 mm']")
        return self

    @property
    def resolution_nm(self) -> int:
        """The display step in nanometres, the usual one where the settings give none."""
        return self.resolution or _USUAL_RESOLUTION_NM[self.unit]


class Decoder(Protocol):
    """Bytes in, readings out. A decoder never does I/O, never raises on any bytes, and holds bounded memory."""

    skipped: int
    """How many bytes so far were no frame."""

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes of the stream, cut anywhere; return the readings they complete, in order."""
        ...

    def finish(self) -> list[Reading]:
        """The stream ended or broke: return what lookahead held back, count an unfinished frame as skipped.

        The decoder is then as new, but for `skipped`, and can be fed the stream after the break.
        """
        ...


@dataclass(frozen=True, slots=True)
class IndicatorDriver:
    """A wire form by name. Each module of this package defines `DRIVER`; other packages use entry points."""

    name: str
    summary: str
    """One line for people: what this wire form looks like."""
    settings: type[IndicatorSettings]
    decoder: Callable[[Any], Decoder]
    """Makes a decoder from the settings."""
    request: Callable[[Any], bytes] = lambda settings: b""
    """The bytes that ask the instrument for one reading, empty if it sends by itself."""
    poll_interval_ns: Callable[[Any], int] = lambda settings: 0
    """How often to send the request, nanoseconds; 0 if it sends by itself."""
