"""The readings of one dimension of a part: typed ones as lengths, what they come to, and that in words. Pure.

A dimension is judged as a clearance is: its mean against its range, under the readings' repeatability, the instrument's
step (of its zero and of its value) and its limit of error (`clearance.verdict`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from statistics import median_low
from typing import Final

from capture.clearance.verdict import MeasurementLimits, Verdict, VerdictWord, judge
from capture.sheet.dimensions import Dimension
from drivers.units import format_length, parse_length

_READING: Final = re.compile(r"([+-]?\d*[.,]?\d+)[ \t]*(mm|um|inch|in|\")?(?:[;, \t]+|$)", re.IGNORECASE)
_WORDS: Final[dict[VerdictWord, str]] = {
    "good": "in its range",
    "tight": "below its range",
    "loose": "above its range",
    "inconclusive": "too close to its limit to tell: measure again with more readings, or with a finer instrument",
}
#: A reading further from the others than this part of them asks whether it was meant (common practice).
_FAR_OFF: Final = 4


def typed_readings(text: str, dimension: Dimension) -> tuple[int, ...]:
    """Return the readings typed in a line, such as "12.40 12.41 12.40", nm; a number alone has the sheet's unit.

    Raises ValueError.
    """
    found, at, rest = [], 0, text.strip()
    while at < len(rest):
        match = _READING.match(rest, at)
        if match is None:
            raise ValueError(f"{rest[at:]!r} is no reading; expected such as 12.40 12.41 12.40")
        unit = (match[2] or dimension.unit).lower()
        found.append(parse_length(f"{match[1].replace(',', '.')} {'in' if unit in ('inch', chr(34)) else unit}"))
        at = match.end()
    return tuple(found)


def too_few(dimension: Dimension, readings: Sequence[int]) -> str:
    """Say what is wrong with the number of readings; empty if nothing is."""
    if len(readings) >= dimension.readings:
        return ""
    return f"{len(readings)} of at least {dimension.readings} readings; measure at other places of the part as well"


def far_off(dimension: Dimension, readings: Sequence[int]) -> str:
    """Say which reading is far from the others, for a second look; empty for none."""
    middle = median_low(readings)
    worst = max(readings, key=lambda reading: abs(reading - middle))
    apart = abs(worst - middle)
    if apart * _FAR_OFF <= abs(middle) or apart <= dimension.range[1] - dimension.range[0]:
        return ""
    return f"{format_length(worst, dimension.unit)} is far from {format_length(middle, dimension.unit)}"


def measured(dimension: Dimension, readings: Sequence[int]) -> Verdict | None:
    """Return what the readings come to; None with fewer than two."""
    low, high = dimension.range
    return judge(readings, low, high, MeasurementLimits(dimension.resolution, dimension.max_error))


def measured_words(dimension: Dimension, readings: Sequence[int]) -> str:
    """Return what they come to: "12.413 mm ± 0.008 mm, above its range"; empty without."""
    verdict = measured(dimension, readings)
    if verdict is None:
        return ""
    mean, spread = (format_length(nm, dimension.unit) for nm in (verdict.mean_nm, verdict.expanded_uncertainty_nm))
    return f"{mean} ± {spread}, {_WORDS[verdict.verdict]}"
