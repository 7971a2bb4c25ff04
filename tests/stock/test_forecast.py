"""Which sizes will be needed: the figures against SciPy, and simulated years against the rule of the shelf's edge."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from typer.testing import CliRunner

from capture.cli.main import app
from capture.stock.forecast import PRIOR_PACKS, PackFound, forecast
from tests.job.test_unit_on_record import record, shelf

UM = 1_000
SIZES = tuple(range(2_000 * UM, 3_000 * UM, 100 * UM))
FITTED = 2_500 * UM


def pack(ideal_nm: float, good: bool = False) -> PackFound:
    return PackFound("ring", SIZES, FITTED, ideal_nm, good)


def packs_of(rng: np.random.Generator, count: int) -> list[PackFound]:
    """Packs whose clearance wants sizes about 2.55 mm: in range within 0.08 mm of what is fitted."""
    ideals = rng.normal(2_550 * UM, 130 * UM, count)
    return [pack(float(one), abs(one - FITTED) <= 80 * UM) for one in ideals]


def test_a_pack_needs_the_size_nearest_to_what_it_wants_and_a_good_one_none() -> None:
    assert pack(2_731 * UM).needs_nm == 2_700 * UM
    assert pack(2_731 * UM, good=True).needs_nm is None
    assert pack(2_520 * UM).needs_nm is None  # what is fitted is the nearest
    assert pack(9_000 * UM).needs_nm == SIZES[-1]


def test_the_need_is_gamma_poisson_and_what_comes_back_is_set_off() -> None:
    found = [pack(2_700 * UM) for _ in range(12)] + [pack(FITTED, good=True) for _ in range(28)]
    told = forecast(
        found,
        20.0,
        {("ring", 2_700 * UM): 1, ("ring", FITTED): 5},
        {("ring", 2_700 * UM): 2},
        lead_weeks=3.0,
        served=0.9,
    )
    one = next(one for one in told.sizes if one.thickness_nm == 2_700 * UM)
    # All that want a size want this one: the prior's share is that of the packs, 12 in 40.
    shape, rate = 12 + PRIOR_PACKS * 12 / 40, 20.0 + PRIOR_PACKS * 20.0 / 40
    need = stats.nbinom(shape, rate / (rate + 4.0))
    assert one.expected == pytest.approx(shape / rate * 3.0, rel=1e-3)
    assert one.to_have == int(need.ppf(0.9)) and one.order == one.to_have + 1
    assert one.short_probability == pytest.approx(1.0)  # two wait for one piece already
    (back,) = (one for one in told.sizes if one.thickness_nm == FITTED)
    assert (back.order, back.expected) == (0, 0.0)


def test_too_little_history_orders_what_waits_and_nothing_else() -> None:
    told = forecast([pack(2_700 * UM)] * 19, 30.0, {("ring", 2_700 * UM): 1}, {("ring", 2_700 * UM): 3})
    assert not told.known and [(one.thickness_nm, one.order) for one in told.sizes] == [(2_700 * UM, 2)]
    assert not forecast([pack(2_700 * UM)] * 200, 7.9, {}, {}).known


def year(
    rng: np.random.Generator, served: float | None, *, lead: int = 4, a_week: float = 6.0
) -> tuple[float, float, float]:
    """One year of a shop after twenty weeks of history, which orders by the forecast so that a size is served with that
    probability, or without one three of a size when two are left.

    Returns the packs that waited (in pack-weeks), the pieces on the shelf on average, and in which share of weeks a
    size was there for every pack that wanted it.
    """
    history = packs_of(rng, int(rng.poisson(a_week * 20)))
    free: Counter[int] = Counter(dict.fromkeys(SIZES, 3))
    coming: list[Counter[int]] = [Counter() for _ in range(lead)]
    waiting: Counter[int] = Counter()
    waited = shelf_total = there = 0.0
    for week in range(52):
        free += coming.pop(0)
        coming.append(Counter())
        today = packs_of(rng, int(rng.poisson(a_week)))
        history += today
        for one in today:
            if one.needs_nm is not None:
                waiting[one.needs_nm] += 1
        for size in SIZES:
            given = min(free[size], waiting[size])
            free[size] -= given
            waiting[size] -= given
            free[FITTED] += given  # what came out goes back
        on_order = Counter({size: sum(one[size] for one in coming) for size in SIZES})
        if served is None:
            for size in SIZES:
                if free[size] + on_order[size] - waiting[size] <= 2:
                    coming[-1][size] += 3
        else:
            known = {("ring", size): free[size] + on_order[size] for size in SIZES}
            wanted = {("ring", size): waiting[size] for size in SIZES}
            told = forecast(history, 20.0 + week + 1, known, wanted, lead_weeks=lead, served=served)
            for row in told.sizes:
                coming[-1][row.thickness_nm] += row.order
        waited += sum(waiting.values())
        shelf_total += sum(free[size] for size in SIZES if size != FITTED)
        there += sum(not waiting[size] for size in SIZES) / len(SIZES)
    return waited, shelf_total / 52, there / 52


def years(served: float | None) -> tuple[float, float, float]:
    told = [year(np.random.default_rng(seed), served) for seed in range(4)]
    waited, shelf_, there = (float(one) for one in np.mean(told, axis=0))
    return waited, shelf_, there


def test_in_simulated_years_fewer_packs_wait_than_by_ordering_when_two_are_left_at_no_more_stock() -> None:
    rule, told = years(None), years(0.8)
    assert told[0] < 0.5 * rule[0] and told[1] <= rule[1] and told[2] > rule[2], (told, rule)


def test_in_simulated_years_a_size_is_there_in_95_of_100_weeks() -> None:
    assert years(0.95)[2] >= 0.95


def test_the_command_says_what_to_order_and_writes_the_list(tmp_path: Path) -> None:
    store, _ = record(tmp_path)
    store.close()
    stock = shelf(tmp_path, ("3.20 mm", 2), low=2)
    order = tmp_path / "order.csv"
    words = ["stock", "forecast", "--data-dir", str(tmp_path), "--stock", str(stock), "--order", str(order), "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    *sizes, basis = map(json.loads, done.stdout.splitlines())
    assert basis["type"] == "forecast" and basis["known"] is False
    ordered = {one["thickness"]: one["order"] for one in sizes if one["order"]}
    lines = order.read_text().splitlines()
    assert lines[0] == "part,thickness,count" and len(lines) == 1 + len(ordered)
    plain = CliRunner().invoke(app, words[:-1])
    assert "low stock: snap ring 3.20 mm: 2 free, order at 2" in plain.stderr, "the shop's own rule is not passed over"
    assert "Only what waits now is ordered" in plain.output and f"What to order: {order}" in plain.output
