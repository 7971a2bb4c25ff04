"""The statistics as views of the database: their SQL, for the kinds of database that have them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from sqlalchemy import Connection

#: The SQL lies with the step that makes it, which never changes once released; a later step brings new views'.
_STEPS: Final = Path(__file__).parents[1] / "migrations"
FILES: Final = ("statistics_0009.sql", "statistics_0013.sql")
#: What is written differently: a time as a day of the calendar in UTC, and as days since 1970.
_WRITTEN: Final[Mapping[str, Mapping[str, str]]] = {
    "sqlite": {"{date}": "substr(c.at, 1, 10)", "{days}": "julianday(g.at) - 2440587.5"},
    "postgresql": {
        "{date}": "to_char(c.at AT TIME ZONE 'UTC', 'YYYY-MM-DD')",
        "{days}": "CAST(EXTRACT(EPOCH FROM g.at) AS DOUBLE PRECISION) / 86400",
    },
}


def view_statements(kind: str, *files: str) -> dict[str, str]:
    """Return the SELECT of each view by its name, of all or of these files', in the order in which they rest on each
    other; none for a kind of database that has no views here."""
    written = _WRITTEN.get(kind)
    if written is None:
        return {}
    lines = [line for file in files or FILES for line in (_STEPS / file).read_text(encoding="utf-8").splitlines()]
    text = "\n".join(line for line in lines if not line.startswith("--"))
    for word, here in written.items():
        text = text.replace(word, here)
    found = {}
    for one in text.split("CREATE VIEW ")[1:]:
        name, select = one.split(" AS\n", 1)
        found[name] = select.strip().removesuffix(";")
    return found


def make_views(connection: Connection, file: str) -> None:
    """Make the views that there are for this kind of database."""
    for name, select in view_statements(connection.dialect.name, file).items():
        connection.exec_driver_sql(f"CREATE VIEW {name} AS\n{select}")
