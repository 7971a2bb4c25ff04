"""The commands that show what is kept: `jobs`, `show`, `sheet check`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, open_store, read_sheet
from capture.plumbing.outward import say_json

if TYPE_CHECKING:
    from capture.record import Job


def jobs(
    limit: Annotated[int, typer.Option("--limit", min=1, help="The newest so many.")] = 20,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """List the jobs in the record, newest first."""
    from capture.cli.print_jobs import job_json, jobs_table

    with errors_in_words(), open_store(config, data_dir) as store:
        found: list[Job] = store.jobs(limit)
        home = store.path.parent
    if as_json:
        for job in found:
            say_json(job_json(job, home, strokes=False))
    else:
        jobs_table(found)


def show(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    explain: Annotated[bool, typer.Option("--explain", help="Show each verdict's uncertainty budget.")] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Show one job: its checks, their strokes and verdicts."""
    from capture.cli.print_jobs import job_json, show_job

    with errors_in_words(), open_store(config, data_dir) as store:
        found: Job = store.job(job)
        home, came_back = store.path.parent, store.came_back_in(job)
    if as_json:
        say_json({**job_json(found, home, strokes=True), "came_back_in": came_back})
    else:
        show_job(found, home, explain, came_back)


def check_sheet(
    sheet: Annotated[Path, typer.Argument(help="A build sheet, TOML.")],
    as_json: Json = False,
) -> None:
    """Check a build sheet and show what it asks for. Exit code 1 if it cannot be used."""
    from capture.cli.print_sheet import show_sheet

    loaded, _ = read_sheet(sheet)
    if as_json:
        say_json(loaded.model_dump(mode="json"))
    else:
        show_sheet(loaded)
