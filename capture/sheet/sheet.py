"""The build sheet: what each pack must measure, which parts set it, and what the technician signs. TOML on the
outside, checked; exact integers inside. The sheet says which limits hold; the program knows none of its own."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from math import prod
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from capture.plumbing.checked_file import FileKind, Place, place_in
from capture.sheet.dimensions import Dimension
from capture.sheet.included import whole_text
from capture.sheet.step_keys import meant_keys
from capture.sheet.steps import EVERY_PACK, Step, Steps
from capture.sheet.variants import Variant, place_with, with_variant
from drivers.reading import LengthUnit
from drivers.units import (
    LengthNm,
    LengthRate,
    PressurePa,
    PressureRate,
    PressureUnit,
    format_length,
    format_pressure,
    length_unit,
    pressure_unit,
    pressure_unit_beside,
)

__all__ = [
    "Adjuster",
    "Pack",
    "Selective",
    "Sheet",
    "SheetAir",
    "SheetError",
    "Shim",
    "Step",
    "load_sheet",
    "parse_sheet",
    "sheet_and_text",
]


#: No clutch pack runs with more clearance than this (common practice: a few millimetres at most).
_MOST_CLEARANCE_NM = 100_000_000


class SheetError(Exception):
    """A build sheet cannot be used; the text names the file, the key, the value and what was expected."""


_SHEETS = FileKind("build sheet", SheetError, lists=("adjusters", "steps"))


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _as_text(value: Any) -> Any:
    """A revision written as a number or a date is text all the same."""
    return str(value) if isinstance(value, (int, float, date)) and not isinstance(value, bool) else value


_Text = Annotated[str, BeforeValidator(_as_text)]


class About(_Part):
    """What the sheet is, and who says that its limits hold."""

    name: _Text = Field(min_length=1)
    revision: _Text = Field(min_length=1)
    source: _Text = Field(min_length=1)
    variant: str = ""
    """Which of the sheet's variants is fitted, once somebody has said so."""
    variant_by: str = ""
    """Who confirmed it."""
    variant_unit: str = ""
    """The serial of the unit on which they saw it; empty where none was named."""


class SheetAir(_Part):
    """The regulated supply that the limits assume, gauge pressure in pascals."""

    pressure: PressurePa = Field(gt=0)
    tolerance: PressurePa = Field(gt=0)

    @property
    def window_pa(self) -> tuple[int, int]:
        """The lowest and highest gauge pressure allowed, pascals."""
        return self.pressure - self.tolerance, self.pressure + self.tolerance

    def text(self, unit: PressureUnit) -> str:
        """Return the window for people."""
        asked = format_pressure(self.pressure, unit).removesuffix(f" {unit}")
        return f"{asked} ± {format_pressure(self.tolerance, unit)} gauge"


#: More ways to build one pack than this no parts shelf offers, and advice must come at once.
_MOST_COMBINATIONS = 1_000_000

#: A part that moved another pack's clearance a hundred times as far as its own would be a slip of the pen.
_MOST_FACTOR = 100


def _check_factor(factor: float) -> float:
    if not 0 < abs(factor) <= _MOST_FACTOR:
        raise ValueError(f"expected a factor between -{_MOST_FACTOR} and {_MOST_FACTOR} other than 0, such as -0.5")
    return factor


#: How far another pack's clearance moves for each unit that the adjuster's own moves; signed.
_Factor = Annotated[float, Field(strict=True), AfterValidator(_check_factor)]


class Shim(_Part):
    """A stack of equal shims: `fitted` of them now, between `min` and `max` allowed. Lengths nm."""

    kind: Literal["shim"]
    name: str = "shim"
    thickness: LengthNm = Field(gt=0)
    fitted: int = Field(ge=0)
    min: int = Field(ge=0, default=0)
    max: int = Field(ge=0, le=100)
    tolerance: LengthNm = Field(ge=0, default=0)
    batch: bool = False
    """Whether all shims are of one batch, and as far from their thickness as each other; else each by itself."""
    more: Literal["opens", "closes"]
    moves: dict[str, _Factor] = Field(default_factory=dict)

    @property
    def states(self) -> int:
        """How many counts there are to choose from."""
        return self.max - self.min + 1

    @property
    def sign(self) -> int:
        """1 where a thicker stack opens the pack, -1 where it closes it."""
        return 1 if self.more == "opens" else -1

    @model_validator(mode="after")
    def _check(self) -> Shim:
        if not self.min <= self.fitted <= self.max:
            raise ValueError(f"fitted: lies outside min {self.min} to max {self.max}")
        return self


class Selective(_Part):
    """One part chosen from a list of thicknesses, nm."""

    kind: Literal["selective"]
    name: str = "ring"
    part: Literal["ring", "plate", "spacer"] = "ring"
    choices: tuple[LengthNm, ...] = Field(min_length=1)
    fitted: LengthNm = Field(gt=0)
    tolerance: LengthNm = Field(ge=0, default=0)
    thicker: Literal["closes", "opens"]
    moves: dict[str, _Factor] = Field(default_factory=dict)
    _texts: dict[int, str] = PrivateAttr(default_factory=dict)

    @model_validator(mode="wrap")
    @classmethod
    def _keep_texts(cls, value: Any, handler: ModelWrapValidatorHandler[Selective]) -> Selective:
        part = handler(value)
        if isinstance(value, dict):
            part._texts = {nm: str(text) for nm, text in zip(part.choices, value["choices"], strict=True)}
        return part

    @property
    def states(self) -> int:
        """How many thicknesses there are to choose from."""
        return len(self.choices)

    @property
    def sign(self) -> int:
        """1 where a thicker part opens the pack, -1 where it closes it."""
        return 1 if self.thicker == "opens" else -1

    def text(self, thickness_nm: int) -> str:
        """Return a thickness as the sheet writes it, one that the sheet has not in the unit of those it has."""
        known = self._texts.get(thickness_nm)
        return known or format_length(thickness_nm, length_unit(next(iter(self._texts.values()), "1 mm")))

    @model_validator(mode="after")
    def _check(self) -> Selective:
        if any(choice <= 0 for choice in self.choices):
            raise ValueError("choices: every thickness must be above zero")
        if len(set(self.choices)) != len(self.choices):
            raise ValueError("choices: a thickness is listed twice")
        if self.fitted not in self.choices:
            raise ValueError("fitted: expected one of the choices")
        return self


Adjuster = Annotated[Shim | Selective, Field(discriminator="kind")]


class Pack(_Part):
    """One clutch pack: the range its travel must lie in, how it is measured, and what adjusts it. Lengths nm."""

    name: str = Field(min_length=1)
    range: tuple[LengthNm, LengthNm]
    preferred: LengthNm | None = None
    strokes: int = Field(default=5, ge=2, le=30)
    least_strokes: int | None = Field(default=None, ge=2, le=30)
    seat_strokes: int = Field(default=1, ge=0, le=20)
    measure: Literal["peak", "held"] = "peak"
    moved_by: Literal["air", "hand"] = "air"
    """What moves it: the apply air, or a hand that pushes and pulls (end play, backlash, free play)."""
    leak: LengthRate | None = Field(default=None, gt=0)
    """How fast the travel may fall while held, nm a second; None: no faster than a hold could hide."""
    leak_down: PressureRate | None = Field(default=None, gt=0)
    """How fast the pressure may fall while held, Pa a second, where a fixture measures it; None: no faster than a hold
    could hide."""
    friction_surfaces: int | None = Field(default=None, ge=1)
    friction_thickness: LengthNm | None = Field(default=None, gt=0)
    steel_thickness: LengthNm | None = Field(default=None, gt=0)
    plate_tolerance: LengthNm = Field(default=0, ge=0)
    depends_on: tuple[str, ...] = ()
    adjusters: tuple[Adjuster, ...] = ()
    _pressure_unit: PressureUnit = PrivateAttr(default="kPa")

    @property
    def pressure_unit(self) -> PressureUnit:
        """The unit in which its sheet shows pressures."""
        return self._pressure_unit

    @property
    def low_nm(self) -> int:
        """Lower limit of the clearance."""
        return self.range[0]

    @property
    def high_nm(self) -> int:
        """Upper limit of the clearance."""
        return self.range[1]

    @property
    def preferred_nm(self) -> int:
        """The clearance to aim for: as the sheet says, else the middle of the range."""
        return self.preferred if self.preferred is not None else (self.range[0] + self.range[1]) // 2

    @property
    def first_look(self) -> int:
        """From how many strokes on a check may end if its verdict is settled: as the sheet says, else all of them."""
        return self.strokes if self.least_strokes is None else self.least_strokes

    @model_validator(mode="after")
    def _check(self) -> Pack:
        if self.least_strokes is not None and self.least_strokes > self.strokes:
            raise ValueError(f"least_strokes: is more than strokes, {self.strokes}")
        if not 0 < self.range[0] < self.range[1]:
            raise ValueError("range: expected a lower and a higher length above zero, such as ['0.80 mm', '1.40 mm']")
        if self.range[1] > _MOST_CLEARANCE_NM:
            raise ValueError("range: expected less than 100 mm, as every clutch pack's clearance is; check the unit")
        if self.moved_by == "hand" and (self.leak is not None or self.leak_down is not None):
            raise ValueError("moved_by: no seal holds what a hand moves; leave leak and leak_down out")
        if self.preferred is not None and not self.range[0] <= self.preferred <= self.range[1]:
            raise ValueError("preferred: lies outside the range")
        if self.plate_tolerance and self.friction_thickness is None and self.steel_thickness is None:
            raise ValueError("plate_tolerance: of which plate? Expected friction_thickness or steel_thickness with it")
        for at, adjuster in enumerate(self.adjusters):
            if self.name in adjuster.moves:
                raise ValueError(f"adjusters.{at}.moves: moves its own pack {self.name!r}; expected other packs")
        combinations = prod(adjuster.states for adjuster in self.adjusters)
        if combinations > _MOST_COMBINATIONS:
            raise ValueError(
                f"adjusters: they can be combined in {combinations:,} ways; expected at most {_MOST_COMBINATIONS:,}, "
                "which can be searched for the best"
            )
        return self


class Sheet(_Part):
    """A build sheet."""

    sheet: About
    air: SheetAir | None = None
    packs: tuple[Pack, ...] = Field(min_length=1)
    steps: Steps = ()
    """With the dimensions: those that come before packs first, the others last."""
    dimensions: tuple[Dimension, ...] = ()
    variants: tuple[Variant, ...] = ()
    _display_unit: LengthUnit = PrivateAttr(default="mm")
    _pressure_unit: PressureUnit = PrivateAttr(default="kPa")

    @property
    def undecided(self) -> bool:
        """Whether nobody has said yet which variant is fitted: nothing may be judged by such a sheet."""
        return bool(self.variants) and not self.sheet.variant

    @property
    def display_unit(self) -> LengthUnit:
        """The unit to show lengths in: that of the first pack's range."""
        return self._display_unit

    @property
    def pressure_unit(self) -> PressureUnit:
        """The unit to show pressures in: that of the air, else of the first leak down, else what goes with lengths."""
        return self._pressure_unit

    @model_validator(mode="after")
    def _check(self) -> Sheet:
        names = [pack.name for pack in self.packs]
        there_are = f"is no pack of this sheet; there are: {', '.join(names)}"
        for at, name in enumerate(names):
            if name in names[:at]:
                raise ValueError(f"packs.{at}.name: two packs are called so")
        for at, pack in enumerate(self.packs):
            for needed in pack.depends_on:
                if needed not in names:
                    raise ValueError(f"packs.{at}.depends_on: {needed!r} {there_are}")
            for part, adjuster in enumerate(pack.adjusters):
                for moved in adjuster.moves:
                    if moved not in names:
                        raise ValueError(f"packs.{at}.adjusters.{part}.moves: {moved!r} {there_are}")
        kinds = [variant.name for variant in self.variants]
        for at, variant in enumerate(self.variants):
            if variant.name in kinds[:at]:
                raise ValueError(f"variants.{at}.name: two variants are called so")
            for name in variant.packs:
                if name not in names:
                    raise ValueError(f"variants.{at}.packs: {name!r} {there_are}")
        for table, steps in (("steps", self.steps), ("dimensions", self.dimensions)):
            for at, step in enumerate(steps):
                for name in step.before:
                    if name not in names and name != EVERY_PACK:
                        raise ValueError(f"{table}.{at}.before: {name!r} {there_are}, or {EVERY_PACK!r} for all")
        first, last = ([one for one in self.dimensions if bool(one.before) is early] for early in (True, False))
        object.__setattr__(self, "steps", (*first, *self.steps, *last))
        self.order()
        return self

    def steps_before(self, pack: str) -> list[int]:
        """Return the steps that come before a pack is measured, as listed."""
        return [at for at, step in enumerate(self.steps) if step.comes_before(pack)]

    def pack(self, name: str) -> Pack:
        """Return the pack called `name`; raises SheetError naming those there are."""
        for pack in self.packs:
            if pack.name == name:
                return pack
        raise SheetError(f"no pack {name!r} in this sheet; there are: {', '.join(pack.name for pack in self.packs)}")

    def order(self) -> list[Pack]:
        """Return the packs in the order to check them: as listed, each after those it depends on."""
        done: list[Pack] = []
        waiting = list(self.packs)
        while waiting:
            finished = {pack.name for pack in done}
            ready = next((pack for pack in waiting if set(pack.depends_on) <= finished), None)
            if ready is None:
                names = ", ".join(pack.name for pack in waiting)
                at = self.packs.index(waiting[0])
                raise ValueError(f"packs.{at}.depends_on: {names} depend on each other in a circle")
            done.append(ready)
            waiting.remove(ready)
        return done


def load_sheet(path: Path) -> Sheet:
    """Read and check a build sheet; raises SheetError for anything wrong with it."""
    return sheet_and_text(path)[0]


def sheet_and_text(path: Path) -> tuple[Sheet, str]:
    """Read and check a build sheet; return it with its whole text, shared lists of parts written out in it.

    A step's key that stands where another is meant is refused here, and not in a sheet that the record keeps: it was
    worked by as it is. Raises SheetError.
    """
    whole = whole_text(_SHEETS.text(path), path, _SHEETS)
    sheet, place = _checked(whole.text, str(path), whole.place()), whole.place()
    if wrong := [
        f"{place(('steps', at, key))}: step {at + 1}, {key}: is not read in a step of this kind; {right!r} is meant?"
        for at, step in enumerate(_SHEETS.table(whole.text, path).get("steps", ()))
        for key, right in meant_keys(step).items()
    ]:
        raise SheetError("\n".join(wrong))
    return sheet, whole.text


@lru_cache(maxsize=16)  # a sheet is frozen, and a unit's is asked for at every fact and message
def parse_sheet(text: str, where: str) -> Sheet:
    """Check the text of a build sheet; `where` names it in errors. Raises SheetError."""
    return _checked(text, where, None)


def _checked(text: str, where: str, place: Place | None) -> Sheet:
    raw = _SHEETS.table(text, where)
    place = place or place_in(text, where)
    sheet = _SHEETS.check(raw, Sheet, place)
    # What follows from each variant must hold, whichever is fitted in the end.
    of_each = {variant.name: _of_variant(raw, variant.name, place) for variant in sheet.variants}
    if sheet.sheet.variant:
        if sheet.sheet.variant not in of_each:
            there_are = ", ".join(of_each) or "none"
            raise SheetError(
                f"{place(('sheet', 'variant'))}: {sheet.sheet.variant!r} is no variant; there are: {there_are}"
            )
        sheet = of_each[sheet.sheet.variant]
    sheet._display_unit = length_unit(raw["packs"][0]["range"][0])
    named = [raw["air"]["pressure"]] if sheet.air else [one["leak_down"] for one in raw["packs"] if "leak_down" in one]
    unit = next(map(pressure_unit, named), None) or pressure_unit_beside(sheet._display_unit)
    sheet._pressure_unit = unit
    for pack in sheet.packs:
        pack._pressure_unit = unit
    return sheet


def _of_variant(raw: dict[str, Any], name: str, place: Place) -> Sheet:
    """Return the sheet as it holds for a variant."""
    try:
        return _SHEETS.check(with_variant(raw, name), Sheet, lambda way: place(place_with(raw, name, way)))
    except SheetError as error:
        raise SheetError("\n".join(f"{line} (variant {name!r})" for line in str(error).splitlines())) from error
