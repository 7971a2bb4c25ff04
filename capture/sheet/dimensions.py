"""The dimensions of a build sheet: what is measured of a part itself, as the wear of a hub or the height of a stack.

In a sheet:

    [[dimensions]]
    name = "hub groove depth"
    range = ["0 mm", "0.15 mm"]
    instrument = "depth gauge DG-03"
    resolution = "0.01 mm"
    readings = 3
    before = "low"

A dimension is one of the unit's steps: it is signed with its readings, before the packs that it names or after all of
them. Whether it is good is decided under its uncertainty, elsewhere.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import ConfigDict, Field, ModelWrapValidatorHandler, PrivateAttr, model_validator

from capture.sheet.steps import Step
from drivers.reading import LengthUnit
from drivers.units import LengthNm, format_length, length_unit


class Dimension(Step):
    """What one part must measure. Lengths nm."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["dimension"] = "dimension"
    name: str = Field(min_length=1)
    order: None = None
    value: None = None
    pattern: None = None
    text: str = ""
    range: tuple[LengthNm, LengthNm]
    readings: int = Field(default=3, ge=2, le=30)
    """How many at least, at places around the part; two show no more than that they differ."""
    instrument: str = ""
    resolution: LengthNm = Field(gt=0)
    """The instrument's smallest step."""
    max_error: LengthNm = Field(default=0, ge=0)
    """The instrument's limit of error, plus or minus."""
    _unit: LengthUnit = PrivateAttr(default="mm")

    @model_validator(mode="wrap")
    @classmethod
    def _keep_unit(cls, value: Any, handler: ModelWrapValidatorHandler[Dimension]) -> Dimension:
        made = handler(value)
        if isinstance(value, dict):
            made._unit = length_unit(value["range"][1])
        return made

    @model_validator(mode="after")
    def _check(self) -> Dimension:
        if not 0 <= self.range[0] < self.range[1]:
            raise ValueError("range: expected a lower and a higher length, such as ['0 mm', '0.15 mm']")
        return self

    @property
    def unit(self) -> LengthUnit:
        """The unit to show it in: that of its range."""
        return self._unit

    @property
    def instruction(self) -> str:
        """What to do and to mind."""
        return self.text

    def details(self) -> str:
        """Return in a few words what the sheet asks for beside the title."""
        low, high = (format_length(limit, self.unit) for limit in self.range)
        limits = f"at most {high}" if self.range[0] == 0 else f"{low} to {high}"
        return ", ".join(part for part in (limits, f"{self.readings} readings", self.instrument, self._first()) if part)
