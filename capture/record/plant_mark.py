"""What a plant's face asks of the record, and how far the plant was told.

The number up to which it was told all is in a file of its own beside the record: losing it loses nothing of the record.
Told for the first time, or beside another record, a plant hears from then on.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from capture.mqtt.plant.happened import Happened
from capture.plumbing.durable import written
from capture.record.store import Store

_MARK: Final = "plant.json"


class _Mark(BaseModel):
    """How far a plant was told: an entry of the record and its hash, and the number of the last session."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    number: int = Field(ge=0)
    sha256: str
    session: int = Field(ge=-1, le=255)


class RecordForPlant:
    """What a plant's face asks of the record `store`. Every method may raise RecordError or OSError."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._path = store.path.with_name(_MARK)

    def begun(self) -> tuple[int, int]:
        """Return the number of the entry up to which all was told, and of the last session, -1 for none."""
        number, _ = self._store.head()
        mark = self._read()
        if mark is None:
            return number, -1
        known = mark.number == 0 or self._hash(mark.number) == mark.sha256
        return (mark.number if known else number), mark.session

    def _read(self) -> _Mark | None:
        try:
            return _Mark.model_validate_json(self._path.read_bytes())
        except (FileNotFoundError, ValidationError):
            return None

    def mark(self, number: int, session: int) -> None:
        """Keep both."""
        mark = _Mark(number=number, sha256=self._hash(number), session=session)
        with written(self._path) as file:
            file.write(mark.model_dump_json().encode() + b"\n")

    def _hash(self, number: int) -> str:
        sealed = self._store.sealed(number)
        return "" if sealed is None else sealed[0]

    def waiting(self) -> tuple[int, datetime | None]:
        """Return how many things wait to be told, and when the oldest of them was; nothing where none was ever told."""
        return (0, None) if self._read() is None else self._store.happened_count(self.begun()[0])

    def since(self, number: int, limit: int) -> tuple[Sequence[Happened], int]:
        """Return what happened after an entry, oldest first, and up to which entry that is all."""
        return self._store.happened_since(number, limit)

    def newest(self) -> tuple[Sequence[Happened], int]:
        """Return the newest of each group, and the number of the newest entry."""
        return self._store.happened_last()
