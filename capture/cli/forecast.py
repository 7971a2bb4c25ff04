"""The command `stock forecast`: which sizes to order, and what it costs not to."""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.allot import jobs_of, waiting_packs
from capture.cli.options import ConfigFile, Json, fail
from capture.cli.stock import StockPath, opened, warn_of
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.stock.forecast import SizeForecast, StockForecast

_HISTORY_WEEKS = 52


def forecast(
    data_dir: Annotated[
        list[Path] | None,
        typer.Option("--data-dir", help="Where a bench's record is kept; repeat it for several benches."),
    ] = None,
    lead_weeks: Annotated[
        float, typer.Option("--lead-weeks", min=0.5, max=52, help="How long it takes from an order to the shelf.")
    ] = 4.0,
    served: Annotated[
        float, typer.Option("--served", min=0.5, max=0.999, help="How likely no pack is to wait for the size.")
    ] = 0.95,
    order: Annotated[
        Path | None, typer.Option("--order", metavar="FILE", help="Write what to order there, as CSV.")
    ] = None,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
) -> None:
    """Say for every size what is needed now, what will be, and what to order.

    From the packs of the last year as they were first measured: at least 20, over at least 8 weeks; with less, only
    what waits now is ordered. What comes out of packs is taken to go back to the shelf.
    """
    told, rows = forecast_of(data_dir, stock, config, lead_weeks, served)
    if order is not None:
        _write_order(order, [(part, text, one.order) for part, text, one in rows if one.order])
    if as_json:
        for part, text, one in rows:
            say_json({"type": "size", "part": part, "thickness": text, **_numbers(one)})
        basis: dict[str, Any] = {"packs": told.packs, "weeks": round(told.weeks, 1), "known": told.known}
        say_json({"type": "forecast", **basis, "lead_weeks": lead_weeks, "served": served})
        return
    if not told.known:
        say(
            f"Too little to tell what will come: {told.packs} packs in {told.weeks:.1f} weeks, and it takes 20 in 8. "
            "Only what waits now is ordered, and not what is low by the shop's own rule."
        )
        with opened(stock, config, None) as (room, _, _):
            warn_of(room.holdings().low())
    else:
        say(f"From {told.packs} packs as found in {told.weeks:.0f} weeks; {lead_weeks:g} weeks from order to shelf.")
    for part, text, one in rows:
        say(
            f"{part} {text}: {one.free} free, {one.waiting} needed now, {one.expected:.1f} expected; order {one.order}"
            + (
                f" (else short with {one.short_probability:.0%}, {one.packs_waiting:.1f} packs waiting)"
                if one.order
                else ""
            )
        )
    if order is not None:
        say(f"What to order: {order}")


def _numbers(one: Any) -> dict[str, Any]:
    return {
        "thickness_nm": one.thickness_nm, "free": one.free, "waiting": one.waiting, "expected": round(one.expected, 3),
        "to_have": one.to_have, "order": one.order, "short_probability": round(one.short_probability, 4),
        "packs_waiting": round(one.packs_waiting, 3),
    }  # fmt: skip


def _write_order(path: Path, wanted: list[tuple[str, str, int]]) -> None:
    from capture.plumbing.durable import written
    from capture.report.table_files import safe_text

    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(("part", "thickness", "count"))
    table.writerows((safe_text(part), safe_text(thickness), count) for part, thickness, count in wanted)
    try:
        with written(path) as file:
            file.write(text.getvalue().encode())
    except OSError as error:
        fail(f"cannot write {path}: {error.strerror}")


def forecast_of(
    data_dir: list[Path] | None, stock: Path | None, config: Path | None, lead_weeks: float = 4.0, served: float = 0.95
) -> tuple[StockForecast, list[tuple[str, str, SizeForecast]]]:
    """Return the forecast of a stock from the records of its benches, and its sizes with each part's name and
    thickness as people know them."""
    from capture.job.packs_found import packs_found
    from capture.stock import part_key
    from capture.stock.allotment import allot as best_use
    from capture.stock.file import exact_length
    from capture.stock.forecast import forecast as worked_out
    from capture.stock.forecast import needed_now

    with opened(stock, config, None) as (room, _, at):
        holdings = room.holdings()
    jobs = jobs_of(data_dir, config)
    since = at - timedelta(weeks=_HISTORY_WEEKS)
    began = max(since, min((job.opened_at for job in jobs), default=at))
    gathered = waiting_packs(jobs, holdings, at - timedelta(days=14))
    use = best_use(gathered.packs, gathered.shelf)
    wanted = [one.option.size for one in use.placed] + [one.wants.size for one in use.left_out if one.wants]
    now = needed_now((part_key(size.part), size.thickness_nm) for size in wanted if size is not None)
    bins = {(part_key(one.part), one.thickness_nm): one for one in holdings.bins}
    told = worked_out(
        packs_found(jobs, since), (at - began) / timedelta(weeks=1), {key: one.free for key, one in bins.items()}, now,
        lead_weeks=lead_weeks, served=served,
    )  # fmt: skip
    rows = []
    for one in told.sizes:
        shelf = bins.get((one.part, one.thickness_nm))
        text = shelf.thickness_text if shelf is not None else exact_length(one.thickness_nm, "mm")
        rows.append((shelf.part if shelf is not None else one.part, text, one))
    return told, rows
