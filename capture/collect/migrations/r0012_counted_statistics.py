"""In PostgreSQL the statistics that count are kept counted, so that millions of checks are asked in milliseconds."""

from __future__ import annotations

from alembic import op
from sqlalchemy import text

from capture.collect.statistics.views import view_statements

revision = "0012"
down_revision = "0011"

_STATISTICS = "statistics_0009.sql"
_PACK = "shop, sheet_name, sheet_revision, pack"
#: What a row is one of.
_COUNTED = {
    "shop_left_out": "shop, bench, gauge_serial, day",
    "shop_as_found": _PACK,
    "shop_as_built": _PACK,
    "shop_first_time_yield": _PACK,
    "shop_unit_yield": "shop, sheet_name, sheet_revision",
    "shop_out_of_range": _PACK,
    "shop_ring_bias": f"{_PACK}, part, thickness_nm",
    "shop_reproducibility": "shop, sheet_name, sheet_revision, another_technician",
    "shop_gauge_drift": "shop, bench, gauge_serial",
    "shop_strokes_not_counted": "shop, technician",
    "shop_held_pressure": "shop, bench",
    "shop_pressure_slope": _PACK,
}
_ALLOWED = text(
    "SELECT CASE WHEN a.grantee = 0 THEN 'PUBLIC' ELSE a.grantee::regrole::text END AS who "
    "FROM pg_class c, aclexplode(c.relacl) a WHERE c.oid = CAST(:view AS regclass) AND a.grantee <> c.relowner "
    "AND a.privilege_type = 'SELECT'"
)
#: Only who owns a view may count it anew, and whoever the owner lets do that alone.
_ANEW = """
CREATE OR REPLACE FUNCTION shop_count_anew(counted text) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
SET search_path = {schema}, pg_temp
-- All rows are read: a plan that looks them up one by one, by guesses of how few there are, takes hours.
SET enable_nestloop = off SET work_mem = '64MB' SET jit = off AS $$
BEGIN
  IF counted NOT IN ({names}) THEN
    RAISE EXCEPTION '% is no view that is counted', counted;
  END IF;
  EXECUTE format('REFRESH MATERIALIZED VIEW CONCURRENTLY %I', counted);
END $$
"""


def upgrade() -> None:
    """Make the views anew, counted as of now; who may read them still may."""
    connection = op.get_bind()
    if connection.dialect.name != "postgresql":
        return
    statements = view_statements("postgresql", _STATISTICS)
    for name, key in _COUNTED.items():
        allowed = connection.execute(_ALLOWED, {"view": name}).scalars().all()
        for statement in (
            f"DROP VIEW {name}",
            f"CREATE MATERIALIZED VIEW {name} AS\n{statements[name]}",
            f"CREATE UNIQUE INDEX {name}_key ON {name} ({key})",  # without it readers would wait while it is counted
            *(f"GRANT SELECT ON {name} TO {who}" for who in allowed),
        ):
            connection.exec_driver_sql(statement)
    schema = connection.exec_driver_sql("SELECT quote_ident(current_schema())").scalar_one()
    names = ", ".join(f"'{name}'" for name in _COUNTED)
    connection.exec_driver_sql(_ANEW.format(schema=schema, names=names).replace("%", "%%"))
    connection.exec_driver_sql("REVOKE ALL ON FUNCTION shop_count_anew FROM PUBLIC")
