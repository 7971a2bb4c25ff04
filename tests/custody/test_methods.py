"""A record proves by the way of measuring of its time, bit for bit, however the present one measures by now; what was
changed is told apart from what is only measured otherwise."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.custody import earlier_methods, measured_otherwise
from capture.custody import verify as verify_module
from capture.custody.derivation import Derivation
from capture.custody.earlier_methods import FrozenMethod, MeasuringWay, MethodError, archive_of
from capture.custody.same_values import alike
from capture.custody.verify import verify
from capture.record import Store
from capture.recordings.stream import IndicatorStream
from capture.strokes import methods
from capture.strokes.methods import FROZEN, METHOD
from tests.support.freeze_method import archive, asked_of, sha256_of
from tests.support.proven_record import copy_record, forge, make_record, tamper

GOLDEN = {number: Path(__file__).parent / f"method-{number}.golden.jsonl" for number in FROZEN}
LATER = METHOD + 1
#: What a later finder reads more, on purpose.
MORE_NM = 3_000


def differences(way: MeasuringWay, golden: Path, every: int = 1) -> list[str]:
    found = []
    for line in golden.read_text(encoding="utf-8").splitlines()[::every]:
        told = json.loads(line)
        name = told["asked"]["recording"]
        assert sha256_of(told["asked"]) == told["sha256"], (
            f"{name} belongs to a frozen method and was changed: restore it"
        )
        if not alike(told["answer"], asked_of(way, told["asked"])):
            found.append(f"{told['asked']['what']} {name}")
    return found


@pytest.mark.parametrize("number", sorted(FROZEN))
def test_a_frozen_method_answers_as_it_did_when_it_was_frozen(number: int) -> None:
    way = FrozenMethod(number)
    # The archive of the present way has the very modules that answer all of it in the test below.
    assert differences(way, GOLDEN[number], every=8 if number == METHOD else 1) == []
    way.close()


def test_the_present_method_never_changes_its_numbers_once_it_is_frozen() -> None:
    """If this fails after a change of the finder or the verdict: give the new way the next METHOD."""
    assert max([*FROZEN, METHOD]) == METHOD
    assert METHOD not in FROZEN or differences(Derivation(), GOLDEN[METHOD]) == []


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record that this version wrote."""
    return make_record(tmp_path_factory.mktemp("today"))


@pytest.fixture(scope="module")
def frozen_now(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The present way of measuring, frozen as at a release."""
    place = tmp_path_factory.mktemp("frozen") / f"method-{METHOD}.zip"
    place.write_bytes(archive())
    return place


@pytest.fixture
def years_later(frozen_now: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A later version: its finder reads more of every stroke, and this version's way is one of its frozen ones."""
    frozen = {**FROZEN, METHOD: hashlib.sha256(frozen_now.read_bytes()).hexdigest()}
    monkeypatch.setattr(methods, "FROZEN", frozen)
    real = archive_of
    monkeypatch.setattr(earlier_methods, "archive_of", lambda number: frozen_now if number == METHOD else real(number))
    for module in (verify_module, earlier_methods, measured_otherwise):
        monkeypatch.setattr(module, "METHOD", LATER)
    read_more(monkeypatch)
    yield


def read_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Change the finder's numbers on purpose."""

    def more(way: Callable[..., Any]) -> Callable[..., Any]:
        def changed(self: IndicatorStream, strokes: list[Any]) -> list[Any]:
            return [
                replace(one, peak_travel_nm=one.peak_travel_nm + MORE_NM, held_travel_nm=one.held_travel_nm + MORE_NM)
                for one in way(self, strokes)
            ]

        return changed

    monkeypatch.setattr(IndicatorStream, "with_air", more(IndicatorStream.with_air))


def test_a_record_of_this_version_proves_after_the_finder_was_changed(record: Path, years_later: None) -> None:
    proof = verify(record)
    assert proof.mismatch is None, proof.mismatch
    assert (proof.verdicts, proof.abandoned) == (2, 1)
    assert len(proof.otherwise) == 2
    for one in proof.otherwise:
        assert one.method == METHOD and one.now is not None
        assert one.now[1] - one.kept[1] == MORE_NM
        assert one.of_uncertainty == MORE_NM / one.kept[2]


def test_without_its_own_method_it_would_have_looked_changed(record: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read_more(monkeypatch)
    mismatch = verify(record).mismatch
    assert mismatch is not None and "travel_nm of stroke 1" in str(mismatch)


def test_the_present_numbers_are_told_beside_the_proof(record: Path, tmp_path: Path, years_later: None) -> None:
    words = ["record", "verify", "--data-dir", str(record.parent), "--derived", str(tmp_path / "derived")]
    told = CliRunner().invoke(app, words, env={"COLUMNS": "300"})
    assert told.exit_code == 0 and told.output.startswith("PROVEN")
    assert "Measured otherwise now: 2 verdicts, each proven by the method of its time" in told.output
    assert f"by method {LATER}: 0.003 mm more" in told.output
    lines = [json.loads(line) for line in CliRunner().invoke(app, [*words, "--json"]).output.splitlines()]
    assert [line["method"] for line in lines if line["type"] == "measured_otherwise"] == [METHOD, METHOD]
    assert lines[-1]["proven"] and lines[-1]["measured_otherwise"] == 2
    assert lines[-1]["derived_before"] == 3  # what the present way makes of them was kept with that


def test_what_was_changed_is_found_under_an_earlier_method_too(record: Path, tmp_path: Path, years_later: None) -> None:
    with Store.open_to_read(record) as store:
        check = store.job(2).checks[0]
    assert check.verdict is not None
    copy = copy_record(record, tmp_path / "copy")
    forge(copy, check.verdict.number, mean_nm=check.verdict.verdict.mean_nm + MORE_NM)
    tamper(copy, ("UPDATE verdicts SET mean_nm = mean_nm + ? WHERE id = 2", (MORE_NM,)))
    mismatch = verify(copy).mismatch
    assert mismatch is not None
    # That it is just what a later method reads makes it no better.
    assert "mean_nm of the verdict, derived again from" in str(mismatch) and f"(method {METHOD})" in str(mismatch)


@pytest.mark.attack("the number of the way of measuring")
def test_a_record_of_a_method_that_is_not_here_is_not_called_proven(record: Path, tmp_path: Path) -> None:
    with Store.open_to_read(record) as store:
        check = store.job(2).checks[0]
    assert check.verdict is not None
    copy = copy_record(record, tmp_path / "copy")
    forge(copy, check.verdict.number, method=LATER + 5)
    tamper(copy, ("UPDATE verdicts SET method = ? WHERE id = 2", (LATER + 5,)))
    mismatch = verify(copy).mismatch
    assert mismatch is not None and f"this strokelog has no method {LATER + 5}" in mismatch.found


def test_a_verdict_says_by_which_method_it_was_found(record: Path) -> None:
    with Store.open_to_read(record) as store:
        kept = [check.verdict.method for job in store.jobs(5) for check in job.checks if check.verdict is not None]
    assert kept == [METHOD, METHOD]


@pytest.mark.attack("an earlier way of measuring edited")
def test_a_changed_archive_is_not_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "method-1.zip"
    place.write_bytes(archive_of(1).read_bytes() + b" ")
    monkeypatch.setattr(earlier_methods, "archive_of", lambda number: place)
    with pytest.raises(MethodError, match="method 1 is not what was frozen"):
        FrozenMethod(1)
    place.unlink()
    with pytest.raises(MethodError, match="method 1 cannot be read: No such file"):
        FrozenMethod(1)


def test_a_frozen_method_runs_from_its_archive_whatever_lies_around(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "capture").mkdir()
    (tmp_path / "capture" / "__init__.py").write_text("raise SystemExit('another capture')")
    monkeypatch.chdir(tmp_path)
    way = FrozenMethod(1)
    assert way.answer({"what": "check", "sheet": "", "pack": "low", "recording": "none", "left_out": []})["refused"]
    way.close()


def test_freezing_twice_gives_the_same_archive(frozen_now: Path) -> None:
    assert archive() == frozen_now.read_bytes()
