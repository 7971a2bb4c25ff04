"""What strokes show beside the clearance: that the seal leaks, or that the check began while the air was on.

Theory. An air check is how a bad seal is found. Each stroke says how fast its travel fell while held, 0 where that
cannot be told from noise and rounding, and where a fixture measures, how fast the pressure did. A stroke leaks where

    the travel falls faster than the sheet allows (`leak`); or, where the sheet does not say, where it is flagged so, or
    falls further during its hold than a display step, which is what a hold could hide
    the pressure falls faster than the sheet allows (`leak_down`); or, where the sheet does not say, falls during its
    hold by more than a hundredth of itself, which is what a hold could hide: a gauge of class 1 shows no less (EN
    837-1; from memory). A supply can sag as well, and the words say so

One stroke may be an accident of the air, and may be the first that a failing seal shows: it is said, and asked for
again, where it fell by a display step for either end of its hold: of the noise of six holds, one falls by a step. Two,
and a quarter of the strokes, are no accident (common practice). Strokes that would count but for their fall are among
them. The remark stands beside the verdict, whatever that is: a leaking pack may well be in range, and is not good for
that.

Whether the check began with the air on, the readings say (`strokes.sides`) to whoever feeds the check.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from capture.clearance.verdict import MeasurementLimits, Remark
from capture.sheet.sheet import Pack
from capture.strokes.stroke import Stroke
from drivers.reading import LengthUnit
from drivers.units import format_length, format_pressure

#: What to do about it; how is in the maker's literature.
SEAL_FIRST: Final = (
    "Mend the seal first, as the maker's literature says, and check again: a shim does not cure a leaking seal."
)

#: What to say, and to do, where the strokes may be the pauses between them.
AIR_MAY_HAVE_BEEN_ON: Final = (
    "The air may have been on at the start: then these are the pauses between the strokes, and not the strokes."
)
AIR_OFF_FIRST: Final = "If the air was on when the check began, check again: begin with the air off."
#: The same where a recording was measured anew for it.
AIR_WAS_ON: Final = (
    "The air was on at the start, by the shape of the readings: the strokes are measured from the rest after it."
)

#: So many of the strokes that count, and at least two.
_SHARE = 0.25
#: What a hold could hide of its pressure, as a part of that.
_PART_HIDDEN = 100
#: One stroke alone that fell by no more than so many times what the stand moved is the stand (common practice).
_CLEARLY = 8


def remarks_on(
    strokes: Sequence[Stroke], pack: Pack, limits: MeasurementLimits, unit: LengthUnit
) -> tuple[Remark, ...]:
    """Return the findings about the strokes that count, or would but for their fall, in the unit of the text."""
    found = []
    falling = [stroke for stroke in strokes if _falls(stroke, pack, limits)]
    if not _enough(falling, strokes):
        falling = [
            stroke for stroke in falling if _falls(stroke, pack, limits, steps=2) and _stands_out(stroke, strokes)
        ]
    if falling:
        rates = [stroke.fall_nm_per_s for stroke in falling if stroke.fall_nm_per_s]
        how = f" by up to {format_length(max(rates), unit)} a second" if rates else ""
        allowed = f"; the sheet allows {format_length(pack.leak, unit)}" if pack.leak is not None else ""
        text = f"The seal leaks: the travel falls{how} while held, in {_of(falling, strokes)}{allowed}."
        if not _enough(falling, strokes):
            once = f"{_of(falling, strokes).capitalize()} fell away while held{how.replace('up to ', '')}{allowed}"
            text = f"{once}: repeat {'it' if len(falling) == 1 else 'them'}. If it comes again, the seal leaks."
        found.append(Remark("leak" if _enough(falling, strokes) else "leak_once", text))
    sagging = [stroke for stroke in strokes if _sags(stroke, pack)]
    if sagging:
        worst = max(stroke.leak_down_pa_per_s or 0 for stroke in sagging)
        how = f"{format_pressure(worst, pack.pressure_unit)} a second while held, in {_of(sagging, strokes)}"
        allowed = (
            f"; the sheet allows {format_pressure(pack.leak_down, pack.pressure_unit)}"
            if pack.leak_down is not None
            else ""
        )
        if _enough(sagging, strokes):
            text = f"The seal leaks, or the supply sags: the pressure falls by up to {how}{allowed}."
            found.append(Remark("leak_down", text))
        else:
            text = f"The pressure fell by {how}{allowed}: repeat it. If it comes again, the seal leaks."
            found.append(Remark("leak_down_once", text))
    return tuple(found)


def _falls(stroke: Stroke, pack: Pack, limits: MeasurementLimits, steps: int = 1) -> bool:
    rate = stroke.fall_nm_per_s
    if rate is None:
        return "leak" in stroke.flags
    if pack.leak is not None:
        return rate > pack.leak
    return "leak" in stroke.flags or rate * _held_ns(stroke) > steps * limits.resolution_nm * 1_000_000_000


def _stands_out(stroke: Stroke, strokes: Sequence[Stroke]) -> bool:
    """Say whether it fell by clearly more than the rest moved over these strokes, root mean square."""
    moved_squared = sum(one.return_error_nm**2 for one in strokes) // len(strokes)
    fell = max((stroke.fall_nm_per_s or 0) * _held_ns(stroke) // 1_000_000_000, -stroke.creep_nm)
    return fell * fell >= _CLEARLY**2 * moved_squared


def _sags(stroke: Stroke, pack: Pack) -> bool:
    rate = stroke.leak_down_pa_per_s or 0
    if pack.leak_down is not None:
        return rate > pack.leak_down
    return rate * _held_ns(stroke) * _PART_HIDDEN > (stroke.pressure_max_pa or 0) * 1_000_000_000


def _held_ns(stroke: Stroke) -> int:
    return max(0, stroke.end_ns - stroke.start_ns - stroke.rise_ns)


def _enough(some: Sequence[Stroke], strokes: Sequence[Stroke]) -> bool:
    return len(some) >= max(2, _SHARE * len(strokes))


def _of(some: Sequence[Stroke], strokes: Sequence[Stroke]) -> str:
    return f"{len(some)} of {len(strokes)} {'stroke' if len(strokes) == 1 else 'strokes'}"
