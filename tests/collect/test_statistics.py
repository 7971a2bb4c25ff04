"""The statistics of shops whose truth is known, in both databases; their figures against statsmodels and SciPy."""

from __future__ import annotations

import asyncio
import math
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from statistics import fmean, stdev

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import OLS, add_constant
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from capture.collect import Collector, CollectSettings, DatabaseSettings, ShopBroker
from capture.collect.database import DatabaseAway, engine_of
from capture.collect.events import Event, LinkChange, Upkeep
from capture.collect.sink import Sink
from capture.collect.statistics.figures import (
    between,
    drift,
    funnel,
    funnel_of_means,
    likeness,
    of_mean,
    of_sd,
    shrunk,
    wilson,
)
from capture.collect.statistics.read import shop_statistics, statistics_tables
from capture.collect.statistics.recount import Recount, pause_s
from capture.collect.statistics.shop import ShopStatistics
from capture.mqtt.messages import VerdictMessage
from tests.support import simulated_shop as truth
from tests.support.broker import Mosquitto, until
from tests.support.fleet import Shop as Benches
from tests.support.postgres import Postgres
from tests.support.simulated_shop import Shop, collect, simulated_shop


@pytest.fixture(scope="module")
def shop() -> Shop:
    return simulated_shop()


@pytest.fixture(scope="module")
def in_sqlite(shop: Shop, tmp_path_factory: pytest.TempPathFactory) -> DatabaseSettings:
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path_factory.mktemp('shop') / 'collect.sqlite'}")
    _fill(shop, settings)
    return settings


def _fill(shop: Shop, settings: DatabaseSettings) -> None:
    sink = Sink(engine_of(settings))
    collect(shop, sink)
    sink.close()


@pytest.fixture(scope="module")
def found(in_sqlite: DatabaseSettings) -> ShopStatistics:
    return shop_statistics(in_sqlite)


def firsts(shop: Shop) -> list[VerdictMessage]:
    return [one for one in shop.counted() if one.attempt == 1]


def lasts(shop: Shop) -> Iterator[VerdictMessage]:
    of_job: dict[object, VerdictMessage] = {one.job: one for one in shop.checks}
    return (one for one in of_job.values() if one.job in shop.signed and one.id not in shop.suspect)


def off(one: VerdictMessage) -> float:
    assert one.preferred_nm is not None
    return one.mean_nm - one.preferred_nm


# -- against the truth of the shop -------------------------------------------------------------------------------


def test_clearance_as_found_is_what_packs_come_in_with(shop: Shop, found: ShopStatistics) -> None:
    (one,) = found.as_found
    known = [off(check) for check in firsts(shop)]
    assert (one.model.sheet, one.model.revision, one.pack, one.packs) == ("Forwarder 6-speed", "C", "low", len(known))
    assert one.mean is not None and one.sd is not None
    assert one.mean.value == pytest.approx(fmean(known)) and one.sd.value == pytest.approx(stdev(known))
    assert one.mean.low < truth.AS_FOUND_OFF_NM < one.mean.high and one.shifted
    spread = math.hypot(truth.AS_FOUND_SD_NM, truth.MEASURED_SD_NM, 5 * truth.UM)
    assert one.sd.low < spread < one.sd.high


def test_as_built_and_its_exposure_are_of_the_last_check_of_signed_units_alone(
    shop: Shop, found: ShopStatistics
) -> None:
    (one,) = found.as_built
    built = list(lasts(shop))
    known = [off(check) for check in built]
    assert 0 < len(built) < len(firsts(shop)) and one.packs == len(built)
    assert one.mean is not None and one.mean.value == pytest.approx(fmean(known))
    assert one.sd is not None and one.sd.value == pytest.approx(stdev(known))
    quarter = (truth.HIGH_NM - truth.LOW_NM) / 4
    middle = (truth.HIGH_NM + truth.LOW_NM) / 2
    share = fmean(abs(check.mean_nm - middle) <= quarter for check in built)
    assert one.share_in_middle_half == pytest.approx(share)
    (exposed,) = found.exposures
    assert exposed.expected_out == pytest.approx(sum(1 - check.conformance_probability for check in built))


def test_the_yield_is_of_first_checks_with_wilson_s_interval(shop: Shop, found: ShopStatistics) -> None:
    (one,) = found.yields
    first = firsts(shop)
    good = sum(check.verdict == "good" for check in first)
    assert (one.good, one.of) == (good, len(first)) and one.share is not None
    unchecked = sum(check.needs_a_master is True for check in first)
    assert one.needs_a_master == pytest.approx(unchecked / len(first))
    assert 0 < unchecked < sum(check.verdict == "inconclusive" for check in first)
    low, high = proportion_confint(good, len(first), method="wilson")
    assert (one.share.low, one.share.high) == (pytest.approx(low, abs=1e-12), pytest.approx(high, abs=1e-12))
    # What is good as found of packs like these, by the normal distribution, a guard band of 1.645 u inside each limit.
    spread = math.hypot(truth.AS_FOUND_SD_NM, truth.MEASURED_SD_NM, 5 * truth.UM)
    off_nm, half = truth.AS_FOUND_OFF_NM, 200 * truth.UM - 1.645 * 8 * truth.UM
    expected = stats.norm.cdf((half - off_nm) / spread) - stats.norm.cdf((-half - off_nm) / spread)
    assert one.share.low < expected < one.share.high


def test_who_has_more_strokes_flagged_than_the_others_stands_out_of_them(shop: Shop, found: ShopStatistics) -> None:
    by = {one.checks: one for one in found.not_counted}
    assert len(by) == len(truth.FLAGGED)
    for who, (checks, share) in truth.FLAGGED.items():
        one = by[checks]
        assert one.strokes == 5 * checks and one.share is not None and one.against_others is not None
        assert one.not_counted == sum(not stroke.accepted for stroke in shop.strokes if stroke.technician == who)
        assert one.share.low < share < one.share.high
        assert one.against_others.outside == (who == "Ed")


def test_whose_strokes_lie_further_apart_than_the_others_stands_out_and_nobody_is_named(
    shop: Shop, found: ShopStatistics
) -> None:
    by = {one.checks: one for one in found.scatters}
    for who, (checks, _) in truth.FLAGGED.items():
        one = by[checks]
        within = []
        for check in {stroke.check for stroke in shop.strokes if stroke.technician == who}:
            travels = [stroke.held_travel_nm for stroke in shop.strokes if stroke.check == check and stroke.accepted]
            within += [np.var(travels, ddof=1)] if len(travels) > 1 else []
        assert one.sd is not None and one.against_others is not None
        assert one.sd.value == pytest.approx(math.sqrt(fmean(within)), rel=1e-9)
        spread = math.hypot(
            truth.SCATTER_NM[who], truth.SLOPE_NM_PER_PA * 3_000
        )  # the pressure wanders from stroke to stroke
        assert one.sd.low < spread < one.sd.high
        assert one.against_others.outside == (who == "Di")
    assert not any(who in repr(found.scatters) for who in truth.FLAGGED)


def test_what_each_finds_packs_to_be_is_of_first_checks_as_found_with_a_funnel_of_its_own(
    shop: Shop, found: ShopStatistics
) -> None:
    first = defaultdict(list)
    for check in firsts(shop):
        first[check.technician].append(off(check))
    by = {one.packs: one for one in found.levels}
    assert len(by) == len(truth.TECHNICIANS)
    for who in truth.TECHNICIANS:
        one = by[len(first[who])]
        assert one.mean is not None and one.mean.value == pytest.approx(fmean(first[who]))
        assert one.against_others is not None and not one.against_others.outside, "6 um are nothing beside 90"


def test_what_pressure_does_to_a_clearance_is_told_from_strokes_of_one_check(shop: Shop, found: ShopStatistics) -> None:
    (one,) = found.slopes
    assert one.slope is not None and one.slope.low < truth.SLOPE_NM_PER_PA < one.slope.high
    assert one.slope.high - one.slope.low < 0.5 * truth.SLOPE_NM_PER_PA, "though packs differ by a hundred times more"
    # statsmodels' least squares with a mean of its own for each check gives the same slope and interval.
    counted = [stroke for stroke in shop.strokes if stroke.accepted]
    checks = {number: n for n, number in enumerate(dict.fromkeys(stroke.check for stroke in counted))}
    design = np.zeros((len(counted), 1 + len(checks)))
    for row, stroke in enumerate(counted):
        design[row, 0] = ((stroke.pressure_min_pa or 0) + (stroke.pressure_max_pa or 0)) / 2
        design[row, 1 + checks[stroke.check]] = 1
    fitted = OLS([stroke.held_travel_nm for stroke in counted], design).fit()
    assert one.slope.value == pytest.approx(fitted.params[0], rel=1e-6)
    assert (one.slope.low, one.slope.high) == pytest.approx(tuple(fitted.conf_int()[0]), rel=1e-4)


def test_each_bench_s_air_is_told_as_it_was_held(shop: Shop, found: ShopStatistics) -> None:
    assert [one.bench for one in found.pressures] == ["bay-1", "bay-2", "bay-3"]
    for one in found.pressures:
        assert one.mean_pa == pytest.approx(truth.HELD_PA, abs=1_000) and one.leak_down_pa_per_s == 200
        assert one.strokes == sum(stroke.accepted for stroke in shop.strokes if stroke.bench == one.bench)


def test_a_ring_that_is_off_is_found_with_its_sign_and_the_others_are_not(tmp_path: Path) -> None:
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}")
    _fill(simulated_shop(units=250, spread_nm=300 * truth.UM), settings)
    rings = shop_statistics(settings).rings
    enough = [one for one in rings if one.mean is not None]
    assert len(enough) >= 3
    by = {one.thickness_nm: one.mean for one in enough}
    thicker, thinner = by[2_000 * truth.UM], by[2_400 * truth.UM]
    assert thicker is not None and thicker.low > 5 * truth.UM and thinner is not None and thinner.high < 0
    assert {(one.part, one.pack) for one in rings} == {("snap ring", "low")}
    for one in rings:
        assert (one.mean is None) == (one.changes < 10)
    for one in enough:
        assert one.mean is not None and one.shrunk is not None
        assert one.mean.low - truth.UM <= truth.RINGS[one.thickness_nm] <= one.mean.high + truth.UM
        assert abs(one.shrunk.value) <= abs(one.mean.value)


def test_two_technicians_differ_by_more_than_one_with_himself_and_nobody_is_named(
    shop: Shop, found: ShopStatistics
) -> None:
    by = {one.another_technician: one for one in found.reproducibility}
    same, other = by[False].sd, by[True].sd
    assert same is not None and other is not None
    assert same.low < truth.MEASURED_SD_NM < same.high
    # The offsets -6, 0 and 6 um differ by 6, 6 and 12 um between two who are not the same.
    between = math.sqrt(fmean(d * d / 2 for d in (6_000, 6_000, 12_000)) + truth.MEASURED_SD_NM**2)
    assert other.low < between < other.high
    pairs = defaultdict(list)
    for check in shop.counted():
        pairs[check.job].append(check)
    told = [
        (two[0].technician != two[1].technician, two[1].mean_nm - two[0].mean_nm)
        for two in pairs.values()
        if len(two) > 1 and two[1].parts_changed == 0
    ]
    known = [d for another, d in told if another]
    assert by[True].pairs == len(known)
    assert other.value == pytest.approx(math.sqrt(sum(d * d for d in known) / 2 / len(known)))
    assert "Ana" not in repr(found)


def test_the_gauge_that_drifts_is_found_and_the_days_it_has_left(shop: Shop, found: ShopStatistics) -> None:
    by = {one.serial: one for one in found.gauges}
    moving, still = by["DI-bay-1"].drift, by["DI-bay-2"].drift
    assert moving is not None and moving.shown and moving.days_to_limit is not None
    assert abs(moving.slope_nm_per_day - truth.DRIFT_NM_PER_DAY) < 3 * moving.standard_error
    left = (20_000 - 600 - moving.now_nm) / moving.slope_nm_per_day
    assert moving.days_to_limit == pytest.approx(left)
    assert still is not None and not still.shown and still.days_to_limit is None
    assert len(by["DI-bay-1"].days) == len(shop.mornings["bay-1"])


def test_the_days_of_a_gauge_that_was_found_out_count_for_nothing_and_are_told(
    shop: Shop, found: ShopStatistics
) -> None:
    (left,) = found.left_out
    days = {one.at.strftime("%Y-%m-%d") for one in shop.checks if one.id in shop.suspect}
    assert (left.gauge_serial, left.checks, set(left.days)) == ("DI-bay-3", len(shop.suspect), days)


# -- the two databases, and what is never mixed --------------------------------------------------------------------


def test_postgresql_says_what_sqlite_says(
    shop: Shop, in_sqlite: DatabaseSettings, found: ShopStatistics, postgres: Postgres
) -> None:
    settings = DatabaseSettings(url=postgres.url)
    _fill(shop, settings)
    there = shop_statistics(settings)
    for name in ShopStatistics.__dataclass_fields__:
        for one, other in zip(getattr(found, name) or (), getattr(there, name) or (), strict=True):
            assert _numbers(one) == pytest.approx(_numbers(other), rel=1e-9, abs=1e-6), name
    engine = engine_of(settings)
    Recount(engine).run()
    with engine.begin() as connection:  # what stands counted is what is counted when it is asked for
        for name, rows in statistics_tables(settings).items():
            kept = connection.exec_driver_sql(f"SELECT * FROM {name}").mappings().all()
            assert sorted(map(str, map(dict, kept))) == sorted(map(str, rows)) and rows, name
    engine.dispose()
    since = truth.MONDAY + timedelta(days=30)
    for one, other in zip(
        statistics_tables(in_sqlite, since).values(), statistics_tables(settings, since).values(), strict=True
    ):
        assert len(one) == len(other) > 0
        for row, same in zip(one, other, strict=True):
            assert list(row) == list(same)
            assert _numbers(row) == pytest.approx(_numbers(same), rel=1e-9, abs=1e-6)


def _numbers(value: object) -> list[float]:
    if hasattr(value, "__dataclass_fields__"):
        return [number for name in value.__dataclass_fields__ for number in _numbers(getattr(value, name))]
    if isinstance(value, dict):
        return [number for one in value.values() for number in _numbers(one)]
    if isinstance(value, tuple):
        return [number for one in value for number in _numbers(one)]
    if value is None or isinstance(value, str | datetime):
        return []
    return [float(value)]  # type: ignore[arg-type]


def test_later_checks_alone_are_counted_where_a_day_is_given(shop: Shop, in_sqlite: DatabaseSettings) -> None:
    since = truth.MONDAY + timedelta(days=30)
    (one,) = shop_statistics(in_sqlite, since).as_found
    assert one.packs == sum(check.at >= since for check in firsts(shop))
    assert {gauge.days[0] for gauge in shop_statistics(in_sqlite, since).gauges} != {
        gauge.days[0] for gauge in shop_statistics(in_sqlite).gauges
    }


def test_a_revision_begins_anew_and_no_number_is_shown_below_its_least_sample(tmp_path: Path) -> None:
    shop = simulated_shop(units=40, days=10)
    for n, sent in enumerate(shop.sent):
        if sent.topic.endswith(("verdict", "unit")):
            revision = "D" if n % 3 == 0 else "C"
            shop.sent[n] = sent.__class__(
                sent.id, sent.topic, sent.payload.replace('"sheet_revision":"C"', f'"sheet_revision":"{revision}"'),
                sent.retain,
            )  # fmt: skip
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}")
    _fill(shop, settings)
    found = shop_statistics(settings)
    assert {one.model.revision for one in found.as_found} == {"C", "D"}
    for clearance, least in [(one, 15) for one in found.as_found] + [(one, 30) for one in found.as_built]:
        assert (clearance.mean is None) == (clearance.sd is None) == (clearance.packs < least)
    for one in found.yields:
        assert (one.share is None) == (one.of < 20) and one.against_all is None
    assert [gauge.drift for gauge in found.gauges if len(gauge.days) < 12] == [None] * len(found.gauges)
    assert any(one.mean is None for one in found.as_found)


def test_a_verdict_told_anew_without_a_stroke_counts_once_as_it_stands(tmp_path: Path) -> None:
    shop = simulated_shop(units=60, days=10)
    (first, *_) = firsts(shop)
    again = first.model_copy(
        update={
            "id": truth.uuid5(first.id, "anew"),
            "mean_nm": first.mean_nm + 50_000,
            "at": first.at + timedelta(days=1),
        }
    )
    shop.sent.append(truth.outgoing(again))
    settings = DatabaseSettings(url=f"sqlite:///{tmp_path / 'c.sqlite'}")
    _fill(shop, settings)
    (one,) = shop_statistics(settings).as_found
    assert one.packs == len(firsts(shop)) and one.mean is not None
    expected = fmean([off(check) for check in firsts(shop)]) + 50_000 / one.packs
    assert one.mean.value == pytest.approx(expected)


# -- the figures, against other libraries ----------------------------------------------------------------------


@pytest.mark.parametrize(("good", "of"), [(0, 20), (20, 20), (17, 20), (1, 50), (431, 500)])
def test_wilson_is_that_of_statsmodels(good: int, of: int) -> None:
    low, high = proportion_confint(good, of, method="wilson")
    one = wilson(good, of)
    assert (one.low, one.high) == (pytest.approx(low, abs=1e-12), pytest.approx(high, abs=1e-12))


def test_the_interval_of_a_mean_is_that_of_statsmodels_and_that_of_a_standard_deviation_of_chi_squared() -> None:
    sample = np.random.default_rng(3).normal(40, 7, 23)
    one = of_mean(float(sample.mean()), float(sample.var(ddof=1)), 23)
    assert (one.low, one.high) == pytest.approx(DescrStatsW(sample).tconfint_mean())
    # GAUGE practice: of 15 packs a standard deviation is known to -27 % and +58 %.
    sd = of_sd(1.0, 14)
    assert (sd.low, sd.high) == (pytest.approx(0.732, abs=0.001), pytest.approx(1.577, abs=0.001))


def test_a_drift_is_that_of_statsmodels_with_errors_robust_to_mornings_alike() -> None:
    rng = np.random.default_rng(5)
    days = np.cumsum(rng.integers(1, 4, 40)).astype(float)
    noise = np.zeros(40)
    for n in range(1, 40):
        noise[n] = 0.5 * noise[n - 1] + rng.normal(0, 300)
    errors = 50 * days + noise
    found = drift(days.tolist(), errors.tolist(), 20_000, 500.0)
    lags = int(4 * (40 / 100) ** (2 / 9))
    fit = OLS(errors, add_constant(days)).fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": False})
    assert found is not None
    assert found.slope_nm_per_day == pytest.approx(fit.params[1], rel=1e-9)
    assert found.standard_error == pytest.approx(fit.bse[1], rel=1e-9)


def test_a_gauge_that_does_not_move_has_no_days_left_to_count_and_one_day_is_no_drift() -> None:
    assert drift([1.0] * 12, [5.0] * 12, 20_000, 0.0) is None
    still = drift([float(n) for n in range(20)], [(-1.0) ** n for n in range(20)], 20_000, 0.0)
    assert still is not None and still.days_to_limit is None


def test_a_bias_that_is_little_known_is_drawn_further_towards_nothing() -> None:
    """Over many shops whose sizes are off by 8 um, the drawn estimates are nearer the truth than the means alone."""
    rng = np.random.default_rng(7)
    plain = drawn = 0.0
    for _ in range(300):
        true = rng.normal(0, 8, 6)
        variances = rng.choice([4.0, 100.0], 6)
        means = true + rng.normal(0, np.sqrt(variances))
        made = shrunk(means.tolist(), variances.tolist())
        plain += float(np.sum((means - true) ** 2))
        drawn += sum((one.value - t) ** 2 for one, t in zip(made, true, strict=True))
    assert drawn < 0.8 * plain
    certain, unsure = shrunk([10.0, 10.0], [1.0, 400.0])
    assert unsure.value < certain.value < 10.0


def test_the_funnel_of_groups_that_differ_by_chance_alone_is_the_binomial_s() -> None:
    """SciPy's exact two-sided binomial test calls the same groups unusual."""
    alike = [(40, 50)] * 20
    assert likeness(alike) == 0
    for good in range(51):
        told = funnel(good, 50, alike)
        tail = min(stats.binom.cdf(good, 50, 0.8), stats.binom.sf(good - 1, 50, 0.8))
        assert told.unusual == (tail < 0.025) and told.outside == (tail < 0.001)
        assert not told.outside or told.unusual
        assert not told.outside or stats.binomtest(good, 50, 0.8).pvalue < 0.005


def test_groups_that_differ_anyhow_are_seldom_called_unusual_and_one_that_differs_from_them_is() -> None:
    """Drawn from SciPy's betabinom with a correlation of 0.06: the binomial's funnel calls a third of them unusual."""
    rng, a, b = np.random.default_rng(11), 0.75 * 15.67, 0.25 * 15.67
    unusual = plain = groups = 0
    found = []
    for _ in range(40):
        sizes = rng.integers(50, 200, 15)
        drawn = [(int(stats.betabinom.rvs(of, a, b, random_state=rng)), int(of)) for of in sizes]
        found.append(likeness(drawn))
        for n, (good, of) in enumerate(drawn):
            others = drawn[:n] + drawn[n + 1 :]
            share = sum(one for one, _ in others) / sum(one for _, one in others)
            groups += 1
            unusual += funnel(good, of, others).unusual
            plain += min(stats.binom.cdf(good, of, share), stats.binom.sf(good - 1, of, share)) < 0.025
    assert np.mean(found) == pytest.approx(0.06, abs=0.015)
    assert plain > 0.25 * groups and unusual < 0.1 * groups
    assert funnel(20, 100, drawn).outside


def test_means_that_differ_anyhow_have_the_variance_between_them_that_statsmodels_finds() -> None:
    """DerSimonian and Laird's, by statsmodels' combine_effects; where errors explain all of it, none is left."""
    rng = np.random.default_rng(4)
    for apart in (0.0, 3.0, 12.0):
        errors = rng.uniform(1, 6, 15)
        means = rng.normal(100, apart, 15) + rng.normal(0, errors)
        expected = max(0.0, float(combine_effects(means, errors**2, method_re="dl").tau2))
        assert between(list(zip(means.tolist(), errors.tolist(), strict=True))) == pytest.approx(expected, abs=1e-9)


def test_a_technician_is_seldom_called_unusual_by_chance_and_one_twice_as_wide_is_found() -> None:
    """Of means that differ by nothing but chance and by what people differ anyhow, 5 in 100 are unusual, 2 in 1,000 are
    far beside; the errors are estimated from 20 checks."""
    rng = np.random.default_rng(8)
    unusual = outside = groups = 0
    for _ in range(400):
        values = rng.normal(0, 2.0, 12)[:, None] + rng.normal(0, 10.0, (12, 20))
        known = list(zip(values.mean(1).tolist(), (values.std(1, ddof=1) / math.sqrt(20)).tolist(), strict=True))
        for n, (mean, error) in enumerate(known):
            told = funnel_of_means(mean, error, 19, known[:n] + known[n + 1 :])
            groups, unusual, outside = groups + 1, unusual + told.unusual, outside + told.outside
    assert 0.03 < unusual / groups < 0.08 and outside / groups < 0.008
    assert funnel_of_means(20.0, 2.0, 19, known).outside


# -- counted anew by a collector --------------------------------------------------------------------------------------


def test_the_pause_between_two_counts_is_twenty_times_as_long_as_one_takes() -> None:
    assert (pause_s(0.1), pause_s(30)) == (60, 600)


async def test_a_collector_counts_anew_after_it_kept_something_and_never_else(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted: list[int] = []

    def count(recount: Recount) -> None:
        counted.append(collector.total.strokes)
        if len(counted) == 1:
            raise DatabaseAway("permission denied for function shop_count_anew")

    pauses: list[float] = []
    monkeypatch.setattr(Recount, "run", count)
    monkeypatch.setattr("capture.collect.collector.pause_s", lambda took_s: pauses.append(took_s) or 0.02)
    settings = CollectSettings(
        name="office",
        database=DatabaseSettings(url=f"sqlite:///{tmp_path}/collect.sqlite"),
        brokers=(ShopBroker(url=f"mqtt://127.0.0.1:{mosquitto.port}"),),
    )
    told: list[Event] = []
    collector = Collector(settings, told.append)
    working = asyncio.create_task(collector.run())
    await until(lambda: sum(isinstance(one, LinkChange) and one.state == "up" for one in told) == 2)
    benches = Benches(mosquitto.port, benches=1)
    try:
        for n in (1, 2):
            benches.apply(0)
            await until(lambda n=n: counted and counted[-1] == n)  # type: ignore[misc]
    finally:
        collector.stop()
        await working
        benches.close()
    assert counted == [1, 2], "nothing is counted twice"
    needs = [one.needs for one in told if isinstance(one, Upkeep)]
    assert needs == [
        "the statistics were not counted anew (permission denied for function shop_count_anew); it is tried again"
    ]
