"""One thing that a record keeps and a plant is told of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

Group = Literal["stroke", "verdict", "unit"]


@dataclass(frozen=True, slots=True)
class Happened:
    """Its number in the ledger, when it was, and its metrics' values by their name in the group."""

    number: int
    at: datetime
    group: Group
    values: Mapping[str, Any]
