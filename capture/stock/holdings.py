"""What a stock holds, as plain frozen data: bins of one name and one thickness, measured parts, who has what reserved.
Reads and writes nothing. Lengths are integer nanometres; a part's uncertainty is expanded, 95 %, k = 2."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from drivers.reading import LengthUnit
from drivers.units import format_length

#: A micrometer reading further than this from what the part is sold as (as a share of it) is of another part, or
#: of none (common practice: a ring out of its tolerance by this much is scrap).
_OTHER_PART = 0.05


class StockError(Exception):
    """The stock cannot do what was asked. The text says what happened, where, and what to do next."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a part goes or comes from. `job` is the same on every bench: a job's UUID, or empty without a record."""

    job: str
    unit: str
    pack: str = ""
    adjuster: int | None = None
    """The index of the adjuster in the pack's build sheet, where it is known."""

    @property
    def holder(self) -> str:
        """Who holds what is reserved here: the unit by its serial, which outlives a session's job, else the job."""
        return self.unit or self.job

    def is_same(self, other: Place) -> bool:
        """Say whether both are the same adjuster of the same pack."""
        return (self.holder, self.pack, self.adjuster) == (other.holder, other.pack, other.adjuster)

    def text(self) -> str:
        """Return the place for people."""
        unit = f"unit {self.unit}" if self.unit else f"job {self.job}"
        return f"{unit}, pack {self.pack}" if self.pack else unit


@dataclass(frozen=True, slots=True)
class MeasuredPart:
    """A measured part on the shelf, known by its serial."""

    serial: str
    actual_nm: int
    expanded_uncertainty_nm: int
    reserved: bool


@dataclass(frozen=True, slots=True)
class Bin:
    """All parts of one name and one thickness: loose ones, which are alike, and measured ones."""

    part: str
    thickness_nm: int
    thickness_text: str
    tolerance_nm: int | None
    """How far an unmeasured part may be from its thickness; None leaves it to the build sheet."""
    low: int | None
    """The number of free parts at which to order; None asks for no warning."""
    loose: int
    loose_reserved: int
    measured: tuple[MeasuredPart, ...]

    @property
    def shelf(self) -> int:
        """How many lie on the shelf, reserved ones included."""
        return self.loose + len(self.measured)

    @property
    def reserved(self) -> int:
        """How many of those are reserved."""
        return self.loose_reserved + sum(part.reserved for part in self.measured)

    @property
    def free(self) -> int:
        """How many may still be reserved."""
        return self.shelf - self.reserved

    @property
    def is_low(self) -> bool:
        """Whether it is time to order."""
        return self.low is not None and self.free <= self.low

    @property
    def unit(self) -> LengthUnit:
        """The unit to show the thickness in: the one it is sold by."""
        return "in" if any(word in self.thickness_text.lower() for word in ("in", '"', "thou", "mil ")) else "mm"

    @property
    def text(self) -> str:
        """The part and its thickness for people."""
        return f"{self.part} {self.thickness_text}"


@dataclass(frozen=True, slots=True)
class Reservation:
    """One part promised to a place and not yet released or consumed.

    With a `source` the part is no shelf's: it is fitted in another pack, from which it is to be taken.
    """

    number: int
    part: str
    thickness_nm: int
    thickness_text: str
    serial: str | None
    actual_nm: int | None
    expanded_uncertainty_nm: int | None
    place: Place
    source: Place | None
    at: datetime
    by: str

    @property
    def text(self) -> str:
        """The reservation for people."""
        serial = f" {self.serial}" if self.serial else ""
        origin = f", out of {self.source.text()}" if self.source else ""
        return f"{self.part} {self.thickness_text}{serial} for {self.place.text()}{origin}"


@dataclass(frozen=True, slots=True)
class Holdings:
    """The whole stock at one moment."""

    bins: tuple[Bin, ...]
    reservations: tuple[Reservation, ...]

    def low(self) -> list[Bin]:
        """Return the bins of which it is time to order."""
        return [one for one in self.bins if one.is_low]


def misfit(actual_nm: int, thickness_nm: int, others_nm: Iterable[int]) -> str:
    """Say why a measured thickness cannot be that of a part sold as `thickness_nm`; empty if it can.

    `others_nm` are the other thicknesses of the same part: a reading nearer to one of them is of the wrong part.
    """
    unit: LengthUnit = "mm"
    shown, sold = format_length(actual_nm, unit), format_length(thickness_nm, unit)
    nearest = min(others_nm, key=lambda other: abs(other - actual_nm), default=thickness_nm)
    if abs(nearest - actual_nm) < abs(thickness_nm - actual_nm):
        return f"measures {shown}, nearer to {format_length(nearest, unit)} than to {sold}; is it in the right bin?"
    if abs(actual_nm - thickness_nm) > _OTHER_PART * thickness_nm:
        return f"measures {shown}, more than 5 % off {sold}; check the zero, dirt and the part"
    return ""
