"""How a database comes to its newest schema: an empty one is made of the tables, an older one goes step by step.

`env.py` beside this is run by Alembic, for every database alike; the steps lie with the tables that they change.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, MetaData

__all__ = ["to_newest"]


def to_newest(connection: Connection, tables: MetaData, steps: Path, stored: str | None, version_table: str) -> None:
    """Make `tables` where nothing is `stored`, else take the steps in the folder `steps` that come after that version.

    All of it is part of the running transaction: what fails or is cut off leaves the old schema whole.
    """
    # Not at the top: it would double the start of a daemon whose record is up to date.
    from alembic import command
    from alembic.config import Config

    config = Config()
    for name, folder in (("script_location", Path(__file__).parent), ("version_locations", steps)):
        config.set_main_option(name, str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.attributes.update(connection=connection, version_table=version_table)
    if stored is None:
        tables.create_all(connection, checkfirst=False)
        command.stamp(config, "head")
    else:
        command.upgrade(config, "head")
