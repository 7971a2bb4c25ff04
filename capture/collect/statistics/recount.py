"""Counts the statistics anew in PostgreSQL, where they are kept counted; every other database counts when it is asked.

Theory of operation. It is done on a connection and thread of its own, one view a transaction, while everybody goes on
reading what was counted before. The pause between two times is twenty times as long as one takes: a large shop's server
is busy with it for a twentieth of its time, and what a small one reads is a minute old at most.
"""

from __future__ import annotations

from typing import Any, Final

from sqlalchemy import Engine, text
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import DatabaseAway, why
from capture.collect.statistics.views import view_statements

_COUNTED: Final = text("SELECT matviewname FROM pg_matviews WHERE schemaname = current_schema() ORDER BY 1")
_LEAST_PAUSE_S: Final = 60.0
_TIMES_AS_LONG: Final = 20


class Recount:
    """The counting in one database, by an engine of its own. Blocks; used from one thread, but for `cancel`."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._connection: Any = None
        self._cancelled = False

    def run(self) -> None:
        """Count every statistic anew. Raises DatabaseAway; what was counted until then stays."""
        if self._engine.dialect.name != "postgresql":
            return
        try:
            with self._engine.connect() as connection:
                self._connection = connection.connection.driver_connection
                ours = view_statements("postgresql")
                names = [name for name in connection.execute(_COUNTED).scalars() if name in ours]
                connection.rollback()
                for name in names:
                    if self._cancelled:
                        return
                    with connection.begin():
                        connection.exec_driver_sql("SET LOCAL statement_timeout = 0")
                        connection.execute(text("SELECT shop_count_anew(:name)"), {"name": name})
        except SQLAlchemyError as error:
            raise DatabaseAway(why(error)) from error
        finally:
            self._connection = None

    def cancel(self) -> None:
        """End it soon, from any thread."""
        self._cancelled = True
        if (connection := self._connection) is not None:
            connection.cancel()


def pause_s(took_s: float) -> float:
    """Return how long to wait before counting again."""
    return max(_LEAST_PAUSE_S, _TIMES_AS_LONG * took_s)
