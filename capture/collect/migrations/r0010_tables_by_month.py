"""Tables of messages are divided by month in PostgreSQL; every database finds a bench's and a shop's rows by time.

What a table holds becomes its rest at once, whatever its size; `partitions` takes it out of there month by month.
"""

from __future__ import annotations

from alembic import op
from sqlalchemy import Connection, text

from capture.collect.database import CollectError
from capture.collect.statistics.views import make_views, view_statements

revision = "0010"
down_revision = "0009"

_TABLES = (
    "collected_strokes",
    "collected_verdicts",
    "collected_statuses",
    "collected_units",
    "collected_gauge_checks",
)
_STATISTICS = "statistics_0009.sql"

_REST = text(
    "SELECT p.partdefid <> 0 AS there, p.partdefid::regclass::text AS name FROM pg_partitioned_table p "
    "WHERE p.partrelid = CAST(:table AS regclass)"
)
_VIEWS = text(
    "SELECT DISTINCT r.ev_class::regclass::text FROM pg_depend d JOIN pg_rewrite r ON r.oid = d.objid "
    "WHERE d.classid = 'pg_rewrite'::regclass AND d.refobjid = CAST(:table AS regclass) AND r.ev_class <> d.refobjid"
)
_ALLOWED = text(
    "SELECT a.privilege_type AS granted, "
    "CASE WHEN a.grantee = 0 THEN 'PUBLIC' ELSE a.grantee::regrole::text END AS who "
    "FROM pg_class c, aclexplode(c.relacl) a WHERE c.oid = CAST(:table AS regclass) AND a.grantee <> c.relowner"
)
_INDEXES = text(
    "SELECT i.indexrelid::regclass::text AS name, pg_get_indexdef(i.indexrelid) AS made "
    "FROM pg_index i WHERE i.indrelid = CAST(:table AS regclass) AND NOT i.indisprimary"
)


def upgrade() -> None:
    """Divide the tables where the database can, and add the indexes; what is in the tables stays."""
    connection = op.get_bind()
    if connection.dialect.name == "postgresql":
        views = view_statements("postgresql", _STATISTICS)
        allowed = [(view, one) for view in views for one in connection.execute(_ALLOWED, {"table": view}).all()]
        for view in reversed(views):
            connection.exec_driver_sql(f"DROP VIEW {view}")
        for table in _TABLES:
            _divide(connection, table)
        make_views(connection, _STATISTICS)
        for view, one in allowed:
            connection.exec_driver_sql(f"GRANT {one.granted} ON {view} TO {one.who}")
    for table in _TABLES:
        op.create_index(f"{table}_bench", table, ["bench", "at"])
        op.create_index(f"{table}_shop", table, ["shop", "bench", "at"])


def _divide(connection: Connection, table: str) -> None:
    """Raises CollectError where a view of the shop's own reads the table: it would see the rest alone from then on."""
    rest = f"{table}_rest"
    own = connection.execute(_REST, {"table": table}).first()
    if own is not None:  # a shop divided it itself
        made = f"ALTER TABLE {own.name} RENAME TO {rest}"
        if not own.there:
            made = f"CREATE TABLE {rest} PARTITION OF {table} DEFAULT"
        if own.name != rest:
            connection.exec_driver_sql(made)
        return
    views = connection.execute(_VIEWS, {"table": table}).scalars().all()
    if views:
        raise CollectError(
            f"{table} is to be divided by month, and {', '.join(views)} of your own read it: keep how they are made, "
            "drop them, start the collector again, and make them anew"
        )
    allowed = connection.execute(_ALLOWED, {"table": table}).all()
    indexes = connection.execute(_INDEXES, {"table": table}).all()
    for statement in (
        f"ALTER TABLE {table} RENAME TO {rest}",
        f"ALTER TABLE {rest} DROP CONSTRAINT {table}_pkey",
        f"ALTER TABLE {rest} ADD CONSTRAINT {rest}_pkey PRIMARY KEY (id, at)",
        *(f"ALTER INDEX {one.name} RENAME TO {one.name}_rest" for one in indexes),
        f"CREATE TABLE {table} (LIKE {rest} INCLUDING DEFAULTS, PRIMARY KEY (id, at)) PARTITION BY RANGE (at)",
        *(one.made for one in indexes),
        f"ALTER TABLE {table} ATTACH PARTITION {rest} DEFAULT",
        *(f"GRANT {one.granted} ON {table} TO {one.who}" for one in allowed),
    ):
        connection.exec_driver_sql(statement)
