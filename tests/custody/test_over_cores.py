"""A proof over several processes says what one process says, and one that was broken off is gone on with; what an
earlier run kept is believed for the same readings, sheet, record and software only."""

from __future__ import annotations

import dataclasses
import pickle
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody import over_cores as module
from capture.custody.verify import Progress, Proof, verify
from capture.record import Mismatch, RecordError
from capture.recordings.replay import Replay
from tests.support.proven_record import copy_all, copy_record, make_record, tamper


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_record(tmp_path_factory.mktemp("proven"))


def told(proof: Proof) -> dict[str, Any]:
    """A proof in plain words."""
    return {one.name: str(getattr(proof, one.name)) for one in dataclasses.fields(Proof)}


def test_several_processes_say_what_one_says(record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copy = copy_record(record, tmp_path / "copy")
    tamper(copy, ("UPDATE strokes SET rise_ns = rise_ns + 1 WHERE id = 3", ()))
    for one in (record, copy):
        alone = verify(one)
        with monkeypatch.context() as patch:
            patch.setattr(module, "_WORTH_IT_BYTES", 0)
            assert told(verify(one, processes=2)) == told(alone)
    assert alone.mismatch is not None


def test_a_mismatch_comes_whole_from_another_process() -> None:
    one = Mismatch("its size", expected=3, found=[4], entry=7, job=1, pack="C1", check=2)
    assert str(pickle.loads(pickle.dumps(one))) == str(one)


def test_how_far_it_is_is_told_after_every_check(record: Path) -> None:
    seen: list[Progress] = []
    proof = verify(record, progress=seen.append)
    assert [one.checks for one in seen] == list(range(1, len(seen) + 1))
    assert len(seen) == seen[0].of_checks >= proof.verdicts + proof.abandoned
    assert seen[-1].bytes == seen[-1].of_bytes > 0


class StoppedError(Exception):
    """Somebody broke it off."""


def measured_by(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The recordings that are measured from now on."""
    found: list[Path] = []
    strokes = Replay.strokes

    def counted(self: Replay, *how: Any) -> Any:
        found.append(self._path)
        return strokes(self, *how)

    monkeypatch.setattr(Replay, "strokes", counted)
    return found


def test_a_proof_that_was_broken_off_is_gone_on_with(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept, whole = tmp_path / "derived.jsonl", verify(record)
    measured = measured_by(monkeypatch)

    def stop(done: Progress) -> None:
        if done.checks == 2:
            raise StoppedError

    with pytest.raises(StoppedError):
        verify(record, derived=kept, progress=stop)
    assert len(measured) == 2
    with kept.open("ab") as file:
        file.write(b'{"derived": "cut o')  # as it is when the power goes
    again = verify(record, derived=kept)
    assert again.derived_before == 2
    assert len(measured) == whole.verdicts + whole.abandoned
    assert told(again) == told(whole) | {"derived_before": "2"}
    assert verify(record, derived=kept).derived_before == whole.verdicts + whole.abandoned


def test_what_was_kept_is_believed_for_the_same_only(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "derived.jsonl"
    verify(record, derived=kept)
    copy = copy_all(record, tmp_path / "copy")
    for path in (copy.parent / "recordings").rglob("*.jsonl"):
        path.write_bytes(path.read_bytes().replace(b"+", b"-", 1))
    changed = verify(copy, derived=kept)
    assert changed.mismatch is not None and "SHA-256" in changed.mismatch.what
    with monkeypatch.context() as patch:
        patch.setattr(module, "_software", lambda: "another")
        measured = measured_by(patch)
        assert verify(record, derived=kept).derived_before == 0
        assert measured


def test_what_does_not_match_is_not_kept(record: Path, tmp_path: Path) -> None:
    copy, kept = copy_all(record, tmp_path / "copy"), tmp_path / "derived.jsonl"
    for path in (copy.parent / "recordings").rglob("*.jsonl"):
        path.unlink()
    verify(copy, derived=kept)
    assert kept.read_bytes() == b""


@pytest.mark.parametrize(
    "text", ["a diary\n", '{"derived": "x", "said": {"decided": "by me"}}\n', '{"recording": 2}\n', "[1]\n"]
)
def test_a_file_of_something_else_is_left_alone(record: Path, tmp_path: Path, text: str) -> None:
    path = tmp_path / "other"
    path.write_text(text)
    with pytest.raises(RecordError, match="is no file of what was derived"):
        verify(record, derived=path)
    assert path.read_text() == text


def test_the_command_goes_on_and_says_so(record: Path, tmp_path: Path) -> None:
    kept = str(tmp_path / "derived.jsonl")
    words = ("record", "verify", "--data-dir", str(record.parent), "--derived", kept, "--processes", "1")
    first, second = (CliRunner().invoke(app, words).stdout for _ in range(2))
    assert "earlier run" not in first and "PROVEN" in second
    assert "derived again by an earlier run" in second
