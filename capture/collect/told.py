"""What was collected of benches, as the messages it came in: what `record verify --against` holds a record against."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from capture.collect.database import DatabaseAway, engine_of, why
from capture.collect.schema import by_id
from capture.collect.settings import DatabaseSettings
from capture.mqtt.messages import GaugeMessage, StrokeMessage, UnitMessage, VerdictMessage

_KINDS: Final[dict[str, type[StrokeMessage | VerdictMessage | UnitMessage | GaugeMessage]]] = {
    "stroke": StrokeMessage,
    "verdict": VerdictMessage,
    "unit": UnitMessage,
    "gauge": GaugeMessage,
}
_AT_ONCE: Final = 1000


def collected_messages(
    settings: DatabaseSettings, benches: Sequence[str]
) -> Iterator[StrokeMessage | VerdictMessage | UnitMessage | GaugeMessage]:
    """Yield every stroke, verdict, unit and check of a gauge that was collected of these benches, in any shop, those of
    a job one after another. Raises CollectError and DatabaseAway, and ValueError for a row that is no message."""
    engine = engine_of(settings)
    try:
        with engine.connect() as connection:
            for name, kind in _KINDS.items():
                table = by_id[name]
                query = select(table).where(table.c.bench.in_(benches))
                query = query.order_by(*([table.c.job] if "job" in table.c else []), table.c.at)
                for row in connection.execution_options(yield_per=_AT_ONCE).execute(query).mappings():
                    yield kind.from_columns(dict(row))
    except SQLAlchemyError as error:
        raise DatabaseAway(why(error)) from error
    finally:
        engine.dispose()
