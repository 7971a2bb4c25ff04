"""What is known of a length, as the sum of what is known of its terms: probabilities and intervals. Lengths nm.

Theory. JCGM 101 gives every input of a budget a distribution (table 1): strokes that scatter a scaled and shifted t of
n - 1 degrees of freedom (6.4.9), a limit of error, a rounding or an angle that may be anywhere in between a rectangle
(6.4.2), a certificate's or another budget's normal result a normal one (6.4.7). What is known of a sum is the
distribution of the sum, the convolution of its terms. Welch and Satterthwaite's t (JCGM 100, G.4.1) stands in for it
where every term is near to normal; beside a rectangle that dominates its interval is 4 to 18 % too wide.

All terms here are symmetric about zero and independent; so is their sum, and it is enough to know it from zero on.
JCGM 101 draws random numbers, which nobody can draw again. Here the sum is convolved by numbers:

    bounded      the rectangles and all t terms but the widest become masses on an even grid, each cell holding exactly
                 what its term has there; the widest rectangle is a whole number of cells wide, so its edges are exact.
                 A t term ends at twenty of its scales. Two points share their masses between the cells on either side
    exact        the widest t term is never cut: with F its distribution and H(x) the integral of F up to x, a cell of
                 width w about c adds its mass times (H(x - c + w/2) - H(x - c - w/2)) / w. H is known in closed form

The grid has 256 cells in the widest rectangle, or 64 in a scale of the widest t. That is as a histogram would be of
ten thousand million draws: probabilities are right to about 1e-5, intervals to a ten-thousandth of them. Several t
terms of very few degrees of freedom lose by what ends at twenty scales: three alike of two degrees, 0.03 % of a 95 %
interval and 3 % of a 99 % one. A t term by itself is SciPy's. Beyond where the bounded terms end by some way, three
points with their second and fourth moment stand for them.

On another machine the last digits of a double may differ. So `half_width` answers in thousandths of a nanometre, and
who compares a probability with a level rounds it first (`verdict`); a coincidence with such a digit is one in millions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_CELLS_IN_RECTANGLE = 256
_CELLS_IN_SCALE = 64
_CELLS_BETWEEN_ENDS = 4096
#: A t term beside a wider one ends here, in its own scales.
_SCALES_KEPT = 20
#: What is smaller than this term of the widest moves no digit that anybody sees.
_NOTHING = 1e-6


@dataclass(frozen=True, slots=True, order=True)
class Term:
    """One symmetric term of a sum. A rectangle has no degrees of freedom, and its half-width for a scale; two points
    have zero of them, and half of what lies between them."""

    scale_nm: float
    dof: float | None

    @property
    def standard_nm(self) -> float:
        """Standard uncertainty as a budget has it (JCGM 100, 4.2.3 and 4.3.7)."""
        return self.scale_nm if self.dof is not None else self.scale_nm / math.sqrt(3)


def scaled_t(standard_nm: float, dof: float) -> Term:
    """Return what repeated readings tell (JCGM 101, 6.4.9); infinite `dof` are a normal distribution."""
    if not dof > 0 or standard_nm < 0:
        raise ValueError(f"no t distribution: scale {standard_nm}, {dof} degrees of freedom; expected more than none")
    return Term(standard_nm, dof)


def normal(standard_nm: float) -> Term:
    """Return a normal term (JCGM 101, 6.4.7)."""
    return scaled_t(standard_nm, math.inf)


def rectangle(half_width_nm: float) -> Term:
    """Return a term that may be anywhere up to `half_width_nm` to either side (JCGM 101, 6.4.2)."""
    if half_width_nm < 0:
        raise ValueError(f"no rectangle: half-width {half_width_nm}; expected none or more")
    return Term(half_width_nm, None)


def two_points(half_width_nm: float) -> Term:
    """Return a term that is at one end or the other, `half_width_nm` to either side, each as likely: of all that lie
    between the two ends that which asks for the widest interval."""
    if half_width_nm < 0:
        raise ValueError(f"no two points: half-width {half_width_nm}; expected none or more")
    return Term(half_width_nm, 0.0)


@dataclass(frozen=True, slots=True)
class Distribution:
    """A sum of independent symmetric terms, its mean zero. Equal terms in any order are equal sums."""

    terms: tuple[Term, ...]

    @staticmethod
    def of(terms: Iterable[Term]) -> Distribution:
        """Return the sum of `terms`; normal ones become a single one, and nothing is left out."""
        kept = [term for term in terms if term.scale_nm > 0]
        normals = [term.scale_nm for term in kept if term.dof == math.inf]
        others = [term for term in kept if term.dof != math.inf]
        if normals:
            others.append(Term(normals[0] if len(normals) == 1 else math.hypot(*normals), math.inf))
        return Distribution(tuple(sorted(others, key=lambda term: (term.dof is None, term.dof or 0.0, term.scale_nm))))

    def plus(self, terms: Iterable[Term]) -> Distribution:
        """Return the sum of this and more terms."""
        return Distribution.of((*self.terms, *terms))

    @property
    def standard_nm(self) -> float:
        """Combined standard uncertainty (JCGM 100, 5.1.2)."""
        return math.sqrt(math.fsum(term.standard_nm**2 for term in self.terms))

    def below(self, x_nm: Any) -> Any:
        """Return the probability that the sum is below `x_nm`: a float for a number, an array for an array."""
        import numpy as np

        x = np.asarray(x_nm, float)
        upper = _table(self.terms).upper(np.abs(x))
        probability = np.where(x < 0, 1 - upper, upper)
        return float(probability) if probability.ndim == 0 else probability

    def density(self, x_nm: float) -> float:
        """Return the probability density at `x_nm`, per nm, over a cell of the grid."""
        half = max(_table(self.terms).step_nm, 1e-9) / 2
        at = abs(x_nm)
        # Both on the far side, where a probability keeps its digits.
        return float(self.below(-at + half) - self.below(-at - half)) / (2 * half)

    def quantile(self, probability: float) -> float:
        """Return the x below which the sum is with `probability`, 0 < probability < 1."""
        if not 0 < probability < 1:
            raise ValueError(f"no quantile at {probability}; expected a probability between 0 and 1")
        away = _table(self.terms).quantile(max(probability, 1 - probability))
        return away if probability >= 0.5 else -away

    def half_width(self, coverage: float) -> float:
        """Return the half-width of the interval that holds `coverage` of the sum (JCGM 101, 7.7), to 0.001 nm."""
        return round(self.quantile((1 + coverage) / 2), 3)


#: Of what is exactly known.
EXACT = Distribution(())


@dataclass(frozen=True, slots=True)
class _Table:
    """The distribution from zero on: as nodes of even steps, and beyond them as three points."""

    core: Term | None
    step_nm: float
    nodes_nm: Floats
    values: Floats
    points: tuple[tuple[float, float], ...]
    """What stands for the bounded terms far out: (where, how much)."""

    def upper(self, x: Floats) -> Floats:
        """Return the distribution at `x`, all at zero or above."""
        import numpy as np

        near = np.interp(x, self.nodes_nm, self.values) if len(self.nodes_nm) else np.full_like(x, 0.5)
        far = x > self.nodes_nm[-1] if len(self.nodes_nm) else np.ones_like(x, bool)
        if not far.any():
            return near
        return np.where(far, self._far(x), near)

    def _far(self, x: Floats) -> Floats:
        import numpy as np

        return np.asarray(sum(mass * _cumulative(self.core, x - at) for at, mass in self.points))

    def quantile(self, probability: float) -> float:
        """Return the x of a probability of at least a half."""
        import numpy as np

        if len(self.nodes_nm) and probability <= self.values[-1]:
            return float(np.interp(probability, self.values, self.nodes_nm))
        if self.core is None:
            return float(self.nodes_nm[-1]) if len(self.nodes_nm) else 0.0
        if len(self.points) == 1:
            return self.core.scale_nm * _t_quantile(self.core.dof or math.inf, probability)
        low = float(self.nodes_nm[-1])
        high = low + self.core.scale_nm
        while float(self._far(np.array(high))) < probability:
            low, high = high, 2 * high
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if float(self._far(np.array(middle))) < probability else (low, middle)
        return (low + high) / 2


@lru_cache(maxsize=32)  # 12 kB each; a verdict asks a few, and the next one seldom the same
def _table(terms: tuple[Term, ...]) -> _Table:
    """Return the table of a sum: the work is done here, and once."""
    import numpy as np

    widest = max((term.scale_nm for term in terms), default=0.0)
    kept = [term for term in terms if term.scale_nm > _NOTHING * widest]
    spread = sorted((term for term in kept if term.dof), key=lambda term: term.scale_nm)
    core = spread.pop() if spread else None
    edges = sorted(term.scale_nm for term in kept if term.dof is None)
    ends = [term.scale_nm for term in kept if term.dof == 0]
    if not spread and not edges and not ends:
        empty = np.empty(0)
        return _Table(core, core.scale_nm / _CELLS_IN_SCALE if core else 0.0, empty, empty, ((0.0, 1.0),))
    step = max(
        2 * edges[-1] / _CELLS_IN_RECTANGLE if edges else 0.0,
        core.scale_nm / _CELLS_IN_SCALE if core else 0.0,
        2 * sum(ends) / _CELLS_BETWEEN_ENDS,
    )
    masses = np.ones(1)
    if edges and edges[-1] > step:
        # As many cells as it takes, and then exactly that wide.
        cells = math.ceil(2 * edges[-1] / step - 1e-9)
        step = 2 * edges.pop() / cells
        masses = np.full(cells, 1 / cells)
    for half in edges:
        masses = np.convolve(masses, _rectangle_on(half, step))
    for half in ends:
        masses = np.convolve(masses, _two_points_on(half, step))
    for term in spread:
        masses = np.convolve(masses, _t_on(term, step))
    reach = (len(masses) - 1) / 2
    offsets = (np.arange(len(masses)) - reach) * step
    second, fourth = float(masses @ offsets**2), float(masses @ offsets**4)
    scale = core.scale_nm if core else 0.0
    count = math.ceil(reach + max(reach, 8 * scale / step)) + 2
    # The exact term smeared over a cell, at every distance of a node from a mass.
    edges_nm: Floats = (np.arange(count + len(masses) + 1, dtype=float) - reach - 0.5) * step
    smeared = np.diff(_integral(core, edges_nm)) / step
    # The masses are symmetric: what a convolution turns round stays as it is.
    values = np.maximum.accumulate(np.clip(np.convolve(smeared, masses, "valid"), 0.5, 1.0))
    far = math.sqrt(fourth / second) if second else 0.0
    weight = second / (2 * far**2) if far else 0.0
    points = ((-far, weight), (0.0, 1 - 2 * weight), (far, weight)) if far else ((0.0, 1.0),)
    return _Table(core, step, np.arange(len(values), dtype=float) * step, values, points)


def _rectangle_on(half: float, step: float) -> Floats:
    """Return what each cell of the grid holds of a rectangle."""
    import numpy as np

    reach = math.ceil(half / step + 0.5)
    edges = np.clip((np.arange(2 * reach + 2) - reach - 0.5) * step, -half, half)
    return np.asarray(np.diff(edges) / (2 * half))


def _two_points_on(half: float, step: float) -> Floats:
    """Return what each cell of the grid holds of two points."""
    import numpy as np

    reach = math.ceil(half / step)
    cells = np.zeros(2 * reach + 1)
    beyond = reach - half / step
    cells[[0, -1]] += (1 - beyond) / 2
    if reach:
        cells[[1, -2]] += beyond / 2
    return cells


def _t_on(term: Term, step: float) -> Floats:
    """Return what each cell of the grid holds of a t term; the outermost hold what lies beyond."""
    import numpy as np

    reach = math.ceil(_SCALES_KEPT * term.scale_nm / step)
    edges: Floats = (np.arange(2 * reach + 2, dtype=float) - reach - 0.5) * step
    cumulative = _cumulative(term, edges)
    cumulative[0], cumulative[-1] = 0.0, 1.0
    return np.asarray(np.diff(cumulative))


def _t_quantile(dof: float, probability: float) -> float:
    from scipy.special import ndtri, stdtrit

    return float(ndtri(probability) if math.isinf(dof) else stdtrit(dof, probability))


def _cumulative(core: Term | None, x: Floats) -> Floats:
    """Return the distribution of the exact term at `x`; of none, that of what is exactly known."""
    import numpy as np
    from scipy.special import ndtr, stdtr

    if core is None or core.dof is None:
        return np.heaviside(x, 0.5)
    scaled = x / core.scale_nm
    return np.asarray(ndtr(scaled) if math.isinf(core.dof) else stdtr(core.dof, scaled))


def _integral(core: Term | None, x: Floats) -> Floats:
    """Return the integral of the exact term's distribution up to `x`, up to a constant.

    x F(x) less the integral of x f(x), by terms: of a normal density that is -f(x), of a t's -(dof + x^2) f(x) /
    (dof - 1), and log(1 + x^2) / (2 pi) where there is one degree of freedom.
    """
    import numpy as np

    if core is None or core.dof is None:
        return np.maximum(x, 0.0)
    dof, scaled = core.dof, x / core.scale_nm
    if math.isinf(dof):
        less = -np.exp(-(scaled**2) / 2) / math.sqrt(2 * math.pi)
    elif dof == 1:
        less = np.log1p(scaled**2) / (2 * math.pi)
    else:
        front = math.exp(math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2)) / math.sqrt(dof * math.pi)
        less = -front * dof / (dof - 1) * np.exp((1 - dof) / 2 * np.log1p(scaled**2 / dof))
    return np.asarray(core.scale_nm * (scaled * _cumulative(core, x) - less))
