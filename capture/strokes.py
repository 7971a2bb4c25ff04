"""Readings in, strokes out: finds every apply, hold and release, and measures its travel."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stroke:
    """One apply and release, as measured. Lengths nm (travels positive), times ns since the recording began.

    `creep_nm` is how far the travel was still growing late in the hold (negative: falling away);
    `return_error_nm` is rest after minus rest before, along the travel. `flags` uses the spellings of FLAGS.
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
