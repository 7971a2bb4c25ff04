"""What an expert writes with NumPy when the whole array is there: the same strokes, found with it all in view.

Beside the streaming finder it shows what finding strokes as they come costs. It measures each stroke with the same
`stroke_measure`; what differs is the finding.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from capture.strokes.hold import StrokeSamples
from capture.strokes.measure import Measured, measure

Ints = NDArray[np.int64]


def offline(times_ns: Ints, values_nm: Ints, rate_hz: int, resolution_nm: int) -> list[Measured]:
    """Find and measure the strokes of a steady stream, oldest first. Lengths nm, times ns."""
    one, two, three = values_nm[:-2], values_nm[1:-1], values_nm[2:]
    medians = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    base = float(np.median(medians[::8]))
    noise = 0.8862 * float(np.mean(np.abs(np.diff(values_nm[: 2 * rate_hz]))))
    offsets = medians - base
    threshold = max(4.5 * noise, 3 * resolution_nm, 40_000)
    edges = np.flatnonzero(np.diff((np.abs(offsets) > threshold).astype(np.int8)))
    sums = np.concatenate(([0], np.cumsum(values_nm)))
    found = []
    for start, end in zip((edges[::2] + 1).tolist(), (edges[1::2] + 1).tolist(), strict=True):
        before = max(0, start - rate_hz)
        rest = int((sums[start] - sums[before]) // (start - before))
        stop = min(len(values_nm), end + rate_hz // 4)
        direction = 1 if offsets[(start + end) // 2] > 0 else -1
        top = int(np.max(direction * (medians[start:end] - rest)))
        fall = start + int(np.flatnonzero(2 * direction * (medians[start:end] - rest) >= top)[-1]) + 2
        after = int((sums[stop] - sums[end]) // (stop - end))
        samples = StrokeSamples(
            times=times_ns[start:stop].tolist(),
            values=values_nm[start:stop].tolist(),
            rest_time=int(times_ns[start - 1]),
            rest_nm=rest,
            direction=direction,
            noise_nm=round(noise),
            rest_noise_nm=round(noise),
            top_nm=top,
            fall_index=fall - start,
            rest_after_nm=after,
            returned=True,
            reading_ns=1_000_000_000 // rate_hz,
            release_ns=None,
            noted=frozenset(),
        )
        measured = measure(samples, resolution_nm, None)
        if measured is not None:
            found.append(measured)
    return found
