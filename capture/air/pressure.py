"""Pressure readings and the valve's times in; what the air did during each hold out. No I/O and no clock.

Theory. A travel means something only at the pressure that the sheet's limits assume. Between apply and release,
once the pressure has had time to settle, three things are kept: the lowest and highest reading, which the window
judges, and the sums of a straight line through the readings by ordinary least squares (JCGM 100, H.3.2):

    slope = (n Σtp - Σt Σp) / (n Σt² - (Σt)²)

Its sign and size tell a leak or a supply that sags (falling) from a regulator that creeps (rising). A slope is
spoken of only where it is surely one and the line changes by an eighth of the window, or a hundredth of the pressure
where there is no window, during the hold (common practice).

Surely. A regulator hunts: readings one after the other err alike, and least squares believe a slope that is none. The
residuals say how alike, by their correlation r at one reading's distance. A line takes away from it what r' = (r + 2/n)
/ (1 - 4/n) puts back (Marriott and Pope, Biometrika 41, 1954; from memory). Noise that is an autoregression of the
first order leaves n (1 - r') / (1 + r') independent readings of n, and as much more variance in the slope (von Storch
and Zwiers, Statistical Analysis in Climate Research, 6.6.8; from memory). A slope counts that is beyond the t quantile
of three standard deviations, at that many degrees of freedom less two, at least three (Cornish and Fisher's series).

Cost. Each reading adds to eight sums; memory does not grow with the hold. The sums are integers and the quotients
Fractions, so a replay gives the same numbers on any machine. Pressure is gauge pressure in pascals.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction
from math import isqrt

from drivers.units import PressureUnit, format_pressure

__all__ = ["HeldPressure", "PressureWatch"]

#: Filling the piston takes about this long; readings before it are no hold (common practice).
SETTLE_NS = 300_000_000
#: A large piston behind a small orifice takes longer to come up to the window, but no longer than this (common
#: practice): up to here, readings before the pressure first reaches the window are filling, not holding.
LONGEST_FILL_NS = 1_000_000_000
#: A line through fewer readings than this says nothing.
LEAST_READINGS = 5
#: Holds kept for strokes that are still to be completed.
_KEPT = 8


@dataclass(frozen=True, slots=True)
class HeldPressure:
    """What the pressure did during one hold. Times ns on the recording's clock, pressures pascals gauge."""

    applied_ns: int
    released_ns: int
    readings: int
    """How many settled readings there were; with none, the pressures are None."""
    min_pa: int | None
    max_pa: int | None
    slope_pa_per_s: Fraction | None
    """Of the line through the settled readings, exact; negative while the pressure falls."""
    sure: bool
    """Whether the slope is more than the noise of the readings makes."""
    outside: bool
    """Whether a settled reading lay outside the window."""
    words: str
    """What is wrong with the air and what to do; empty if nothing is."""

    @property
    def flags(self) -> tuple[str, ...]:
        """What this puts on the stroke."""
        return ("pressure",) if self.outside else ()

    @property
    def leak_down_pa_per_s(self) -> int | None:
        """How fast the pressure fell, rounded; 0 where noise may do that, None where too few readings tell."""
        if self.slope_pa_per_s is None:
            return None
        return max(0, round(-self.slope_pa_per_s)) if self.sure else 0


class PressureWatch:
    """Watches the air of one check. Feed it in order of time; it never does I/O."""

    def __init__(
        self, window_pa: tuple[int, int] | None, unit: PressureUnit = "kPa", *, settle_ns: int = SETTLE_NS
    ) -> None:
        """`window_pa` is the sheet's lowest and highest gauge pressure, both allowed, None where it names none; `unit`
        is what its words are in."""
        if window_pa is not None and window_pa[0] > window_pa[1]:
            raise ValueError(f"the window runs from {window_pa[0]} Pa down to {window_pa[1]} Pa; expected low, high")
        self._window = window_pa
        self._unit = unit
        self._settle_ns = settle_ns
        self._fill_ns = max(settle_ns, LONGEST_FILL_NS)
        self._holds: deque[HeldPressure] = deque(maxlen=_KEPT)
        self._applied_ns: int | None = None
        self._arrived = False
        """Whether this hold's pressure has come up to the window."""
        self._clear()

    def _clear(self) -> None:
        self._n = self._t = self._p = self._tt = self._tp = self._pp = 0
        # Of every reading and the one before it.
        self._next_pp = self._next_tp = self._next_tt = 0
        self._start: tuple[int, int] | None = None
        self._before: tuple[int, int] | None = None
        self._min: int | None = None
        self._max: int | None = None
        self._first_ns = self._last_ns = 0

    def applied(self, t_ns: int) -> None:
        """The valve opened at `t_ns`; said again during a hold, it changes nothing."""
        if self._applied_ns is None:
            self._applied_ns = t_ns
            self._arrived = False
            self._clear()

    def feed(self, t_ns: int, pascals: int) -> None:
        """Take one pressure reading."""
        if self._applied_ns is None or t_ns - self._applied_ns < self._settle_ns:
            return
        if self._window is not None and not self._arrived and pascals >= self._window[0]:
            self._arrived = True
            if t_ns - self._applied_ns < self._fill_ns:
                # What came before was the piston filling, not the air failing to hold.
                self._clear()
        if not self._n:
            self._first_ns = t_ns
        self._last_ns = t_ns
        t = t_ns - self._applied_ns
        if self._before is None:
            self._start = (t, pascals)
        else:
            u, q = self._before
            self._next_pp += pascals * q
            self._next_tp += pascals * u + t * q
            self._next_tt += t * u
        self._before = (t, pascals)
        self._n += 1
        self._t += t
        self._p += pascals
        self._tt += t * t
        self._tp += t * pascals
        self._pp += pascals * pascals
        self._min = pascals if self._min is None else min(self._min, pascals)
        self._max = pascals if self._max is None else max(self._max, pascals)

    def released(self, t_ns: int) -> HeldPressure | None:
        """The valve was shut at `t_ns`; return what the hold was like, None if there was none."""
        if self._applied_ns is None:
            return None
        outside = False
        if self._window is not None and self._min is not None and self._max is not None:
            outside = self._min < self._window[0] or self._max > self._window[1]
        slope = self._slope()
        sure = slope is not None and self._is_sure(slope)
        held = HeldPressure(
            applied_ns=self._applied_ns,
            released_ns=t_ns,
            readings=self._n,
            min_pa=self._min,
            max_pa=self._max,
            slope_pa_per_s=slope,
            sure=sure,
            outside=outside,
            words=" ".join(text for text in (self._level_words(outside), self._slope_words(slope, sure)) if text),
        )
        self._holds.append(held)
        self._applied_ns = None
        self._clear()
        return held

    def during(self, start_ns: int, end_ns: int) -> tuple[HeldPressure, ...]:
        """Return the holds that fall into a stroke's time, oldest first; of older ones only the last few are kept."""
        return tuple(held for held in self._holds if held.applied_ns <= end_ns and held.released_ns >= start_ns)

    def _slope(self) -> Fraction | None:
        spread = self._n * self._tt - self._t**2
        if self._n < LEAST_READINGS or not spread:
            return None
        return Fraction((self._n * self._tp - self._t * self._p) * 1_000_000_000, spread)

    def _is_sure(self, slope: Fraction) -> bool:
        """Say whether a slope is beyond what noise as correlated as its residuals makes (JCGM 100, H.3.2)."""
        sxx = Fraction(self._n * self._tt - self._t**2, self._n * 10**18)
        syy = Fraction(self._n * self._pp - self._p**2, self._n)
        squares = syy - slope**2 * sxx
        if squares <= 0:
            return slope != 0
        alike = self._correlation(slope, squares)
        independent = self._n * (1 - alike) / (1 + alike)
        variance = squares / ((self._n - 2) * sxx) * self._n / independent
        return slope**2 > _sure_factor(max(Fraction(3), independent - 2)) ** 2 * variance

    def _correlation(self, slope: Fraction, squares: Fraction) -> Fraction:
        """Return the correlation of the noise from one reading to the next, 0 or more."""
        if self._start is None or self._before is None:
            return Fraction(0)
        (first_t, first_p), (last_t, last_p) = self._start, self._before
        b = slope / 10**9
        a = (self._p - b * self._t) / self._n
        both_p, both_t = 2 * self._p - first_p - last_p, 2 * self._t - first_t - last_t
        products = self._next_pp - b * self._next_tp + b**2 * self._next_tt - a * both_p + a * b * both_t
        products += a**2 * (self._n - 1)
        n = max(self._n, LEAST_READINGS)
        unbiased = (products / squares + Fraction(2, n)) / (1 - Fraction(4, n))
        # What n readings tell of a correlation is uncertain by 1 / sqrt(n); too little would be believed too much. But
        # never so much that fewer than two readings would be independent.
        at_most = unbiased + Fraction(1000, isqrt(1_000_000 * n))
        return min(max(at_most, Fraction(0)), 1 - Fraction(4, n + 4))

    def _gauge(self, pascals: int) -> str:
        return f"{format_pressure(pascals, self._unit)} gauge"

    def _level_words(self, outside: bool) -> str:
        if self._min is None or self._max is None:
            return "No pressure was measured once it had settled: hold longer, or check the pressure sensor."
        if not outside or self._window is None:
            return ""
        low, high = self._window
        window = f"the sheet asks for {self._gauge(low)} to {self._gauge(high)}"
        if self._min < low and self._max > high:
            went = f"from {self._gauge(self._min)} to {self._gauge(self._max)}"
            return f"The pressure went {went}; {window}. Steady the supply."
        if self._max < low:
            return f"The pressure reached only {self._gauge(self._max)}; {window}. Turn the regulator up."
        if self._min > high:
            return f"The pressure never fell below {self._gauge(self._min)}; {window}. Turn the regulator down."
        if self._min < low:
            return f"The pressure sagged to {self._gauge(self._min)}; {window}. Look for a leak or a starved supply."
        return f"The pressure rose to {self._gauge(self._max)}; {window}. Check the regulator."

    def _slope_words(self, slope: Fraction | None, sure: bool) -> str:
        if slope is None:
            return ""
        change = abs(slope) * Fraction(self._last_ns - self._first_ns, 1_000_000_000)
        least = (
            Fraction(self._window[1] - self._window[0], 8) if self._window else Fraction(abs(self._p), 100 * self._n)
        )
        if change <= least or not sure:
            return ""
        rate = f"by {format_pressure(abs(slope), self._unit)} a second"
        if slope < 0:
            return f"The gauge pressure fell {rate} while held: the pack leaks, or the supply sags."
        return f"The gauge pressure rose {rate} while held: the regulator creeps, or still fills the pack."


def _sure_factor(dof: Fraction) -> Fraction:
    """Return the t quantile of three standard deviations by Cornish and Fisher's series (Abramowitz and Stegun, 26.7.5;
    from memory)."""
    z = 3
    return (
        z
        + Fraction(z**3 + z, 4) / dof
        + Fraction(5 * z**5 + 16 * z**3 + 3 * z, 96) / dof**2
        + Fraction(3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z, 384) / dof**3
    )
