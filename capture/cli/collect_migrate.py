"""The command `collect migrate`: a collected database's tables up to date, by whoever owns them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from capture.cli.collect import upkeep_in_words
from capture.cli.extras import need
from capture.cli.options import ConfigFile, fail
from capture.plumbing.outward import write


def migrate(
    database: Annotated[
        str | None,
        typer.Option("--database", help="An SQLAlchemy URL without a password, of a user who owns the tables."),
    ] = None,
    dry_run: Annotated[
        bool,
        typer.Option(
            "--dry-run", help="Say what would be done: each statement is tried and taken back, and nothing stays."
        ),
    ] = False,
    config: ConfigFile = None,
) -> None:
    """Bring the tables up to date, make the months that are due, and drop those older than keep_months says.

    A collector does all this itself where its user owns the tables. Where it may only read and write rows, run this as
    the owner before a new version starts, and once a month. Exit code 3 if only the owner may make what is left.
    """
    from capture.collect.database import CollectError, DatabaseAway, bring_up_to_date, engine_of, steps_due
    from capture.collect.partitions import keep_by_month, months_to_see_to, part_of
    from capture.collect.settings import load_database
    from capture.config import ConfigError

    try:
        settings = load_database(config, database)
        if settings.address.get_backend_name() == "postgresql":
            need("postgres")
        engine, now = engine_of(settings), datetime.now(UTC)
        try:
            if not dry_run:
                bring_up_to_date(engine)
                done = keep_by_month(engine, now, settings.keep_months, patience_ms=None)
                write(f"tables are up to date\n{upkeep_in_words(done)}\n")
                if done.needs:
                    raise typer.Exit(3)
                return
            steps = steps_due(engine)
            for one in steps:
                write(f"{one};\n")
            if steps:
                write("-- the months are told once that is done\n")
                return
            for due in months_to_see_to(engine, now, settings.keep_months):
                for word, months in (("make", due.make), ("drop", due.drop)):
                    write("".join(f"-- {word} {part_of(due.table, one)}\n" for one in months))
            write("-- the tables are up to date\n")
        finally:
            engine.dispose()
    except ConfigError as error:
        fail(str(error), 2)
    except (CollectError, DatabaseAway) as error:
        fail(str(error))
