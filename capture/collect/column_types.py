"""How ids, times and JSON are kept in each kind of database."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import JSON, DateTime, Dialect, String, Uuid
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeDecorator, TypeEngine


class Instant(TypeDecorator[datetime]):
    """An aware time: `timestamptz` where there is one, else RFC 3339 text in UTC, whose order is time order."""

    impl = String(27)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column's type."""
        return dialect.type_descriptor(DateTime(timezone=True) if dialect.name == "postgresql" else String(27))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """Write."""
        if value is None or dialect.name == "postgresql":
            return value
        return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Read."""
        return datetime.fromisoformat(value).astimezone(UTC) if isinstance(value, str) else value


ID: Final = String(36).with_variant(Uuid(as_uuid=False), "postgresql")
JSON_VALUE: Final = JSON(none_as_null=True).with_variant(JSONB(none_as_null=True), "postgresql")
