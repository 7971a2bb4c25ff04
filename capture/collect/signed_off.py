"""Whether a unit was signed off at another bench of the shop, by what was collected. Changes nothing there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import DatabaseAway, engine_of, why
from capture.collect.schema import units
from capture.collect.settings import DatabaseSettings

#: libpq: a technician waits for the answer, and measures without it.
_AT_ONCE: Final = {"connect_timeout": "2", "options": "-c statement_timeout=2000 -c default_transaction_read_only=on"}


@dataclass(frozen=True, slots=True)
class SignedElsewhere:
    """A sign-off at another bench: which, its job there, when and by whom."""

    bench: str
    job: str
    at: datetime
    by: str


def signed_elsewhere(database: DatabaseSettings, unit_serial: str, bench: str) -> SignedElsewhere | None:
    """Return the newest sign-off of a unit at a bench other than `bench`, None where there is none. Blocks for a few
    seconds at most. Raises CollectError, and DatabaseAway where the database cannot be read."""
    if database.address.get_backend_name() == "postgresql":
        told = {name: value for name, value in _AT_ONCE.items() if name not in database.address.query}
        address = database.address.update_query_dict(told)
        database = database.model_copy(update={"url": address.render_as_string(hide_password=False)})
    file = database.address.database or ""
    if database.address.get_backend_name() == "sqlite" and not file.startswith("file:") and not Path(file).is_file():
        raise DatabaseAway(f"there is no database {database.url}")  # and asking it would make one
    column = units.c
    question = (
        select(column.bench, column.job, column.signed_off_at, column.signed_off_by)
        .where(column.unit_serial == unit_serial, column.signed_off_by != "", column.bench != bench)
        .order_by(column.signed_off_at.desc())
        .limit(1)
    )
    engine = engine_of(database)
    try:
        with engine.connect() as connection:
            row = connection.execute(question).first()
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error
    finally:
        engine.dispose()
    return None if row is None else SignedElsewhere(row.bench, str(row.job), row.signed_off_at, row.signed_off_by)
