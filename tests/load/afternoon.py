"""The program that a capable person writes in an afternoon: split the stream, and take the highest less the lowest."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = ["Guess", "from_rest", "max_minus_min"]

Floats = NDArray[np.float64]

Guess = tuple[float, float]
"""When a stroke was, s, and its travel, nm."""


def from_rest(t_s: Floats, values_nm: NDArray[np.int64]) -> Floats:
    """Return offsets from the first second's median, nm, along the larger side."""
    values = values_nm.astype(float)
    offsets = values - np.median(values[t_s < 1.5])
    return np.asarray(offsets if offsets.max() >= -offsets.min() else -offsets)


def _runs(above: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], above.astype(int), [0]))))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def max_minus_min(t_s: Floats, values_nm: NDArray[np.int64]) -> list[Guess]:
    """Split at half the largest offset; the highest of each part less the lowest since the part before."""
    x, before, found = from_rest(t_s, values_nm), 0, []
    for start, end in _runs(x > x.max() / 2):
        base = x[before:start].min() if start > before else 0.0
        found.append((float(t_s[start]), float(x[start:end].max() - base)))
        before = end
    return found
