"""Reads the statistics' views, and says what they come to. Raises DatabaseAway and CollectError."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Connection, text
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.column_types import Instant
from capture.collect.database import CollectError, DatabaseAway, bring_up_to_date, engine_of, why
from capture.collect.settings import DatabaseSettings
from capture.collect.statistics.figures import (
    Interval,
    drift,
    funnel,
    funnel_of_means,
    of_mean,
    of_sd,
    of_slope,
    of_within,
    shrunk,
    wilson,
)
from capture.collect.statistics.shop import (
    AirOfBench,
    ChecksLeftOut,
    Clearance,
    Exposure,
    GaugeHistory,
    Model,
    PressureSlope,
    Reproducibility,
    RingBias,
    ShopStatistics,
    StrokeScatter,
    StrokesNotCounted,
    TechnicianLevel,
    Yield,
)
from capture.collect.statistics.views import view_statements

Row = Mapping[str, Any]

#: The tables that are handed out, each a view, in this order. Rows of single checks are not among them.
TABLES: Final = (
    "shop_as_found",
    "shop_as_built",
    "shop_first_time_yield",
    "shop_unit_yield",
    "shop_out_of_range",
    "shop_ring_bias",
    "shop_reproducibility",
    "shop_gauge_drift",
    "shop_strokes_not_counted",
    "shop_stroke_scatter",
    "shop_technician_level",
    "shop_held_pressure",
    "shop_pressure_slope",
    "shop_left_out",
)


def shop_statistics(database: DatabaseSettings, since: datetime | None = None) -> ShopStatistics:
    """Return the statistics of what a database has collected, of checks since then if that is given."""
    with _Views(database, since) as views:
        return ShopStatistics(
            since,
            tuple(_clearances(views.rows("shop_as_found"))),
            tuple(_clearances(views.rows("shop_as_built"))),
            tuple(_yields(views.rows("shop_first_time_yield"))),
            tuple(
                Yield(_model(row), "", row["units"], row["good"], _share(row["good"], row["units"], row["yield"]))
                for row in views.rows("shop_unit_yield")
            ),
            tuple(
                Exposure(_model(row), row["pack"], row["packs"], float(row["expected_out"]))
                for row in views.rows("shop_out_of_range")
            ),
            tuple(_rings(views.rows("shop_ring_bias"))),
            tuple(_reproducibility(views.rows("shop_reproducibility"))),
            tuple(_gauges(views.rows("shop_gauge_mornings"))),
            tuple(_not_counted(views.rows("shop_strokes_not_counted"))),
            tuple(_scatters(views.rows("shop_stroke_scatter"))),
            tuple(_levels(views.rows("shop_technician_level"))),
            tuple(
                AirOfBench(
                    row["shop"], row["bench"], row["strokes"], _known(row["mean_pa"]), _known(row["leak_down_pa_per_s"])
                )
                for row in views.rows("shop_held_pressure")
            ),
            tuple(_slopes(views.rows("shop_pressure_slope"))),
            tuple(_left_out(views.rows("shop_left_out"))),
        )


def statistics_tables(database: DatabaseSettings, since: datetime | None = None) -> dict[str, list[Row]]:
    """Return the rows of each view that is handed out, by its name."""
    with _Views(database, since) as views:
        return {name: views.rows(name) for name in TABLES}


class _Views:
    """A connection to the views, for one look at all of them."""

    def __init__(self, database: DatabaseSettings, since: datetime | None) -> None:
        self._engine = engine_of(database)
        self._since = since
        self._statements = view_statements(self._engine.dialect.name)
        if not self._statements:
            raise CollectError(f"statistics need SQLite or PostgreSQL; {database.url} is neither")

    def __enter__(self) -> _Views:
        bring_up_to_date(self._engine)
        try:
            self._connection: Connection = self._engine.connect()
            self._connection.begin()
            if self._engine.dialect.name == "postgresql":  # a large shop's years take their time
                self._connection.execute(text("SET LOCAL statement_timeout = 0"))
                self._connection.execute(text("SET LOCAL enable_nestloop = off"))  # all rows are read: never one by one
        except SQLAlchemyError as error:
            self._engine.dispose()
            raise DatabaseAway(why(error)) from error
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()
        self._engine.dispose()

    def rows(self, name: str) -> list[Row]:
        """Return the rows of a view as of now, of checks since the day that is wanted."""
        statement, words = self._statements[name], {}
        if self._since is not None:
            statement = self._limited(name)
            words = {"since": Instant().process_bind_param(self._since, self._engine.dialect)}
        try:
            found = self._connection.execute(text(statement), words).mappings()
            return sorted((dict(row) for row in found), key=lambda row: tuple(str(value) for value in row.values()))
        except SQLAlchemyError as error:
            raise DatabaseAway(why(error)) from error

    def _limited(self, name: str) -> str:
        """Return a view's SELECT over later rows alone: each view of single rows that it rests on is cut off."""
        statement = self._statements[name]
        if name == "shop_gauge_mornings":
            return "SELECT * FROM shop_gauge_mornings WHERE at >= :since"
        for source, alias in (("shop_checks", "c"), ("shop_gauge_mornings", "m"), ("collected_strokes", "s")):
            cut = f"(SELECT * FROM {source} WHERE at >= :since) {alias}"
            statement = re.sub(rf"\b{source} {alias}\b", cut, statement)
        if "FROM shop_pairs" in statement:
            statement = statement.replace("FROM shop_pairs", f"FROM ({self._limited('shop_pairs')}) AS pairs")
        return statement


def _model(row: Row) -> Model:
    return Model(row["shop"], row["sheet_name"], row["sheet_revision"])


def _share(good: int, of: int, known: object) -> Interval | None:
    return None if known is None else wilson(good, of)


def _clearances(rows: Sequence[Row]) -> Iterator[Clearance]:
    for row in rows:
        mean, variance, n = row["mean_off_preferred_nm"], row["variance_nm2"], row["packs"]
        share = row.get("share_in_middle_half")
        yield Clearance(
            _model(row),
            row["pack"],
            n,
            row["low_nm"],
            row["high_nm"],
            row["preferred_nm"],
            None if mean is None else of_mean(float(mean), float(variance), n),
            None if mean is None else of_sd(float(variance), n - 1),
            None if share is None else float(share),
        )


def _yields(rows: Sequence[Row]) -> Iterator[Yield]:
    for row in rows:
        of, good = row["packs"], row["good"]
        others = [
            (other["good"], other["packs"])
            for other in rows
            if other["comparable"] and other["shop"] == row["shop"] and other is not row
        ]
        yield Yield(
            _model(row),
            row["pack"],
            of,
            good,
            _share(good, of, row["yield"]),
            _known(row["inconclusive"]),
            _known(row["needs_a_master"]),
            funnel(good, of, others) if row["comparable"] and others else None,
        )


def _known(share: object) -> float | None:
    return None if share is None else float(share)  # type: ignore[arg-type]


def _rings(rows: Sequence[Row]) -> Iterator[RingBias]:
    families: dict[tuple[Model, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        families[_model(row), row["pack"], row["part"]].append(row)
    for (model, pack, part), sizes in families.items():
        enough = [row for row in sizes if row["mean_off_nm"] is not None]
        drawn = shrunk(
            [float(row["mean_off_nm"]) for row in enough],
            [float(row["variance_nm2"]) / row["changes"] for row in enough],
        )
        towards = {row["thickness_nm"]: one for row, one in zip(enough, drawn, strict=True)}
        for row in sorted(sizes, key=lambda row: int(row["thickness_nm"])):
            n, mean, size = row["changes"], row["mean_off_nm"], row["thickness_nm"]
            known = None if mean is None else of_mean(float(mean), float(row["variance_nm2"]), n)
            yield RingBias(model, pack, part, size, n, known, towards.get(size))


def _reproducibility(rows: Sequence[Row]) -> Iterator[Reproducibility]:
    for row in rows:
        variance = row["variance_nm2"]
        sd = None if variance is None else of_sd(float(variance), row["pairs"])
        yield Reproducibility(_model(row), bool(row["another_technician"]), row["pairs"], sd)


def _gauges(rows: Sequence[Row]) -> Iterator[GaugeHistory]:
    gauges: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        gauges[row["shop"], row["bench"], row["gauge_serial"]].append(row)
    for (shop, bench, serial), mornings in gauges.items():
        mornings.sort(key=lambda row: float(row["day"]))
        days = tuple(float(row["day"]) for row in mornings)
        errors = tuple(int(row["error_nm"]) for row in mornings)
        limit = int(mornings[-1]["max_error_nm"])
        expanded = 2.0 * float(mornings[-1]["standard_uncertainty_nm"] or 0)
        found = drift(days, errors, limit, expanded) if len(mornings) >= 12 else None
        yield GaugeHistory(shop, bench, serial, days, errors, limit, found)


def _not_counted(rows: Sequence[Row]) -> Iterator[StrokesNotCounted]:
    for row in rows:
        others = [
            (one["not_counted"], one["strokes"])
            for one in rows
            if one["share"] is not None and one["shop"] == row["shop"] and one is not row
        ]
        of, out = row["strokes"], row["not_counted"]
        known = row["share"] is not None
        beside = funnel(out, of, others) if known and others else None
        yield StrokesNotCounted(row["shop"], row["checks"], of, out, wilson(out, of) if known else None, beside)


def _scatters(rows: Sequence[Row]) -> Iterator[StrokeScatter]:
    for row, others in _beside_others(rows, "variance_nm2"):
        n, known = row["checks"], _logarithm(row) if row["variance_nm2"] else None
        beside = [_logarithm(one) for one in others if one["variance_nm2"] > 0]
        compared = funnel_of_means(*known, n - 1, beside) if known and beside else None
        yield StrokeScatter(_model(row), row["pack"], n, of_within(*known, n - 1) if known else None, compared)


def _logarithm(row: Row) -> tuple[float, float]:
    """Return the logarithm of a variance with its standard error: variances scatter in proportion to themselves."""
    variance, n = float(row["variance_nm2"]), row["checks"]
    return math.log(variance), math.sqrt(max(0.0, float(row["variance_of_variance_nm4"])) / n) / variance


def _levels(rows: Sequence[Row]) -> Iterator[TechnicianLevel]:
    for row, others in _beside_others(rows, "mean_off_preferred_nm"):
        n, mean = row["packs"], row["mean_off_preferred_nm"]
        beside = [_mean(one) for one in others]
        yield TechnicianLevel(
            _model(row),
            row["pack"],
            n,
            None if mean is None else of_mean(float(mean), float(row["variance_nm2"]), n),
            funnel_of_means(*_mean(row), n - 1, beside) if mean is not None and beside else None,
        )


def _mean(row: Row) -> tuple[float, float]:
    return float(row["mean_off_preferred_nm"]), math.sqrt(max(0.0, float(row["variance_nm2"])) / row["packs"])


def _beside_others(rows: Sequence[Row], known: str) -> Iterator[tuple[Row, list[Row]]]:
    """Yield each technician's row of a pack with the others' of that pack whose number is shown."""
    of_pack: dict[tuple[Model, str], list[Row]] = defaultdict(list)
    for row in rows:
        of_pack[_model(row), row["pack"]].append(row)
    for row in rows:
        beside = of_pack[_model(row), row["pack"]]
        yield row, [one for one in beside if one is not row and one[known] is not None]


def _slopes(rows: Sequence[Row]) -> Iterator[PressureSlope]:
    for row in rows:
        slope, dof = row["slope_nm_per_pa"], row["strokes"] - row["checks"] - 1
        known = None if slope is None or dof < 1 else _slope(row, dof)
        yield PressureSlope(_model(row), row["pack"], row["strokes"], float(row["reach_pa"]), known)


def _slope(row: Row, dof: int) -> Interval:
    return of_slope(float(row["sxx_pa2"]), float(row["sxy_pa_nm"]), float(row["syy_nm2"]), dof)


def _left_out(rows: Sequence[Row]) -> Iterator[ChecksLeftOut]:
    gauges: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        gauges[row["shop"], row["bench"], row["gauge_serial"]].append(row)
    for (shop, bench, serial), days in gauges.items():
        told = tuple(sorted(row["day"] for row in days))
        yield ChecksLeftOut(shop, bench, serial, told, sum(row["checks"] for row in days))
