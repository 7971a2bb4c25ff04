"""What technicians' strokes and levels say of their ways of working; any statistic of ours may be counted anew."""

from __future__ import annotations

from alembic import op

from capture.collect.statistics.views import make_views, view_statements

revision = "0013"
down_revision = "0012"

_STATISTICS = "statistics_0013.sql"
_KEY = "shop, sheet_name, sheet_revision, pack, technician"
#: As in the step before, but for the names: what is one of ours is seen by its own.
_ANEW = """
CREATE OR REPLACE FUNCTION shop_count_anew(counted text) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
SET search_path = {schema}, pg_temp
-- All rows are read: a plan that looks them up one by one, by guesses of how few there are, takes hours.
SET enable_nestloop = off SET work_mem = '64MB' SET jit = off AS $$
BEGIN
  IF NOT EXISTS (
    SELECT FROM pg_matviews WHERE schemaname = {name} AND matviewname = counted AND counted ^@ 'shop_'
  ) THEN
    RAISE EXCEPTION '% is no view that is counted', counted;
  END IF;
  EXECUTE format('REFRESH MATERIALIZED VIEW CONCURRENTLY %I', counted);
END $$
"""


def upgrade() -> None:
    """Make the views, counted where the database keeps others counted."""
    connection = op.get_bind()
    if connection.dialect.name != "postgresql":
        make_views(connection, _STATISTICS)
        return
    for name, select in view_statements("postgresql", _STATISTICS).items():
        connection.exec_driver_sql(f"CREATE MATERIALIZED VIEW {name} AS\n{select}")
        connection.exec_driver_sql(f"CREATE UNIQUE INDEX {name}_key ON {name} ({_KEY})")
    said = "SELECT quote_ident(current_schema()), quote_literal(current_schema())"
    schema, literal = connection.exec_driver_sql(said).one()
    connection.exec_driver_sql(_ANEW.format(schema=schema, name=literal).replace("%", "%%"))
