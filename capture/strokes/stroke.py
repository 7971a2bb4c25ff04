"""One stroke as it was measured, its flags, and with which of them it still counts. Plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

#: The flags a stroke can carry, in the order they are listed.
FLAGS = (
    "glitch",
    "no_return",
    "base_moved",
    "out_of_reach",
    "creep",
    "leak",
    "short_hold",
    "sparse",
    "rezeroed",
    "pressure",
    "gap",
)


#: Flags with which a stroke still counts: the rejected reading is left out of a glitched stroke, and the
#: peak of a leaking one was reached before it fell away (a held level was not: see `counts`).
_HARMLESS = frozenset({"glitch", "leak"})


def counts(flags: Sequence[str], measured: str = "peak") -> bool:
    """Say whether a stroke with these flags still counts for a sheet that measures "peak" or "held"."""
    harmless = _HARMLESS if measured == "peak" else _HARMLESS - {"leak"}
    return all(flag in harmless for flag in flags)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One apply and release, as measured. Lengths nm (travels positive), times ns since the recording began.

    `creep_nm` is how far the travel was still growing late in the hold (negative: falling away);
    `return_error_nm` is rest after minus rest before, along the travel. `flags` uses the spellings of FLAGS;
    `accepted` says whether the stroke still counts.
    """

    n: int
    start_ns: int
    end_ns: int
    released_nm: int
    peak_travel_nm: int
    held_travel_nm: int
    rise_ns: int
    creep_nm: int
    return_error_nm: int
    flags: tuple[str, ...]
    accepted: bool
    rounding_nm: int | None = None
    """Standard uncertainty that the display's rounding leaves in this travel, dithered by the noise it showed, nm."""
    fall_nm_per_s: int | None = None
    """How fast the travel fell while held, 0 where it did not or where that cannot be told from noise and rounding,
    nanometres a second. None, like the rounding above, in a stroke that the finder did not measure."""
    inferred_nm: int | None = None
    """Standard uncertainty of what was not read but inferred, nm: a base that drifts unevenly between the rests, a
    squeeze-out or a return followed to its end, a leak followed back to where it began. 0 where nothing was."""
    pressure_min_pa: int | None = None
    """Lowest gauge pressure while held, pascals; None, like the two below, where no fixture measured it."""
    pressure_max_pa: int | None = None
    leak_down_pa_per_s: int | None = None
    """How fast the pressure fell while held, 0 where it did not, pascals a second."""
