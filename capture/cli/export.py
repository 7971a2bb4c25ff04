"""The command `record export`: the record as tables for a spreadsheet or a statistics program."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail, open_store
from capture.plumbing.outward import say, say_json


class ExportForm(StrEnum):
    """What tables are written as."""

    csv = "csv"
    parquet = "parquet"


class _Unit(StrEnum):
    mm = "mm"
    inch = "in"


def export(
    form: Annotated[ExportForm, typer.Option("--format", help="What to write.")] = ExportForm.csv,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the files go.")] = Path("strokelog-export"),
    job: Annotated[int | None, typer.Option("--job", help="Only this job.")] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Only jobs opened on that day or later.")
    ] = None,
    unit: Annotated[_Unit, typer.Option("--unit", help="Of the lengths for people, beside the nanometres.")] = _Unit.mm,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Write the record as flat tables: jobs, checks, strokes, facts and parts, a file each.

    In CSV, text that a spreadsheet would run as a formula has an apostrophe before it. Times are UTC.
    """
    from capture.plumbing.plaintext import clean
    from capture.report.table_files import ExportError
    from capture.report.table_files import export as write

    opened = day_of(since)
    if form is ExportForm.parquet:
        need("parquet")
    with errors_in_words(), open_store(config, data_dir) as store:
        if job is not None:
            store.job(job)  # says so if there is none
        try:
            written = write(
                store.every_job(job=job, since=opened), out, "csv" if form is ExportForm.csv else "parquet",
                "mm" if unit is _Unit.mm else "in",
            )  # fmt: skip
        except ExportError as error:
            fail(str(error))
    for table, (path, count) in written.items():
        if as_json:
            say_json({"type": "table", "table": table, "rows": count, "file": str(path)})
        else:
            say(clean(f"{path}: {count} row{'' if count == 1 else 's'}"))


def day_of(since: str | None) -> datetime | None:
    """Return the time that an option names, None for none, or exit saying what is expected."""
    if since is None:
        return None
    try:
        return datetime.fromisoformat(since).astimezone()  # a day begins at midnight here, if no zone is given
    except (ValueError, OverflowError):
        fail(f"--since {since}: expected a day such as 2026-03-02, or a time such as 2026-03-02T06:00:00Z", 2)
