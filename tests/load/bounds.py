"""What no finder of strokes can do better than, and what chance allows of a proportion.

The bound of the spread: a level read n times in white noise cannot be known better than sigma / sqrt(n), the Cramer-Rao
bound of a level (Kay, Estimation Theory, example 3.3; from memory). The display rounds: averaged over where the level
lies between two steps, the mean of n rounded readings has exactly the mean square error F + (sigma^2 + d^2/12 - F) / n,
F = d^2/(2 pi^2) sum over k of exp(-(2 pi k sigma/d)^2) / k^2, from d^2/12 without dither to nothing from half a step on
(the characteristic function of Gaussian dither: Widrow and Kollar, Quantization Noise; from memory). A travel has two
such levels, the hold and the second of rest before it.
"""

from __future__ import annotations

import math

from scipy.stats import beta

__all__ = ["at_least", "at_most", "least_error", "rounding_floor"]


def rounding_floor(sigma: float, step: float) -> float:
    """Return the mean square error that averaging does not remove from readings rounded to `step`: F above."""
    total = math.fsum(math.exp(-((2 * math.pi * k * sigma / step) ** 2)) / k**2 for k in range(1, 400))
    return step**2 / (2 * math.pi**2) * total


def least_error(sigma: float, step: float, held: int, rested: int) -> float:
    """Return the least mean square error of a travel from `held` and `rested` readings (see the top)."""
    floor = rounding_floor(sigma, step)
    return 2 * floor + (sigma**2 + step**2 / 12 - floor) * (1 / max(1, held) + 1 / max(1, rested))


def at_most(hits: int, of: int) -> float:
    """Return the upper one-sided 95 % limit of a proportion (Clopper and Pearson, 1934)."""
    return 1.0 if hits >= of else float(beta.ppf(0.95, hits + 1, of - hits))


def at_least(hits: int, of: int) -> float:
    """Return the lower one-sided 95 % limit of a proportion (Clopper and Pearson, 1934)."""
    return 0.0 if hits <= 0 else float(beta.ppf(0.05, hits, of - hits + 1))
