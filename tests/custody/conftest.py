"""A copy of a module's `record` to do something to, and the head that left the house before that."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.record import audit
from tests.support.proven_record import copy_all


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    return copy_all(record, tmp_path / "copy")


@pytest.fixture
def heads(record: Path) -> list[tuple[int, str]]:
    return [audit(record).head]
