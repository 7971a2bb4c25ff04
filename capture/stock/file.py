"""The stock file: TOML that a person writes, imports and exports, saying which parts lie on the shelf.

Says nothing of reservations: those belong to jobs and live in the ledger."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from capture.plumbing.checked_file import FileKind
from capture.stock.holdings import Bin, StockError, misfit
from drivers.units import LengthNm


def part_key(name: str) -> str:
    """Return a part's name as names are compared: without regard to case and spacing."""
    return " ".join(name.split()).casefold()


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class StockName(_Table):
    """Whose stock this is."""

    name: str = ""


class MeasuredPiece(_Table):
    """One part with a tag on it and its thickness measured. Lengths nm; the uncertainty is expanded (95 %)."""

    serial: str = Field(min_length=1, max_length=60)
    actual: LengthNm = Field(gt=0)
    uncertainty: LengthNm = Field(gt=0)


class Parts(_Table):
    """The parts of one name and one thickness: `count` on the shelf, the measured ones among them. Lengths nm.

    `tolerance` is how far a part that nobody measured may be from its thickness; left out, the build sheet's holds.
    `low` asks for a warning when no more than so many are free.
    """

    part: str = Field(min_length=1, max_length=60)
    thickness: LengthNm = Field(gt=0)
    count: int = Field(ge=0, le=100_000, strict=True)
    low: int | None = Field(default=None, ge=0, strict=True)
    tolerance: LengthNm | None = Field(default=None, ge=0)
    measured: tuple[MeasuredPiece, ...] = ()
    _text: str = PrivateAttr(default="")

    @model_validator(mode="wrap")
    @classmethod
    def _keep_text(cls, value: Any, handler: ModelWrapValidatorHandler[Parts]) -> Parts:
        parts = handler(value)
        if isinstance(value, dict):
            parts._text = str(value["thickness"]).strip()
        return parts

    @property
    def text(self) -> str:
        """The thickness as the file writes it."""
        return self._text

    @model_validator(mode="after")
    def _check(self) -> Parts:
        if len(self.measured) > self.count:
            raise ValueError(
                f"count: {len(self.measured)} measured parts are listed; expected a count that includes them"
            )
        for one in self.measured:
            if wrong := misfit(one.actual, self.thickness, ()):
                raise ValueError(f"measured: part {one.serial!r} {wrong}")
        return self


class StockFile(_Table):
    """A stock file."""

    stock: StockName = StockName()
    parts: tuple[Parts, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> StockFile:
        seen: set[tuple[str, int]] = set()
        serials: set[str] = set()
        for one in self.parts:
            if (key := (part_key(one.part), one.thickness)) in seen:
                raise ValueError(f"parts: {one.part!r} of {one.text} is listed twice; give it one table")
            seen.add(key)
            for part in one.measured:
                if part.serial in serials:
                    raise ValueError(f"parts: two measured parts have the serial {part.serial!r}")
                serials.add(part.serial)
        return self


def load_stock(path: Path) -> StockFile:
    """Read and check a stock file; raises StockError for anything wrong with it."""
    return FileKind("stock file", StockError).read(path, StockFile)


def exact_length(value_nm: int, unit: str) -> str:
    """Return a length as text that reads back as the same nanometres: in `unit` if it can be, else in mm."""
    if unit == "in" and value_nm % 127 == 0:  # 1 in = 127 * 200 000 nm, so only then the decimals end
        return f"{(Decimal(value_nm) / 25_400_000).normalize():f} in"
    return f"{(Decimal(value_nm) / 1_000_000).normalize():f} mm"


def write_stock(bins: Sequence[Bin]) -> str:
    """Return the shelf as the text of a stock file; reading it back gives the same parts."""
    import tomli_w

    tables: list[dict[str, Any]] = []
    for one in bins:
        table: dict[str, Any] = {"part": one.part, "thickness": one.thickness_text, "count": one.shelf}
        if one.low is not None:
            table["low"] = one.low
        if one.tolerance_nm is not None:
            table["tolerance"] = exact_length(one.tolerance_nm, one.unit)
        if one.measured:
            table["measured"] = [
                {
                    "serial": part.serial,
                    "actual": exact_length(part.actual_nm, one.unit),
                    "uncertainty": exact_length(part.expanded_uncertainty_nm, one.unit),
                }
                for part in one.measured
            ]
        tables.append(table)
    return tomli_w.dumps({"parts": tables})
