"""The commands `shop`: how the shop works, from what was collected."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.export import ExportForm, day_of
from capture.cli.extras import need
from capture.cli.options import ConfigFile, Json, errors_in_words, fail
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.collect import DatabaseSettings
    from capture.report.shop_section import ShopSection

Database = Annotated[
    str | None,
    typer.Option("--database", metavar="URL", help="Where `collect` keeps what it hears, as it was told there."),
]
Collector = Annotated[
    Path | None, typer.Option("--collector", metavar="FILE", help="The collector's settings, for [database].")
]
Since = Annotated[str | None, typer.Option("--since", metavar="DATE", help="Only checks on that day or later.")]


def database_of(collector: Path | None, url: str | None) -> DatabaseSettings:
    """Return the collected database that is meant, or exit saying what is wrong with it."""
    from capture.collect.settings import load_database
    from capture.config import ConfigError

    try:
        found = load_database(collector, url)
    except ConfigError as error:
        fail(str(error), 2)
    if found.address.get_backend_name() == "postgresql":
        need("postgres")
    return found


def report(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR|FILE", help="A folder, or a file's name ending in .html or .pdf.")
    ] = Path(),
    database: Database = None,
    collector: Collector = None,
    since: Since = None,
    stock: Annotated[
        Path | None, typer.Option("--stock", help="The stock, for which sizes to order, with --data-dir.")
    ] = None,
    data_dir: Annotated[
        list[Path] | None, typer.Option("--data-dir", help="A bench's record, for which sizes to order; repeatable.")
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
) -> None:
    """Write how the shop works as one HTML file and a PDF, pictures first.

    Yield, clearance as found and as built, rings, reproducibility and gauges, by sheet and revision. No number is shown
    below its least sample; checks of a gauge in doubt are left out, and the report says so. Exit code 3 if only the
    HTML could be written.
    """
    need("paper")
    from capture.collect.database import CollectError, DatabaseAway
    from capture.config import load_config
    from capture.report.letterhead import LetterheadError, letterhead
    from capture.report.writing import ReportError, write_shop_report

    start, found = day_of(since), database_of(collector, database)
    sizes = _sizes(data_dir, stock, config) if data_dir else ()
    with errors_in_words():
        try:
            shop = load_config(config).shop
            head = letterhead(shop.name, shop.logo)
            html, pdf, problem = write_shop_report(found, out, datetime.now(UTC), start, head, sizes)
        except (ReportError, LetterheadError, CollectError, DatabaseAway) as error:
            fail(str(error))
    if as_json:
        say_json({"type": "shop_report", "html": str(html), "pdf": None if pdf is None else str(pdf)})
    else:
        say(f"How the shop works: {html}{'' if pdf is None else f', on paper {pdf}'}")
    if pdf is None:
        fail(f"only the HTML was written: {problem}", 3)


def _sizes(data_dir: list[Path], stock: Path | None, config: Path | None) -> tuple[ShopSection, ...]:
    from capture.cli.forecast import forecast_of
    from capture.report.shop_contents import order_section

    told, rows = forecast_of(data_dir, stock, config)
    return (order_section(told, [(f"{part} {text}", one) for part, text, one in rows]),)


def export(
    form: Annotated[ExportForm, typer.Option("--format", help="What to write.")] = ExportForm.parquet,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the files go.")] = Path("strokelog-shop"),
    database: Database = None,
    collector: Collector = None,
    since: Since = None,
    as_json: Json = False,
) -> None:
    """Write the shop's statistics as tables, a file each: the views of the collected database."""
    if form is ExportForm.parquet:
        need("parquet")
    from capture.collect.database import CollectError, DatabaseAway
    from capture.collect.statistics.read import statistics_tables
    from capture.report.table_files import ExportError, write_rows

    start, found = day_of(since), database_of(collector, database)
    try:
        written = write_rows(statistics_tables(found, start), out, form.value)
    except (ExportError, CollectError, DatabaseAway) as error:
        fail(str(error))
    for table, (path, count) in written.items():
        if as_json:
            say_json({"type": "table", "table": table, "rows": count, "file": str(path)})
        else:
            say(f"{path}: {count} row{'' if count == 1 else 's'}")
