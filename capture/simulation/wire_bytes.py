"""Displayed values to the bytes of each wire form: the sending side only, for the bench in software and for tests."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from capture.simulation.indicator import Displayed
from drivers.reading import LengthUnit

WireForm = Literal["line", "polled-line", "counts", "bcd13", "word24", "registers"]
FORMS: tuple[WireForm, ...] = ("line", "polled-line", "counts", "bcd13", "word24", "registers")

#: 1 in = 25.4 mm exactly (NIST SP 811 app. B).
_NM_PER_UNIT: dict[LengthUnit, int] = {"mm": 1_000_000, "in": 25_400_000}
#: The fixed steps of `word24`.
_WORD24_STEP_NM: dict[LengthUnit, int] = {"mm": 10_000, "in": 12_700}


@dataclass(frozen=True, slots=True)
class WireSpec:
    """A wire form and its choices; each choice only matters to the forms that its comment names."""

    form: WireForm = "line"
    name: str = ""
    """line, polled-line: a name or channel before the value."""
    show_unit: bool = True
    """line, polled-line: whether the unit follows the value."""
    end: str = "\r\n"
    """line, polled-line, counts, bcd13 as hex: what ends a line."""
    hex_digits: bool = False
    """bcd13: thirteen ASCII hex digits rather than thirteen bytes."""
    address: int = 1
    """registers: the instrument's address."""
    function: Literal[3, 4] = 4
    """registers: 3 for holding registers, 4 for input registers."""
    words: Literal[1, 2] = 2
    """registers: one or two words a value, the high word first."""


def crc16(data: bytes) -> int:
    """Return the CRC of Modbus over serial line V1.02, 6.2.2 (start 0xFFFF, polynomial 0xA001, bits reversed)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def decimal_text(displayed: Displayed) -> str:
    """Return a displayed value as a signed decimal with as many decimals as its display step has; exact."""
    per_unit = _NM_PER_UNIT[displayed.unit]
    step = (Decimal(displayed.resolution_nm) / per_unit).normalize()
    decimals = _decimals(step)
    return f"{step * displayed.counts:+.{decimals}f}"


def encode(spec: WireSpec, displayed: Displayed) -> bytes:
    """Return the frame that carries one displayed value. Raises ValueError where the form cannot hold it."""
    match spec.form:
        case "line" | "polled-line":
            parts = [spec.name, decimal_text(displayed), displayed.unit if spec.show_unit else ""]
            return (" ".join(part for part in parts if part) + spec.end).encode("ascii")
        case "counts":
            return f"{displayed.counts:+d}{spec.end}".encode("ascii")
        case "bcd13":
            return _bcd13(spec, displayed)
        case "word24":
            return _word24(displayed)
        case "registers":
            return _registers(spec, displayed)


def _decimals(step: Decimal) -> int:
    exponent = step.as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError(f"a display step of {step} has no decimals")
    return max(0, -exponent)


def _bcd13(spec: WireSpec, displayed: Displayed) -> bytes:
    step = (Decimal(displayed.resolution_nm) / _NM_PER_UNIT[displayed.unit]).normalize()
    decimals = _decimals(step)
    magnitude = int(abs(step * displayed.counts).scaleb(decimals))
    if magnitude > 999_999:
        raise ValueError(f"{decimal_text(displayed)} {displayed.unit} does not fit the six digits of bcd13")
    digits = [0xF] * 4
    digits.append(8 if displayed.counts < 0 else 0)
    digits.extend(int(digit) for digit in f"{magnitude:06d}")
    digits.append(decimals)
    digits.append(1 if displayed.unit == "in" else 0)
    if spec.hex_digits:
        return ("".join(f"{digit:X}" for digit in digits) + spec.end).encode("ascii")
    return bytes(digits)


def _word24(displayed: Displayed) -> bytes:
    step_nm = _WORD24_STEP_NM[displayed.unit]
    # A finer display is cut to the wire's own step, half away from zero as its maker's adder does.
    magnitude = (abs(displayed.value_nm) * 2 + step_nm) // (2 * step_nm)
    if magnitude >= 1 << 20:
        raise ValueError(f"{decimal_text(displayed)} {displayed.unit} does not fit the twenty bits of word24")
    word = (
        magnitude | (1 << 20 if displayed.counts < 0 and magnitude else 0) | (1 << 23 if displayed.unit == "in" else 0)
    )
    return word.to_bytes(3, "little")


def _registers(spec: WireSpec, displayed: Displayed) -> bytes:
    size = 2 * spec.words
    try:
        value = displayed.counts.to_bytes(size, "big", signed=True)
    except OverflowError:
        raise ValueError(f"{displayed.counts} counts do not fit {spec.words} register(s)") from None
    frame = bytes([spec.address, spec.function, size]) + value
    return frame + crc16(frame).to_bytes(2, "little")
