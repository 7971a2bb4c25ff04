"""What a barcode scanner types: keys told from a hand's by their pace, and a scanned line read as an action.

A scanner is a keyboard that types a whole code and Enter within a few milliseconds a key. The codes are this
project's own plain text, a word and what it names:

    tech:NAME                    the technician's badge
    unit:SERIAL                  the unit's serial
    pack:NAME                    choose a pack
    step:N                       choose a step of the sheet, counted from 1
    part:PACK/ADJUSTER/FITTED    a part was changed: an adjuster by its name in the sheet, and what is fitted now, a
                                 count of shims or a thickness: part:low/backing shim/3, part:high/snap ring/3.20 mm

Capitals make no difference, and "/" may stand for ":" since Code 39 (ISO/IEC 16388) has neither small letters nor a
colon. A symbology identifier before the code ("]C1", ISO/IEC 15424) is left out. Times are nanoseconds of one
monotonic clock, and arguments: there is no clock and no I/O here. What an action does is decided elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from capture.sheet import Selective, Sheet, Shim
from drivers.units import parse_length

__all__ = [
    "Action",
    "Key",
    "KeyCollector",
    "LostScan",
    "NotUnderstood",
    "PackChosen",
    "PartFitted",
    "Scan",
    "StepChosen",
    "TechnicianNamed",
    "UnitNamed",
    "read_scan",
]

#: Keys of a scan follow each other faster than this; a held key repeats every 30 ms or slower (common practice).
SCAN_GAP_NS = 25_000_000
#: No code is shorter: its word, the colon and a character.
_LEAST_KEYS = 4
#: After a scan that broke off, keys this soon are its rest. They must not act as keys: one of them may arm the air.
_REST_NS = 300_000_000
#: A code that begins with STX may take this long, where a slow line has lost the pace.
_FRAMED_NS = 2_000_000_000
_STX, _ENTER = "\x02", ("\r", "\n")

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


def _part(text: str, rest: str, sheet: Sheet) -> Action:
    # Names may hold a slash themselves, so the sheet's names are tried, not the slashes counted.
    for pack in sheet.packs:
        for index, adjuster in enumerate(pack.adjusters):
            start = f"{pack.name}/{adjuster.name}/"
            if rest.casefold().startswith(start.casefold()):
                fitted = rest[len(start) :].strip()
                return _fitted(text, pack.name, index, adjuster, fitted)
    known = [f"{pack.name}/{adjuster.name}" for pack in sheet.packs for adjuster in pack.adjusters]
    return NotUnderstood(text, f"no such adjuster; there are: {', '.join(known) or 'none'}")


def _fitted(text: str, pack: str, index: int, adjuster: Shim | Selective, fitted: str) -> Action:
    if isinstance(adjuster, Shim):
        if re.fullmatch(r"[0-9]{1,3}", fitted) and adjuster.min <= int(fitted) <= adjuster.max:
            return PartFitted(pack, index, int(fitted))
        return NotUnderstood(text, f"{fitted!r} is no count of {adjuster.name}, {adjuster.min} to {adjuster.max}")
    try:
        thickness_nm = parse_length(fitted.lower())
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


@dataclass(frozen=True, slots=True)
class Key:
    """A key that a hand pressed."""

    key: str


@dataclass(frozen=True, slots=True)
class Scan:
    """A whole scanned line, without its Enter."""

    text: str


@dataclass(frozen=True, slots=True)
class LostScan:
    """A scan that broke off; nothing of it was taken for keys. Scan again."""

    text: str


class KeyCollector:
    """Tells scans from single keys by their pace. A key is held back until the pace is known, for 25 ms at most.

    Four keys or more at a scanner's pace, ended by Enter, are a scan; without the Enter they are a lost one, since no
    hand types so fast, and what came late of it is left out as well. One key over and over is a key held down. A
    scanner that can send STX before a code is certain at any pace.
    """

    def __init__(self) -> None:
        self._keys: list[str] = []
        self._last_ns = 0
        self._began_ns = 0
        self._rest_until_ns: int | None = None
        self._scanned_ns: int | None = None

    @property
    def due_ns(self) -> int | None:
        """When `wait` has something to say if no key comes; None if nothing is held back."""
        if not self._keys:
            return None
        return self._began_ns + _FRAMED_NS if self._keys[0] == _STX else self._last_ns + SCAN_GAP_NS

    def take(self, t_ns: int, key: str) -> list[Key | Scan | LostScan]:
        """Take a key pressed at `t_ns`; return what is now known to have been a key or a scan, in order."""
        told = self.wait(t_ns)
        scanned_ns, self._scanned_ns = self._scanned_ns, None
        if key in _ENTER and scanned_ns is not None and t_ns - scanned_ns < SCAN_GAP_NS:
            return told  # CR and LF end one line
        if self._rest_until_ns is not None:
            if t_ns < self._rest_until_ns and key != _STX:
                self._rest_until_ns = None if key in _ENTER else t_ns + _REST_NS
                return told
            self._rest_until_ns = None
        if key == _STX:
            told += self._give_up(t_ns)
            self._rest_until_ns = None
        if not self._keys:
            self._began_ns = t_ns
        self._last_ns = t_ns
        if key in _ENTER and self._is_scan():
            told.append(Scan("".join(self._keys).lstrip(_STX)))
            self._keys = []
            self._scanned_ns = t_ns
        else:
            self._keys.append(key)
        return told

    def wait(self, t_ns: int) -> list[Key | Scan | LostScan]:
        """Say that it is `t_ns`; return what the pause has settled."""
        due_ns = self.due_ns
        return self._give_up(t_ns) if due_ns is not None and t_ns >= due_ns else []

    def _is_scan(self) -> bool:
        if self._keys[:1] == [_STX]:
            return len(self._keys) > 1
        return len(self._keys) >= _LEAST_KEYS and len(set(self._keys)) > 1

    def _give_up(self, t_ns: int) -> list[Key | Scan | LostScan]:
        keys, self._keys = self._keys, []
        framed = keys[:1] == [_STX]
        if not framed and (len(keys) < _LEAST_KEYS or len(set(keys)) == 1):
            return [Key(key) for key in keys]
        self._rest_until_ns = t_ns + _REST_NS
        return [LostScan("".join(keys).lstrip(_STX))]
