"""Messages say by which sheet, by whom, with what gauge, at which attempt, to what end; gauge checks are messages."""

from __future__ import annotations

from alembic import op
from sqlalchemy import BigInteger, Boolean, Column, Text

from capture.collect.column_types import ID, JSON_VALUE, Instant

revision = "0005"
down_revision = "0001"

#: Text that rows from before have empty.
_WORDS: dict[str, tuple[str, ...]] = {
    "collected_strokes": ("sheet_name", "sheet_revision", "technician", "gauge_serial", "gauge_standing", "outcome"),
    "collected_verdicts": (
        "sheet_name", "sheet_revision", "technician", "gauge_serial", "gauge_standing", "changed_part",
    ),
    "collected_units": ("sheet_name", "sheet_revision", "technician", "gauge_serial", "gauge_standing", "outcome"),
}  # fmt: skip
_LISTS: dict[str, tuple[str, ...]] = {"collected_verdicts": ("parts",), "collected_units": ("against_codes",)}
_NUMBERS: dict[str, tuple[str, ...]] = {
    "collected_strokes": ("attempt",),
    "collected_verdicts": (
        "preferred_nm", "parts_changed", "predicted_nm", "predicted_uncertainty_nm", "changed_from_nm", "changed_to_nm",
    ),
    "collected_units": ("attempt",),
}  # fmt: skip


def upgrade() -> None:
    """Add the columns and the table; rows from before say that nothing is known."""
    for table, names in _WORDS.items():
        for name in names:
            op.add_column(table, Column(name, Text, nullable=False, server_default=""))
    for table, names in _LISTS.items():
        for name in names:
            op.add_column(table, Column(name, JSON_VALUE, nullable=False, server_default="[]"))
    for table, names in _NUMBERS.items():
        for name in names:
            op.add_column(table, Column(name, BigInteger))
    op.add_column("collected_verdicts", Column("as_predicted", Boolean))
    op.create_table(
        "collected_gauge_checks",
        Column("id", ID, primary_key=True),
        Column("received_at", Instant, nullable=False),
        Column("shop", Text, nullable=False),
        Column("at", Instant, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("bench", "gauge_serial", "technician")),
        Column("as_left", Boolean, nullable=False),
        *(Column(name, Text, nullable=False) for name in ("standing", "result")),
        Column("alarm", Boolean, nullable=False),
        Column("master", Text, nullable=False),
        *(Column(name, BigInteger) for name in ("master_nm", "error_nm", "standard_uncertainty_nm")),
        *(Column(name, BigInteger, nullable=False) for name in ("max_error_nm", "phase")),
        Column("recording_sha256", Text, nullable=False),
        Column("not_measured", Text, nullable=False),
        Column("head_number", BigInteger),
        Column("head_sha256", Text, nullable=False),
        Column("more", JSON_VALUE),
    )
    op.create_index("collected_gauge_checks_at", "collected_gauge_checks", ["at"])
    op.create_index("collected_gauge_checks_gauge", "collected_gauge_checks", ["gauge_serial", "at"])
