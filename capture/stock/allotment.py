"""Which part goes into which pack: a limited stock over every pack that waits, on all benches, as one integer program.

Theory. A pack chooses one option: keep its parts and be in range, change one selective part and be in range, stay out
of range with its parts kept, or stay out and give its parts to others. "In range" means that the clearance is at least
as likely as `level` to lie within the limits (JCGM 106, 7.3), predicted as the measured mean plus the step from the
part taken out to the part put in; what is not known of it is the sum of the measurement's and both parts'
(`distribution`). A part has its measured thickness and that uncertainty where somebody measured it, else its nominal
thickness and a rectangular tolerance (JCGM 100, 4.3.7). Parts that are alike are one size. A fitted part belongs to
the pool of its size like a part on the shelf; keeping it uses it up. So every option uses some sizes, every size has a
number of parts, and that is the whole program:

    maximise   1. packs in range                       subject to   one option a pack,
    minimise   2. total distance from the preferred                 no size used more often than there are parts,
    minimise   3. packs opened                                      every option taken whole or not at all.

The three aims are three solves, each with the earlier aims' values as constraints, and not one sum with weights: a
weight that is safe for 200 packs is larger than what a solver's tolerance leaves exact. Distances are whole nanometres
and the other aims whole packs, so a solution is proven best when it is less than one above the solver's bound; it is
also put back into the constraints in whole numbers. With one selective part a pack the constraints of the first two
solves are those of a transport problem, whose corners are whole, so the solver need not branch there.

Everything is sorted first, so the same packs and parts give the same answer in whatever order they come.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

from capture.clearance.distribution import Distribution, Term, normal, rectangle
from capture.clearance.verdict import COVERAGE

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: A pack more likely than this to be in range as it stands is not stripped for another.
_LIKELY_IN_RANGE = 0.5


class AllotError(Exception):
    """No allotment can be given; the text says why."""


@dataclass(frozen=True, slots=True, order=True)
class Size:
    """Parts that are alike. Lengths nm; `standard_nm` is a part's standard uncertainty about `actual_nm`."""

    part: str
    thickness_nm: int
    actual_nm: int
    standard_nm: float
    measured: bool = False

    @property
    def term(self) -> Term:
        """What is not known of it: of a measured part normal, of another a rectangle (JCGM 100, 4.3.7)."""
        return normal(self.standard_nm) if self.measured else rectangle(math.sqrt(3) * self.standard_nm)


@dataclass(frozen=True, slots=True)
class Supply:
    """Free parts of one size on the shelf; measured ones by their serials."""

    size: Size
    count: int
    serials: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Slot:
    """A selective adjuster of a pack: what may go in, and what is fitted now."""

    adjuster: int
    name: str
    part: str
    choices_nm: tuple[int, ...]
    fitted: Size
    opens: bool
    """Whether a thicker part opens the pack."""
    serial: str | None = None
    """The fitted part's, where it is known."""
    promised: bool = False
    """The fitted part is to go into another pack already: it can neither stay nor be offered."""


@dataclass(frozen=True, slots=True)
class WaitingPack:
    """A pack that was measured and is not good. Lengths nm."""

    unit: str
    pack: str
    job: str
    bench: str
    low_nm: int
    high_nm: int
    preferred_nm: int
    mean_nm: int
    spread: Distribution
    """What is not known of the clearance."""
    slots: tuple[Slot, ...]


@dataclass(frozen=True, slots=True)
class Option:
    """What a pack would be with a part of `size` in its slot number `slot`, or as it is (both None). Lengths nm."""

    slot: int | None
    size: Size | None
    predicted_nm: int
    expanded_uncertainty_nm: int
    in_range_probability: float
    distance_nm: int


@dataclass(frozen=True, slots=True)
class Placement:
    """What goes into a pack, and where it comes from: the shelf, or the pack of that index in the allotment."""

    pack: WaitingPack
    option: Option
    serial: str | None
    source: int | None
    source_slot: int | None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A pack that stays out of range, and why.

    `short`: `wants` would bring it in, but all such parts are better used elsewhere, or there are none.
    `unreachable`: no thickness that the sheet allows would; `wants` is the likeliest of them.
    `no_part`: the stock lists no part of this pack.
    """

    pack: WaitingPack
    reason: Literal["short", "unreachable", "no_part"]
    now_probability: float
    wants: Option | None
    given: tuple[int, ...]
    """The slots whose fitted part goes into another pack."""


@dataclass(frozen=True, slots=True)
class Allotment:
    """The best use of the stock. `packs` are all that were asked about, sorted; a source is an index here."""

    packs: tuple[WaitingPack, ...]
    placed: tuple[Placement, ...]
    left_out: tuple[LeftOut, ...]
    distance_nm: int
    """The total distance of the placed packs' predicted clearances from the preferred ones."""


@dataclass(frozen=True, slots=True)
class _Column:
    """One option of one pack as the program sees it; `option` is None for a pack left out with its parts kept."""

    pack: int
    option: Option | None
    uses: tuple[Size, ...]


class _Judge:
    """Predicts one pack with other parts in it."""

    def __init__(self, pack: WaitingPack) -> None:
        self.pack = pack

    def option(self, slot: int | None, size: Size | None) -> Option:
        pack, step, spread = self.pack, 0, self.pack.spread
        if slot is not None and size is not None:
            there = pack.slots[slot]
            step = (size.actual_nm - there.fitted.actual_nm) * (1 if there.opens else -1)
            spread = spread.plus((there.fitted.term, size.term))
        predicted = pack.mean_nm + step
        inside = spread.below(pack.high_nm - predicted) - spread.below(pack.low_nm - predicted)
        expanded = math.ceil(spread.half_width(COVERAGE))
        return Option(slot, size, predicted, expanded, inside, abs(predicted - pack.preferred_nm))

    def may_be_inside(self, slot: int, size: Size) -> bool:
        """Say quickly whether the prediction lies within the limits; outside them it is less likely in than out."""
        pack, there = self.pack, self.pack.slots[slot]
        step = (size.actual_nm - there.fitted.actual_nm) * (1 if there.opens else -1)
        return pack.low_nm <= pack.mean_nm + step <= pack.high_nm


def allot(packs: Sequence[WaitingPack], shelf: Sequence[Supply], level: float = COVERAGE) -> Allotment:
    """Return the allotment that brings most packs into range, then nearest to their preferred clearances.

    `level` is the least probability of being in range that counts, at least 0.5 and less than 1. At most one
    selective part of a pack is changed; shims stay as they are. Raises AllotError if a pack is named twice, or nothing
    could be proven best.
    """
    if not 0.5 <= level < 1:
        raise AllotError(f"level {level}: expected a probability of at least 0.5 and less than 1, such as 0.95")
    waiting = tuple(sorted(packs, key=lambda pack: (pack.unit, pack.pack, pack.job, pack.bench)))
    for one, other in pairwise(waiting):
        if (one.unit, one.pack, one.job) == (other.unit, other.pack, other.job):
            raise AllotError(f"pack {one.pack!r} of unit {one.unit!r} waits twice; expected each pack once")
    supply: dict[Size, int] = Counter()
    for bin_ in shelf:
        supply[bin_.size] += bin_.count
    pool = Counter(supply)
    for pack in waiting:
        pool.update(slot.fitted for slot in pack.slots if not slot.promised)
    sizes = sorted(size for size, count in pool.items() if count > 0)
    judges = [_Judge(pack) for pack in waiting]
    columns = [column for at, judge in enumerate(judges) for column in _columns(at, judge, sizes, level)]
    kept_or_placed = _solve(waiting, columns, pool)
    chosen = {column.pack: column.option for column in kept_or_placed if column.option is not None}
    kept = {column.pack for column in kept_or_placed if column.option is None}
    sources = _sources(waiting, chosen, kept, shelf)
    given = {(at, slot) for _, at, slot in sources.values() if at is not None}
    return Allotment(
        packs=waiting,
        placed=tuple(
            Placement(waiting[at], option, *sources.get(at, (None, None, None)))
            for at, option in sorted(chosen.items())
        ),
        left_out=tuple(
            _left_out(judge, shelf, level, tuple(slot for slot in range(len(judge.pack.slots)) if (at, slot) in given))
            for at, judge in enumerate(judges)
            if at not in chosen
        ),
        distance_nm=sum(option.distance_nm for option in chosen.values()),
    )


def _columns(at: int, judge: _Judge, sizes: Sequence[Size], level: float) -> list[_Column]:
    slots = judge.pack.slots
    staying = [slot.fitted for slot in slots if not slot.promised]
    columns = [_Column(at, None, tuple(staying))]
    promised = [number for number, slot in enumerate(slots) if slot.promised]
    if not promised and (now := judge.option(None, None)).in_range_probability >= level:
        columns.append(_Column(at, now, tuple(staying)))
    for number, slot in enumerate(slots):
        if [other for other in promised if other != number]:
            continue  # two parts would have to be changed
        others = tuple(other.fitted for index, other in enumerate(slots) if index != number)
        for size in sizes:
            fits = size.part == slot.part and size.thickness_nm in slot.choices_nm and size != slot.fitted
            if fits and judge.may_be_inside(number, size):
                option = judge.option(number, size)
                if option.in_range_probability >= level:
                    columns.append(_Column(at, option, (*others, size)))
    return columns


def _solve(waiting: Sequence[WaitingPack], columns: Sequence[_Column], pool: Mapping[Size, int]) -> list[_Column]:
    """Return the columns chosen, proven best in the three aims one after the other."""
    import numpy as np

    if not columns:
        return []
    inside = np.array([column.option is not None for column in columns], dtype=np.int64)
    distance = np.array([column.option.distance_nm if column.option else 0 for column in columns], dtype=np.int64)
    # A pack left out with its parts kept is not opened; one with no column chosen is stripped, which is 1 + 0.
    opened = np.array(
        [0 if column.option and column.option.slot is not None else -1 for column in columns], dtype=np.int64
    )
    program = _Program(waiting, columns, pool)
    most = int(inside @ program.least(-inside))
    program.demand(inside, most, math.inf)
    nearest = int(distance @ program.least(distance))
    # Half a nanometre of room: the solver counts in floating point, the distances are whole.
    program.demand(distance, -math.inf, nearest + 0.5)
    found = program.least(opened)
    return [column for column, taken in zip(columns, found, strict=True) if taken]


class _Program:
    """The constraints of the integer program: at most one column a pack, no more of a size than there are."""

    def __init__(self, waiting: Sequence[WaitingPack], columns: Sequence[_Column], pool: Mapping[Size, int]) -> None:
        import numpy as np
        from scipy.sparse import csr_array

        row_of = {size: len(waiting) + n for n, size in enumerate(sorted({s for c in columns for s in c.uses}))}
        entries = [(column.pack, n) for n, column in enumerate(columns)]
        entries += [(row_of[size], n) for n, column in enumerate(columns) for size in column.uses]
        rows, places = zip(*entries, strict=True)
        shape = (len(waiting) + len(row_of), len(columns))
        # Entries of the same place add up: a pack may hold two parts of one size.
        self._matrix: Any = csr_array((np.ones(len(entries), dtype=np.int64), (rows, places)), shape=shape)
        self._low = np.full(shape[0], -math.inf)
        for n, pack in enumerate(waiting):
            self._low[n] = 0 if _may_be_stripped(pack) else 1
        self._high = np.array([1.0] * len(waiting) + [pool[size] for size in row_of])

    def demand(self, row: NDArray[Any], low: float, high: float) -> None:
        """Add a constraint: an aim that is settled."""
        import numpy as np
        from scipy.sparse import csr_array, vstack

        self._matrix = vstack([self._matrix, csr_array(row.reshape(1, -1))], format="csr")
        self._low, self._high = np.append(self._low, low), np.append(self._high, high)

    def least(self, cost: NDArray[Any]) -> NDArray[Any]:
        """Return the columns (0 or 1 each) of least total `cost`, whole numbers, proven least."""
        import numpy as np
        from scipy.optimize import Bounds, LinearConstraint, milp

        done = milp(
            cost.astype(float),
            integrality=np.ones(len(cost)),
            bounds=Bounds(0, 1),
            constraints=LinearConstraint(self._matrix.astype(float), self._low, self._high),
            options={"mip_rel_gap": 0.0},
        )
        if done.x is None:
            raise AllotError(f"the integer program was not solved: {done.message}")
        found: NDArray[Any] = np.rint(done.x).astype(np.int64)
        used = self._matrix @ found
        if np.any(used < self._low) or np.any(used > self._high) or int(cost @ found) - done.mip_dual_bound >= 0.999:
            raise AllotError(
                f"the integer program's solution could not be proven best: {done.message}; allot fewer packs at once"
            )
        return found


def _may_be_stripped(pack: WaitingPack) -> bool:
    return _Judge(pack).option(None, None).in_range_probability < _LIKELY_IN_RANGE


def _sources(
    waiting: Sequence[WaitingPack], chosen: Mapping[int, Option], kept: set[int], shelf: Sequence[Supply]
) -> dict[int, tuple[str | None, int | None, int | None]]:
    """Say for each pack that gets a part which one: (serial, pack it comes from, slot there).

    Parts from the shelf first, since they are at hand; then those that come out for another; stripped packs last.
    """
    ready: dict[Size, list[tuple[str | None, int | None, int | None]]] = {}
    for bin_ in shelf:
        serials = sorted(bin_.serials) if bin_.serials else [None] * bin_.count
        ready.setdefault(bin_.size, []).extend((serial, None, None) for serial in serials)
    changed = [(at, option.slot) for at, option in sorted(chosen.items()) if option.slot is not None]
    stripped = [at for at in range(len(waiting)) if at not in chosen and at not in kept]
    given_up = [(at, number) for at in stripped for number in range(len(waiting[at].slots))]
    for at, number in [*changed, *given_up]:
        slot = waiting[at].slots[number]
        if not slot.promised:
            ready.setdefault(slot.fitted, []).append((slot.serial, at, number))
    return {at: ready[option.size].pop(0) for at, option in sorted(chosen.items()) if option.size is not None}


def _left_out(judge: _Judge, shelf: Sequence[Supply], level: float, given: tuple[int, ...]) -> LeftOut:
    pack = judge.pack
    now = judge.option(None, None).in_range_probability
    spread = {
        (bin_.size.part, bin_.size.thickness_nm): bin_.size.standard_nm for bin_ in shelf if not bin_.size.measured
    }
    options = []
    for number, slot in enumerate(pack.slots):
        if any(other.promised for other in pack.slots if other is not slot):
            continue
        for thickness in slot.choices_nm:
            standard = spread.get((slot.part, thickness), slot.fitted.standard_nm)
            if thickness != slot.fitted.thickness_nm or slot.promised:
                options.append(judge.option(number, Size(slot.part, thickness, thickness, standard)))
    reaching = [option for option in options if option.in_range_probability >= level]
    if reaching:
        return LeftOut(pack, "short", now, min(reaching, key=lambda option: option.distance_nm), given)
    # Rounded, because far from the range all are equally hopeless; then the nearest says how far off it is.
    likeliest = min(options, key=lambda o: (-round(o.in_range_probability, 3), o.distance_nm), default=None)
    return LeftOut(pack, "unreachable" if pack.slots else "no_part", now, likeliest, given)
