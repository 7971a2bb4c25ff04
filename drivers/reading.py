"""The one thing every indicator driver produces: a reading in exact integer nanometres."""

from __future__ import annotations

from typing import Literal, NamedTuple

LengthUnit = Literal["in", "mm"]

#: The value lies outside the `range` setting, where the plunger cannot go.
OUT_OF_RANGE = "out_of_range"
#: The value is no multiple of the `resolution` setting, so digits may be missing or extra.
OFF_GRID = "off_grid"
#: A line with fewer decimals than all lines before it had, so digits were lost on the way.
CUT_SHORT = "cut_short"
#: A line with more decimals than all lines before it had, so that a digit came in between on the way.
TOO_MANY_DIGITS = "too_many_digits"


class Reading(NamedTuple):
    """One displayed value of an indicator.

    `value_nm` is the displayed length in integer nanometres (1 in = 25.4 mm exactly, NIST SP 811 app. B);
    `unit` is the unit the indicator displayed; `flags` names what is doubtful about the reading.
    """

    value_nm: int
    unit: LengthUnit
    flags: tuple[str, ...] = ()
