"""Half a minute of a bench with everything beside it: nothing grows (`python -m tests.load.soak`: for hours)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.load.soak import soak


@pytest.mark.timeout(180)
async def test_half_a_minute_of_checks_leaves_memory_and_open_files_as_they_were(tmp_path: Path) -> None:
    found = await soak(tmp_path, minutes=0.5)
    assert found.well, str(found)
    assert found.strokes >= 3, "checks went on while it was looked at"
