"""The allotment: most waiting packs in range, then nearest to preferred, and proven to be the best there is."""

from __future__ import annotations

import itertools
import math
import random
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize
import scipy.stats
import uncertainties
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capture.clearance.distribution import Distribution, normal, rectangle, scaled_t
from capture.stock.allotment import AllotError, Allotment, Size, Slot, Supply, WaitingPack, allot

RING = "snap ring"
CHOICES = (2_800_000, 3_000_000, 3_200_000, 3_400_000)
#: A tolerance of 0.02 mm as a rectangle, JCGM 100, 4.3.7.
LOOSE_NM = 20_000 / math.sqrt(3)
LEVEL = 0.95


def ring(thickness_nm: int, actual_nm: int | None = None, standard_nm: float | None = None) -> Size:
    actual = thickness_nm if actual_nm is None else actual_nm
    return Size(RING, thickness_nm, actual, LOOSE_NM if standard_nm is None else standard_nm, actual_nm is not None)


def slot(fitted: Size, opens: bool = False, adjuster: int = 0, **more: object) -> Slot:
    made = Slot(adjuster, "snap ring", fitted.part, CHOICES, fitted, opens)
    return replace(made, **more)  # type: ignore[arg-type]


def pack(unit: str, mean_nm: int, *slots: Slot, standard_nm: float = 10_000.0, dof: float = math.inf) -> WaitingPack:
    return WaitingPack(
        unit=unit,
        pack="high",
        job=f"job of {unit}",
        bench="forest-1",
        low_nm=800_000,
        high_nm=1_200_000,
        preferred_nm=1_000_000,
        mean_nm=mean_nm,
        spread=Distribution.of([scaled_t(standard_nm, dof)]),
        slots=slots,
    )


def changes(found: Allotment) -> dict[str, int | None]:
    return {one.pack.unit: one.option.size.thickness_nm if one.option.size else None for one in found.placed}


# -- what a technician would do -------------------------------------------------------------------------------


def test_a_loose_pack_gets_the_thicker_ring_and_is_predicted_with_it() -> None:
    found = allot([pack("A", 1_210_000, slot(ring(3_000_000)))], [Supply(ring(3_200_000), 2)])
    (one,) = found.placed
    assert one.option.predicted_nm == 1_010_000 and found.distance_nm == 10_000
    assert (one.source, one.serial) == (None, None)


def test_rings_of_an_inch_shop() -> None:
    # Rings of 0.060 and 0.095 in (common practice): the thicker one closes the pack by 0.035 in.
    thou = 25_400
    thin, thick = Size(RING, 60 * thou, 60 * thou, 0.0), Size(RING, 95 * thou, 95 * thou, 0.0)
    there = Slot(0, "ring", RING, (60 * thou, 95 * thou), thin, opens=False)
    waiting = replace(pack("A", 85 * thou, there), low_nm=40 * thou, high_nm=60 * thou, preferred_nm=50 * thou)
    (one,) = allot([waiting], [Supply(thick, 1)]).placed
    assert one.option.predicted_nm == 50 * thou


def test_a_measured_ring_counts_by_what_it_measures() -> None:
    real = ring(3_200_000, 3_232_000, 2_000.0)
    waiting = pack("A", 1_240_000, slot(ring(3_000_000)))
    (one,) = allot([waiting], [Supply(ring(3_200_000), 1), Supply(real, 1, ("SR-31",))]).placed
    assert (one.serial, one.option.predicted_nm) == ("SR-31", 1_008_000)
    # JCGM 100, 5.1.2; the independent reference is the package `uncertainties` (ufloat): clearance less the ring put
    # in plus the ring taken out.
    clearance = uncertainties.ufloat(1_240_000, 10_000)
    after = clearance - (uncertainties.ufloat(3_232_000, 2_000) - uncertainties.ufloat(3_000_000, LOOSE_NM))
    # JCGM 101: two normal terms and a rectangle, drawn by NumPy's generator (numpy.random.default_rng); the interval
    # within four standard errors of a quantile.
    draws, count = np.random.default_rng(4), 500_000
    drawn = math.hypot(10_000, 2_000) * draws.standard_normal(count)
    drawn += math.sqrt(3) * LOOSE_NM * draws.uniform(-1, 1, count)
    assert one.option.expanded_uncertainty_nm == pytest.approx(np.quantile(abs(drawn), 0.95), rel=0.004)
    assert after.std_dev == pytest.approx(np.std(drawn), rel=0.005)
    assert one.option.predicted_nm == after.nominal_value


def test_the_probability_is_that_of_the_conformance_standard() -> None:
    # JCGM 106, 7.4: y = -5.47, u = 0.05, limit -5.40, probability about 0.92 (from memory); in mm here.
    # Beside it the independent reference is SciPy's normal distribution, scipy.stats.norm.cdf.
    exact = Size(RING, 2_800_000, 2_800_000, 0.0)
    choices = slot(Size(RING, 3_000_000, 3_000_000, 0.0), opens=True)
    waiting = replace(pack("A", 5_670_000, choices, standard_nm=50_000), low_nm=1_000_000, high_nm=5_540_000)
    (one,) = allot([waiting], [Supply(exact, 1)], level=0.9).placed
    assert one.option.predicted_nm == 5_470_000
    assert one.option.in_range_probability == pytest.approx(0.92, abs=0.005)
    assert one.option.in_range_probability == pytest.approx(scipy.stats.norm.cdf(5.54, 5.47, 0.05), abs=1e-12)
    assert allot([waiting], [Supply(exact, 1)], level=0.95).placed == ()


def test_few_degrees_of_freedom_ask_for_more_room() -> None:
    shelf = [Supply(ring(3_200_000), 1)]
    sure = pack("A", 1_350_000, slot(ring(3_000_000)), standard_nm=20_000)
    assert len(allot([sure], shelf).placed) == 1
    assert allot([pack("A", 1_350_000, slot(ring(3_000_000)), standard_nm=20_000, dof=1.0)], shelf).placed == ()


def test_the_only_ring_goes_where_it_brings_more_packs_into_range() -> None:
    # A can take either ring, B only the 3.40: nearest first would give A the 3.40 and leave B out.
    one, other = pack("A", 1_330_000, slot(ring(3_000_000))), pack("B", 1_500_000, slot(ring(3_000_000)))
    found = allot([one, other], [Supply(ring(3_200_000), 1), Supply(ring(3_400_000), 1)])
    assert changes(found) == {"A": 3_200_000, "B": 3_400_000}


def test_two_packs_exchange_their_rings_when_the_shelf_is_empty() -> None:
    loose, tight = pack("A", 1_420_000, slot(ring(3_000_000))), pack("B", 600_000, slot(ring(3_400_000)))
    found = allot([loose, tight], [])
    assert changes(found) == {"A": 3_400_000, "B": 3_000_000}
    assert [found.packs[one.source].unit for one in found.placed if one.source is not None] == ["B", "A"]
    assert allot([loose], []).placed == ()


def test_a_measured_ring_keeps_its_serial_on_its_way_to_another_pack() -> None:
    real = ring(3_400_000, 3_405_000, 2_000.0)
    loose, tight = pack("A", 1_420_000, slot(ring(3_000_000))), pack("B", 600_000, slot(real, serial="SR-7"))
    assert [one.serial for one in allot([loose, tight], []).placed] == ["SR-7", None]


def test_a_pack_that_stays_out_gives_its_ring_only_if_it_is_likely_out_of_range() -> None:
    needs = pack("A", 1_420_000, slot(ring(3_000_000)))
    hopeless = pack("B", 100_000, slot(ring(3_400_000)))
    found = allot([needs, hopeless], [])
    assert changes(found) == {"A": 3_400_000}
    (left,) = found.left_out
    assert (left.pack.unit, left.given) == ("B", (0,))
    # On the limit, as likely in as out, it is not stripped: a few more strokes may show it to be good.
    doubtful = replace(hopeless, mean_nm=1_190_000, spread=Distribution.of([normal(15_000)]))
    found = allot([needs, doubtful], [])
    assert found.placed == () and all(left.given == () for left in found.left_out)


def test_no_pack_is_opened_without_need() -> None:
    needs = pack("A", 1_420_000, slot(ring(3_000_000)))
    hopeless = pack("B", 100_000, slot(ring(3_400_000)))
    found = allot([needs, hopeless], [Supply(ring(3_400_000), 1)])
    assert found.placed[0].source is None and found.left_out[0].given == ()


def test_of_two_rings_as_good_the_one_that_opens_no_other_pack_is_taken() -> None:
    needs = pack("A", 1_300_000, slot(ring(3_000_000)))  # 0.1 mm from preferred with a 3.20 as with a 3.40
    for shelf_nm, fitted_nm in ((3_200_000, 3_400_000), (3_400_000, 3_200_000)):
        found = allot([needs, pack("B", 100_000, slot(ring(fitted_nm)))], [Supply(ring(shelf_nm), 1)])
        assert changes(found) == {"A": shelf_nm}


def test_a_ring_promised_elsewhere_is_neither_kept_nor_offered() -> None:
    needs = pack("A", 1_420_000, slot(ring(3_000_000)))
    gives = pack("B", 1_000_000, slot(ring(3_400_000), promised=True), standard_nm=1_000.0)
    assert allot([needs, gives], []).placed == ()
    assert changes(allot([gives], [Supply(ring(3_400_000, 3_410_000, 1_000.0), 1)])) == {"B": 3_400_000}


def test_with_two_selective_parts_only_one_is_changed() -> None:
    plate = Size("plate", 3_000_000, 3_000_000, LOOSE_NM)
    waiting = pack("A", 1_420_000, slot(ring(3_000_000)), slot(plate, adjuster=1))
    shelf = [Supply(ring(3_200_000), 1), Supply(replace(plate, thickness_nm=3_200_000, actual_nm=3_200_000), 1)]
    assert allot([waiting], shelf).placed == ()
    (one,) = allot([waiting], [*shelf, Supply(replace(plate, thickness_nm=3_400_000, actual_nm=3_400_000), 1)]).placed
    assert one.option.slot == 1 and one.option.predicted_nm == 1_020_000


def test_a_thickness_the_sheet_does_not_allow_is_never_used() -> None:
    assert allot([pack("A", 1_420_000, slot(ring(3_000_000)))], [Supply(ring(3_420_000), 9)]).placed == ()


def test_who_stays_out_is_told_why() -> None:
    shelf = [Supply(ring(3_200_000), 1)]
    short = pack("A", 1_420_000, slot(ring(3_000_000)))
    far = pack("B", 2_000_000, slot(ring(3_000_000)))
    found = allot([short, far, pack("C", 1_420_000)], shelf)
    reasons = {left.pack.unit: left.reason for left in found.left_out}
    assert reasons == {"A": "short", "B": "unreachable", "C": "no_part"}
    wanted = {left.pack.unit: left.wants.size.thickness_nm for left in found.left_out if left.wants and left.wants.size}
    assert wanted == {"A": 3_400_000, "B": 3_400_000}


def test_nothing_waits() -> None:
    assert allot([], [Supply(ring(3_000_000), 3)]) == Allotment((), (), (), 0)


def test_wrong_questions_are_refused() -> None:
    twice = pack("A", 1_420_000, slot(ring(3_000_000)))
    with pytest.raises(AllotError, match="waits twice"):
        allot([twice, twice], [])
    for level in (0.4, 1.0, math.nan):
        with pytest.raises(AllotError, match="expected a probability"):
            allot([twice], [], level)


# -- proven best ----------------------------------------------------------------------------------------------


def chance(one: WaitingPack, predicted: int, *parts: Size) -> float:
    """The probability of lying in range; what the sums are is checked in tests/clearance/test_distribution.py."""
    terms = [normal(p.standard_nm) if p.measured else rectangle(math.sqrt(3) * p.standard_nm) for p in parts]
    total = one.spread.plus(terms)
    return float(total.below(one.high_nm - predicted) - total.below(one.low_nm - predicted))


Part = tuple[str, int, int]
Ways = list[tuple[frozenset[Part], bool, int, int]]


def ways_of(at: int, one: WaitingPack, parts: dict[Part, Size]) -> Ways:
    """All that can be done with a pack: (parts it holds then, in range, distance, opened)."""
    own = {n: ("pack", at, n) for n in range(len(one.slots))}
    keeps = frozenset(own.values())
    now = chance(one, one.mean_nm)
    assume(abs(now - LEVEL) > 1e-6 and abs(now - 0.5) > 1e-6)
    ways: Ways = [(keeps, False, 0, 0)]
    if now >= LEVEL:
        ways.append((keeps, True, abs(one.mean_nm - one.preferred_nm), 0))
    if now < 0.5:
        ways.append((frozenset(), False, 0, 1))
    for n, there in enumerate(one.slots):
        for name, size in parts.items():
            if name in keeps or size.part != there.part or size.thickness_nm not in there.choices_nm:
                continue
            step = (size.actual_nm - there.fitted.actual_nm) * (1 if there.opens else -1)
            predicted = one.mean_nm + step
            likely = chance(one, predicted, size, there.fitted)
            assume(abs(likely - LEVEL) > 1e-6)
            if likely >= LEVEL:
                ways.append(((keeps - {own[n]}) | {name}, True, abs(predicted - one.preferred_nm), 1))
    return ways


def exhaustive(packs: Sequence[WaitingPack], shelf: Sequence[Supply]) -> tuple[int, int, int]:
    """The best of every assignment of single parts: (packs in range, total distance, packs opened)."""
    parts: dict[Part, Size] = {}
    for n, bin_ in enumerate(shelf):
        parts |= {("shelf", n, k): bin_.size for k in range(bin_.count)}
    for at, one in enumerate(packs):
        parts |= {("pack", at, n): there.fitted for n, there in enumerate(one.slots)}

    def search(at: int, taken: frozenset[Part]) -> Iterator[tuple[int, int, int]]:
        if at == len(packs):
            yield 0, 0, 0
            return
        for held, inside, distance, opened in ways[at]:
            if not held & taken:
                for rest in search(at + 1, taken | held):
                    yield rest[0] - inside, rest[1] + distance, rest[2] + opened

    ways = [ways_of(at, one, parts) for at, one in enumerate(packs)]
    count, distance, opened = min(search(0, frozenset()))
    return -count, distance, opened


SIZES = st.sampled_from([*CHOICES, 3_420_000]).flatmap(
    lambda nm: st.sampled_from([ring(nm), ring(nm), ring(nm, nm + 15_000, 2_000.0), ring(nm, nm - 30_000, 2_000.0)])
)
SLOTS = st.builds(
    slot, st.sampled_from([ring(nm) for nm in CHOICES] + [ring(3_000_000, 3_011_000, 1.5)]), st.booleans()
)
WAITING = st.lists(
    st.builds(
        lambda mean, slots, standard, dof: pack(
            "?", mean, *(replace(one, adjuster=n) for n, one in enumerate(slots)), standard_nm=standard, dof=dof
        ),
        st.integers(20, 190).map(lambda ten: ten * 10_000),
        st.lists(SLOTS, min_size=0, max_size=2),
        st.sampled_from([5_000.0, 20_000.0, 60_000.0]),
        st.sampled_from([4.0, math.inf]),
    ),
    max_size=4,
).map(lambda packs: [replace(one, unit=f"U{n}", job=f"j{n}") for n, one in enumerate(packs)])
SHELF = st.lists(st.builds(Supply, SIZES, st.integers(1, 2)), max_size=3)


def opened(found: Allotment) -> int:
    return sum(one.option.slot is not None for one in found.placed) + sum(bool(one.given) for one in found.left_out)


@settings(max_examples=150, deadline=None)
@given(WAITING, SHELF, st.randoms())
def test_no_assignment_of_single_pieces_is_better(
    packs: list[WaitingPack], shelf: list[Supply], chance_: random.Random
) -> None:
    best = exhaustive(packs, shelf)
    found = allot(packs, shelf, LEVEL)
    assert (len(found.placed), found.distance_nm) == best[:2]
    assert opened(found) == best[2]
    for one in found.placed:
        assert one.option.in_range_probability >= LEVEL
    # A part goes into one pack only, and comes from where there is one.
    from_packs = [(one.source, one.source_slot) for one in found.placed if one.source is not None]
    assert len(set(from_packs)) == len(from_packs)
    staying = {one.pack.unit for one in found.placed if one.option.slot is None}
    for source, number in from_packs:
        giver = found.packs[source]
        assert giver.unit not in staying and number is not None
    used: dict[Size, int] = {}
    for one in found.placed:
        if one.option.size is not None and one.source is None:
            used[one.option.size] = used.get(one.option.size, 0) + 1
    for size, count in used.items():
        assert count <= sum(bin_.count for bin_ in shelf if bin_.size == size)
    # The same question in another order is the same question.
    packs, shelf = list(packs), list(shelf)
    chance_.shuffle(packs)
    chance_.shuffle(shelf)
    assert allot(packs, shelf, LEVEL) == found


def workshop(seed: int, packs: int, thicknesses: int, most: int) -> tuple[list[WaitingPack], list[Supply]]:
    """A large invented stock and many loose or tight packs, none of them likely in range as it stands."""
    chance_ = random.Random(seed)
    sizes = [ring(2_000_000 + 25_000 * n) for n in range(thicknesses)]
    choices = tuple(size.thickness_nm for size in sizes)
    waiting = []
    for n in range(packs):
        mean = chance_.choice([chance_.randrange(200_000, 760_000), chance_.randrange(1_240_000, 2_100_000)])
        there = replace(slot(chance_.choice(sizes), chance_.random() < 0.2), choices_nm=choices)
        dof = chance_.choice([8.0, 20.0, math.inf])
        waiting.append(pack(f"U{n:03}", mean, there, standard_nm=9_000 + 3_000 * chance_.random(), dof=dof))
    return waiting, [Supply(size, chance_.randrange(most + 1)) for size in sizes]


@pytest.mark.parametrize(("seed", "packs", "thicknesses", "most"), [(1, 40, 20, 2), (2, 80, 30, 1), (3, 200, 60, 4)])
def test_an_assignment_solver_finds_no_better(seed: int, packs: int, thicknesses: int, most: int) -> None:
    # Reference: scipy.optimize.linear_sum_assignment, another algorithm (shortest augmenting paths). Every part is a
    # column of its own, the fitted ones too, and staying out is a free column for each pack.
    waiting, shelf = workshop(seed, packs, thicknesses, most)
    parts = list(itertools.chain.from_iterable([bin_.size] * bin_.count for bin_ in shelf))
    parts += [one.slots[0].fitted for one in waiting]
    bonus = 10**9  # more than all distances together
    cost = np.zeros((packs, len(parts) + packs))
    for row, one in enumerate(waiting):
        there = one.slots[0]
        known: dict[Size, float] = {}
        for column, size in enumerate(parts):
            if size not in known:
                predicted = one.mean_nm + (size.actual_nm - there.fitted.actual_nm) * (1 if there.opens else -1)
                inside = chance(one, predicted, size, there.fitted) >= LEVEL
                known[size] = abs(predicted - one.preferred_nm) - bonus if inside else bonus
            cost[row, column] = known[size]
    rows, columns = scipy.optimize.linear_sum_assignment(cost)
    taken = [int(value) for value in cost[rows, columns] if value < 0]
    found = allot(waiting, shelf, LEVEL)
    assert len(found.placed) == len(taken) and found.placed
    assert found.distance_nm == sum(taken) + bonus * len(taken)


def test_two_hundred_packs_and_sixty_thicknesses_take_about_a_second() -> None:
    # A quarter of a second on a quiet desk machine; the bound allows for two noisy cores.
    waiting, shelf = workshop(4, 200, 60, 4)
    allot(waiting[:5], shelf)  # SciPy is loaded once
    best = math.inf
    for _ in range(3):
        began = time.process_time()
        allot(waiting, shelf)
        best = min(best, time.process_time() - began)
    assert best < 2.5
