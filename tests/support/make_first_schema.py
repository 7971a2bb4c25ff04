"""Writes the first schemas anew from the tables: `python -m tests.support.make_first_schema`.

Only while nothing was released: what later steps start from, and are proven on, never changes.
"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path
from typing import Any

from sqlalchemy import MetaData, create_mock_engine

from capture.collect import schema as collected
from capture.record import schema as recorded

__all__ = ["FIRST", "main"]

TESTS = Path(__file__).parents[1]
#: The file of each first schema, and the tables and kind of database that it is of.
FIRST: dict[Path, tuple[MetaData, str]] = {
    TESTS / "record" / "first_schema.sqlite.sql": (recorded.metadata, "sqlite"),
    TESTS / "collect" / "first_schema.sqlite.sql": (collected.metadata, "sqlite"),
    TESTS / "collect" / "first_schema.postgresql.sql": (collected.metadata, "postgresql"),
}


def _statements(tables: MetaData, kind: str) -> str:
    made: list[str] = []

    def make(statement: Any, *_: Any, **__: Any) -> None:
        text = str(statement.compile(dialect=engine.dialect)).strip()
        made.append("\n".join(line.rstrip().replace("\t", "    ") for line in text.splitlines()) + ";\n")

    engine = create_mock_engine(f"{kind}://", make)
    tables.create_all(engine, checkfirst=False)
    # A table's indexes are a set, which comes in another order each time: each run of them by name.
    runs = groupby(made, lambda text: text.startswith("CREATE INDEX"))
    return "\n".join(text for is_index, run in runs for text in (sorted(run) if is_index else run))


def main() -> None:
    """Write every file."""
    for path, (tables, kind) in FIRST.items():
        path.write_text(_statements(tables, kind), encoding="utf-8")


if __name__ == "__main__":
    main()
