"""The short version: the record that is written is one that proves, and goes on where its proof was broken off."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.custody.verify import verify
from tests.load import year_proven


def test_the_record_proves_and_nothing_is_derived_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(year_proven, "DIFFERENT", 1)
    record, derived = year_proven.write_record(tmp_path, 2), tmp_path / "derived.jsonl"
    first, again = (verify(record, derived=derived) for _ in range(2))
    assert first.mismatch is again.mismatch is None
    assert (first.verdicts, first.derived_before) == (2, 0)
    assert (again.verdicts, again.derived_before) == (2, 2)
