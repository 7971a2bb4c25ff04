"""How a database comes to its newest schema: step by step, an empty one from the first step on.

New and old files take the same way, so that their tables are the same to the letter. `env.py` beside this is run by
Alembic, for every database alike; the steps lie with the tables that they change, the first with its SQL.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, MetaData

__all__ = ["make_first", "to_newest"]


def to_newest(connection: Connection, tables: MetaData, steps: Path, version_table: str, to: str = "head") -> None:
    """Take the steps in the folder `steps` that come after the version which is stored, if one is, up to `to`.

    All of it is part of the running transaction: what fails or is cut off leaves the old schema whole. A kind of
    database that the first step has no SQL for is made of `tables` at once.
    """
    # Not at the top: it would double the start of a daemon whose record is up to date.
    from alembic import command
    from alembic.config import Config

    config = Config()
    for name, folder in (("script_location", Path(__file__).parent), ("version_locations", steps)):
        config.set_main_option(name, str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.attributes.update(connection=connection, version_table=version_table)
    if not connection.dialect.has_table(connection, version_table) and not _first(steps, connection).is_file():
        tables.create_all(connection, checkfirst=False)
        command.stamp(config, "head")
    else:
        command.upgrade(config, to)


def make_first(steps: Path, connection: Connection) -> None:
    """Make the tables of the first schema, as the SQL beside its step has them for this kind of database."""
    for statement in _first(steps, connection).read_text(encoding="utf-8").split(";\n\n"):
        connection.exec_driver_sql(statement.strip().removesuffix(";"))


def _first(steps: Path, connection: Connection) -> Path:
    return steps / f"first.{connection.dialect.name}.sql"
