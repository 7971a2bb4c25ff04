"""What every indicator driver offers: its settings and a decoder. No wire form lives here."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, ClassVar, Literal, Protocol, Self, runtime_checkable

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.reading import OFF_GRID, OUT_OF_RANGE, LengthUnit, Reading
from drivers.units import Angle, LengthNm, parse_length

#: Nanometres in one of each unit (NIST SP 811 app. B: 1 in = 25.4 mm exactly). Integers, because pint is
#: too slow for a decoder and a decoder must be exact.
NM_PER_UNIT: dict[LengthUnit, int] = {"mm": 1_000_000, "in": 25_400_000}

#: What a hand-held indicator of each unit usually resolves (common practice), used where no setting says.
_USUAL_RESOLUTION_NM: dict[LengthUnit, int] = {"mm": 10_000, "in": 12_700}


def _as_pair(value: Any) -> Any:
    """Accept "0 in, 0.5 in" (as typed on a command line) beside ["0 in", "0.5 in"]."""
    if isinstance(value, str):
        return [part.strip() for part in value.split(",")]
    return value


#: Whether an indicator sends reading after reading by itself, or one value each time its key or a pedal is pressed.
Sends = Literal["stream", "on-press"]


def _spelled(value: Any) -> Any:
    """Take the unit's name as people write it: inch, inches and the inch's sign are "in"."""
    text = value.strip().casefold() if isinstance(value, str) else value
    return (
        "in" if text in ("in", "inch", "inches", '"') else "mm" if text in ("mm", "millimetre", "millimeter") else value
    )


class IndicatorSettings(BaseModel):
    """The settings that every indicator driver takes; a driver adds its own by subclassing.

    Lengths are text with a unit on the edge ("0.0005 in") and integer nanometres inside.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    why_no_single_values: ClassVar[str] = ""
    """Why a wire form cannot be read one value at a time; empty where it can."""

    unit: Annotated[LengthUnit, BeforeValidator(_spelled)] = "mm"
    """The unit of a stream that names none."""
    resolution: LengthNm = Field(default=0, ge=0)
    """The display step; where it is not given, 0.01 mm or 0.0005 in by `unit`."""
    range: Annotated[tuple[LengthNm, LengthNm], BeforeValidator(_as_pair)] | None = None
    """Where the plunger can go, lowest and highest displayed value."""
    max_error: LengthNm = Field(default=0, ge=0)
    """The maker's stated limit of error, plus or minus."""
    hysteresis: LengthNm = Field(default=0, ge=0)
    """The play of the plunger: how much less a travel may show where it turns round, "0.003 mm" on the edge."""
    misalignment: Angle = Field(default=0.0, ge=0.0, lt=1.0)
    """The largest angle between plunger and travel, radians ("5 deg" on the edge)."""
    sends: Sends = "stream"
    """"on-press" for one that sends one value each time its key or a pedal is pressed."""
    baud: int = Field(default=9600, gt=0)
    framing: str = Field(default="8N1", pattern=r"^[78][NEOMS][12]$")
    """Data bits, parity and stop bits of the serial line."""
    name: str = ""
    """What the shop calls this indicator, such as its serial number."""

    @model_validator(mode="before")
    @classmethod
    def _unit_as_the_lengths_say(cls, values: Any) -> Any:
        """An indicator whose resolution or range is given in inches displays inches, unless `unit` says otherwise."""
        if not isinstance(values, dict) or "unit" in values:
            return values
        texts = [str(values.get(key, "")) for key in ("resolution", "range")]
        if any(re.search(r"\d\s*(in|inch|inches|\")\b", text) for text in texts):
            return {**values, "unit": "in"}
        return values

    @model_validator(mode="after")
    def _check(self) -> IndicatorSettings:
        if self.range is not None and self.range[0] >= self.range[1]:
            raise ValueError("range: the first length must be below the second, such as ['0 mm', '12.7 mm']")
        if self.sends == "on-press" and self.why_no_single_values:
            raise ValueError(f"sends: {self.why_no_single_values}; expected 'stream'")
        return self

    @property
    def resolution_nm(self) -> int:
        """The display step in nanometres, the usual one where the settings give none."""
        return self.resolution or _USUAL_RESOLUTION_NM[self.unit]

    @property
    def reading_error_nm(self) -> int:
        """How far a reading may be off by the eye that read it, nanometres; 0 where none did."""
        return 0


_MOST_DECIMALS = 12
_POWERS: tuple[int, ...] = tuple(10**decimals for decimals in range(_MOST_DECIMALS + 1))

#: A bare number ("0.0005"), or a number and the unit that follows it ("0.0005 in").
_SCALE = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2})?)\s*(.*)")


def _as_text(value: Any) -> Any:
    """Take a number as the text it was typed as: a float's shortest text is exactly what was typed."""
    return str(value) if isinstance(value, (int, float, Decimal)) and not isinstance(value, bool) else value


class ScaledSettings(IndicatorSettings):
    """The settings of a wire form that sends bare counts: how long one count is."""

    scale: Annotated[str, BeforeValidator(_as_text)]
    """Length of one count: "0.0005 in", "1 um", or a bare number in `unit`; negative reverses the sign."""

    @model_validator(mode="after")
    def _check_scale(self) -> Self:
        if self.scale_nm == 0:
            raise ValueError(f"scale: {self.scale!r} is zero; expected such as '0.0005 in' or '1 um'")
        return self

    @property
    def scale_nm(self) -> Fraction:
        """Nanometres a count, exact even where a count is no whole number of them; raises ValueError."""
        match = _SCALE.fullmatch(self.scale.strip())
        if match is None:
            raise ValueError(f"scale: {self.scale!r} is no length; expected such as '0.0005 in' or '1 um'")
        number, unit = match.groups()
        per_unit = parse_length(f"1 {unit}") if unit else NM_PER_UNIT[self.unit]
        return Fraction(Decimal(number)) * per_unit


def scaled_nm(digits: int, decimals: int, nm_per_unit: int) -> int:
    """Return `digits` / 10**`decimals` of a unit in integer nanometres, half rounding to even.

    `decimals` is 0 to 12.
    """
    scaled = digits * nm_per_unit
    divisor = _POWERS[decimals]
    quotient, rest = divmod(scaled, divisor)
    if rest * 2 > divisor or (rest * 2 == divisor and quotient & 1):
        return quotient + 1
    return quotient


def doubts(settings: IndicatorSettings, value_nm: int, unit: LengthUnit) -> tuple[str, ...]:
    """Return the flags of a displayed value, nanometres.

    A value can be off the grid only where the settings give the resolution, in the unit being displayed.
    """
    limits, step_nm = settings.range, settings.resolution
    outside = limits is not None and not limits[0] <= value_nm <= limits[1]
    off_grid = step_nm != 0 and unit == settings.unit and value_nm % step_nm != 0
    if not outside and not off_grid:
        return ()
    return ((OUT_OF_RANGE,) if outside else ()) + ((OFF_GRID,) if off_grid else ())


def interval_ns(rate_hz: float) -> int:
    """Return the nanoseconds between two requests sent `rate_hz` times a second."""
    return round(1_000_000_000 / rate_hz)


class Decoder(Protocol):
    """Bytes in, readings out. A decoder does no I/O, never raises on any bytes, and holds bounded memory."""

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


@runtime_checkable
class FrameDecoder(Decoder, Protocol):
    """A decoder of frames that stand alone: a chunk that is one whole frame reads the same wherever it comes, as long
    as nothing is held from before. Whoever has many chunks at once need not feed them one by one."""

    farthest_nm: int | None
    """A whole frame is beyond doubt that shows no more than this further on than the one before, in the same unit;
    None where every one is."""

    @property
    def holds_nothing(self) -> bool:
        """Whether what comes next begins a frame."""
        ...

    def whole(self, chunk: bytes) -> Reading | None:
        """Return what a chunk reads as that is one frame and no more, None where it is not. Nothing is taken."""
        ...

    def goes_on(self, reading: Reading) -> bool:
        """Say whether a whole frame is beyond doubt after the newest that was taken."""
        ...

    def took(self, count: int, newest: Reading, chunk: bytes) -> None:
        """So many whole frames, each beyond doubt after the one before, were taken; the last is that chunk."""
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
    typed: bool = False
    """Whether a person types what it reads."""
