"""What a barcode scanner types: keys told from a hand's by their pace, and a scanned line read as an action.

A scanner is a keyboard that types a whole code and Enter within a few milliseconds a key. The codes are this
project's own plain text, a word and what it names:

    tech:NAME                    the technician's badge
    unit:SERIAL                  the unit's serial
    pack:NAME                    choose a pack
    step:N                       choose a step of the sheet, counted from 1
    part:PACK/ADJUSTER/FITTED    a part was changed: an adjuster by its name in the sheet, and what is fitted now, a
                                 count of shims or a thickness, in the sheet's unit
                                 where it names none: part:low/backing shim/3, part:high/snap ring/3.20 mm

Capitals make no difference, and "/" may stand for ":" since Code 39 (ISO/IEC 16388) has neither small letters nor a
colon. A symbology identifier before the code ("]C1", ISO/IEC 15424) is left out. Times are nanoseconds of one
monotonic clock, and arguments: there is no clock and no I/O here. What an action does is decided elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from capture.sheet.sheet import Selective, Sheet, Shim
from drivers.reading import LengthUnit
from drivers.units import length_text, parse_length

_EXAMPLES = "tech:NAME, unit:SERIAL, pack:NAME, step:3 or part:PACK/ADJUSTER/FITTED"


# -- what a code asks for ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TechnicianNamed:
    """Who works from now on."""

    name: str


@dataclass(frozen=True, slots=True)
class UnitNamed:
    """Which unit is on the bench."""

    serial: str


@dataclass(frozen=True, slots=True)
class PackChosen:
    """A pack by its name in the sheet."""

    pack: str


@dataclass(frozen=True, slots=True)
class StepChosen:
    """A step by its index in the sheet, from 0."""

    step: int


@dataclass(frozen=True, slots=True)
class PartFitted:
    """What a pack's adjuster (its index) holds now: a count of shims, or a thickness in nm, as in `advice.Change`."""

    pack: str
    adjuster: int
    fitted: int


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """A line that is no code of this sheet, and why, with what was expected."""

    text: str
    why: str


Action = TechnicianNamed | UnitNamed | PackChosen | StepChosen | PartFitted | NotUnderstood


def read_scan(line: str, sheet: Sheet) -> Action:
    """Return what a scanned or typed line asks for, with the names as the sheet spells them."""
    text = re.sub(r"^\][A-Za-z][0-9A-Za-z]", "", "".join(key for key in line if key.isprintable()).strip()).strip()
    match = re.fullmatch(r"(tech|unit|pack|step|part)\s*[:/]\s*(\S.*)", text, re.IGNORECASE)
    if match is None:
        return NotUnderstood(text, f"{text!r} is no code; expected {_EXAMPLES}")
    word, rest = match[1].lower(), match[2].strip()
    if word == "tech":
        return TechnicianNamed(rest)
    if word == "unit":
        return UnitNamed(rest)
    if word == "pack":
        pack = _named(rest, [pack.name for pack in sheet.packs])
        names = ", ".join(pack.name for pack in sheet.packs)
        return NotUnderstood(text, f"no pack {rest!r}; there are: {names}") if pack is None else PackChosen(pack)
    if word == "part":
        return _part(text, rest, sheet)
    count = len(sheet.steps)
    if not re.fullmatch(r"[0-9]{1,4}", rest) or not 1 <= int(rest) <= count:
        return NotUnderstood(text, f"no step {rest!r}; the sheet has {f'steps 1 to {count}' if count else 'none'}")
    return StepChosen(int(rest) - 1)


def may_begin_code(text: str) -> bool:
    """Say whether text may be a code that broke off."""
    return re.match(r"(\][A-Za-z][0-9A-Za-z])?(tech|unit|pack|step|part)\s*([:/]|$)", text, re.IGNORECASE) is not None


def _part(text: str, rest: str, sheet: Sheet) -> Action:
    # Names may hold a slash themselves, so the sheet's names are tried, not the slashes counted.
    for pack in sheet.packs:
        for index, adjuster in enumerate(pack.adjusters):
            start = f"{pack.name}/{adjuster.name}/"
            if rest.casefold().startswith(start.casefold()):
                fitted = rest[len(start) :].strip()
                return _fitted(text, pack.name, index, adjuster, fitted, sheet.display_unit)
    known = [f"{pack.name}/{adjuster.name}" for pack in sheet.packs for adjuster in pack.adjusters]
    return NotUnderstood(text, f"no such adjuster; there are: {', '.join(known) or 'none'}")


def _fitted(text: str, pack: str, index: int, adjuster: Shim | Selective, fitted: str, unit: LengthUnit) -> Action:
    if isinstance(adjuster, Shim):
        if re.fullmatch(r"[0-9]{1,3}", fitted) and adjuster.min <= int(fitted) <= adjuster.max:
            return PartFitted(pack, index, int(fitted))
        return NotUnderstood(text, f"{fitted!r} is no count of {adjuster.name}, {adjuster.min} to {adjuster.max}")
    try:
        thickness_nm = parse_length(length_text(fitted.lower(), unit))
    except ValueError as error:
        return NotUnderstood(text, str(error))
    if thickness_nm not in adjuster.choices:
        choices = ", ".join(adjuster.text(choice) for choice in adjuster.choices)
        return NotUnderstood(text, f"no {adjuster.name} of {fitted}; there are: {choices}")
    return PartFitted(pack, index, thickness_nm)


def _named(name: str, names: Sequence[str]) -> str | None:
    """Return the name as the sheet spells it; capitals decide only where two names differ by nothing else."""
    alike = [one for one in names if one.casefold() == name.casefold()]
    return name if name in alike else alike[0] if len(alike) == 1 else None


# -- keys, or a scan --------------------------------------------------------------------------------------
