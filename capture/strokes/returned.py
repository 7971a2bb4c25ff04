"""What the way back of one stroke says: whether it came home, whether the base moved, and what the plunger can reach.

All arithmetic is on integers. Lengths are nanometres.
"""

from __future__ import annotations

from capture.strokes.hold import StrokeSamples


def return_tolerance(travel_nm: int, noise_nm: int, resolution_nm: int) -> int:
    """Return how far from rest still counts as back at rest: display steps, noise, or 2 % of the travel.

    Of a stroke hardly above its noise, at most a third, or its hold would be near rest.
    """
    return max(5 * resolution_nm // 2, min(4 * noise_nm, travel_nm // 3), travel_nm // 50)


def base_moves(travel_nm: int, noise_nm: int, resolution_nm: int) -> int:
    """Return from how far on a rest after a stroke is another than the one before: as much, less what noise allows."""
    return max(5 * resolution_nm // 2, 2 * noise_nm, travel_nm // 50)


def return_flags(samples: StrokeSamples, peak: int, noise: int, resolution_nm: int, flags: set[str]) -> int:
    """Add what the return says, and return the rest after minus the rest before, along the travel."""
    after = samples.values[-1] if samples.rest_after_nm is None else samples.rest_after_nm
    error = samples.direction * (after - samples.rest_nm)
    # Both levels are means of several readings, at least four: twice the noise of one is four times theirs.
    if error * 8 > peak and (not samples.returned or error > 2 * noise):
        flags.add("no_return")
    # From an eighth to a third of the travel it may be either: a piston that stuck, or an indicator that slipped.
    if error * 3 <= peak and abs(error) > base_moves(peak, noise, resolution_nm):
        flags.add("base_moved")
    return error


def reach_flags(
    samples: StrokeSamples, peak: int, resolution_nm: int, plunger_range: tuple[int, int], flags: set[str]
) -> None:
    """Add `out_of_reach` where the plunger was at or near an end of its range."""
    low, high = plunger_range
    margin = max(2 * resolution_nm, (high - low) // 200)
    seen = [samples.rest_nm + samples.direction * peak]
    # An indicator zeroed at rest shows zero wherever its plunger stands, so zero at rest says nothing.
    if abs(samples.rest_nm) > 2 * resolution_nm:
        seen.append(samples.rest_nm)
    if any(value <= low + margin or value >= high - margin for value in seen):
        flags.add("out_of_reach")
