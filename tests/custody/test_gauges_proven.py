"""A gauge's check is proven from its recording, and so is every verdict that rests on it."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.clearance.gauge.facts import GaugeChecked, InstrumentChecked
from capture.clearance.gauge.masters import Room
from capture.cli.main import app
from capture.custody.backup import back_up_to_folder, restore
from capture.custody.backup.sources import Source
from capture.custody.retention import Policy, keep_by_policy
from capture.custody.verify import verify
from capture.job.gauge_now import kept_with
from capture.job.unit_on_record import judged_in
from capture.record import Store, audit
from capture.recordings.replay import Replay
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import SignedOff
from capture.unit.gauge_identity import Gauge
from tests.support.attacked_record import entries, found, number_of, take_out
from tests.support.gauge_mornings import GAUGE, keep_morning, list_masters
from tests.support.proven_record import AT, SHEET, check_from, forge, open_job

MORNING = AT - timedelta(minutes=20)


def make(home: Path, error_nm: float = 3_000.0, max_error: str = "0.010 mm") -> Path:
    """A record with masters, a morning's check and a pack that was checked after it."""
    home.mkdir(exist_ok=True)
    path = home / "record.sqlite"
    with Store.open(path) as store:
        list_masters(store, home, MORNING - timedelta(days=1))
        keep_morning(store, home, MORNING, error=lambda nm: error_nm, max_error=max_error)
        job = open_job(store, 0, AT)
        kept = kept_with(Gauge(GAUGE), store.gauge_facts(), "bay-1", AT + timedelta(minutes=1))
        check_from(store, home, job, "low", "line-10hz-mm-clean", AT + timedelta(minutes=1), gauge=kept)
    return path


def test_a_verdict_names_the_check_that_it_rests_on_and_proves(tmp_path: Path) -> None:
    path = make(tmp_path)
    with Store.open(path) as store:
        entry = store.gauge_facts()[-1]
        (check,) = store.job(1).checks
    assert check.verdict is not None
    lines = {line.source: line for line in check.verdict.verdict.budget}
    assert "maximum error" not in lines and {"master", "local error", "drift"} <= set(lines)
    assert f"check of entry {entry.number} ({entry.sha256[:12]})" in lines["check's repeats"].basis
    proof = verify(path)
    assert proof.mismatch is None and (proof.verdicts, proof.gauge_checks) == (1, 1)
    said = CliRunner().invoke(app, ["record", "verify", "--data-dir", str(tmp_path)]).output
    assert "And 1 check of gauges against masters, from their recordings." in said


def test_the_error_found_is_taken_off_the_clearance(tmp_path: Path) -> None:
    means = []
    for error_nm in (0.0, 6_000.0):
        home = tmp_path / str(error_nm)
        with Store.open(make(home, error_nm)) as store:
            (check,) = store.job(1).checks
        assert check.verdict is not None
        means.append(check.verdict.verdict.mean_nm)
    assert means[0] - means[1] == pytest.approx(6_000, abs=600)


def test_a_replay_gives_the_verdict_with_the_check_it_rested_on(tmp_path: Path) -> None:
    with Store.open(make(tmp_path)) as store:
        (check,) = store.job(1).checks
    replay = Replay(tmp_path / check.recording_path, parse_sheet(SHEET, "sheet").pack("low"), stop_when_settled=True)
    list(replay.strokes())
    assert check.verdict is not None and replay.verdict == check.verdict.verdict


@pytest.mark.attack("a check of another gauge taken")
@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"result": "out"}, "derived again from"),
        ({"recording_sha256": "00" * 32}, "the SHA-256 of the recording"),
        ({"gauge": "DI-0999"}, "bench, gauge and port in the recording"),
        ({"bench": "bay-2"}, "bench, gauge and port in the recording"),
        ({"max_error_nm": 20_000}, "the maker's limit"),
        ({"started_at": "2026-03-02T06:00:00+00:00"}, "when the check of gauge DI-0413 began"),
    ],
)
def test_a_check_that_was_forged_does_not_prove(tmp_path: Path, changed: dict[str, object], said: str) -> None:
    path = make(tmp_path)
    with Store.open(path) as store:
        entry = store.gauge_facts()[-1].number
        body = json.loads(store._engine.connect().exec_driver_sql(
            "SELECT body FROM ledger WHERE number = ?", (entry,)).scalar_one())  # fmt: skip
    if "result" in changed:
        changed = {"check": {**body["check"], **changed}}
    forge(path, entry, **changed)
    proof = verify(path)
    assert proof.mismatch is not None and said in str(proof.mismatch) and proof.mismatch.entry == entry


@pytest.mark.attack("a master's value made another")
def test_a_master_that_is_said_to_be_another_afterwards_is_told_by_the_recordings_of_packs(tmp_path: Path) -> None:
    path = make(tmp_path)
    number = number_of(path, "gauge_masters")
    listed = next(json.loads(one["body"])["masters"] for one in entries(path) if one["number"] == number)
    forge(path, number, masters=[{**one, "value_nm": one["value_nm"] + 3_000} for one in listed])
    assert "what it says of its gauge" in found(path)


@pytest.mark.attack("a gauge's check that found it out")
def test_a_gauge_found_out_of_order_is_named_by_the_recordings_of_the_packs_after_it(tmp_path: Path) -> None:
    path = make(tmp_path, error_nm=30_000.0)
    number = number_of(path, "gauge_check")
    with Store.open_to_read(path) as store:
        (check,) = store.job(1).checks
    assert check.gauge is not None and check.gauge["standing"] == "out"
    take_out(path, number)
    assert "gauge" in found(path)
    # No pack was checked after this one: then only who wrote down the head knows of it.
    with Store.open(path) as store:
        keep_morning(store, tmp_path, AT + timedelta(days=1), error=lambda nm: 30_000.0)
    head = audit(path).head
    take_out(path, head[0])
    assert "the end of the ledger is missing" in found(path, heads=[head])


def test_a_verdict_that_claims_another_error_does_not_prove(tmp_path: Path) -> None:
    path = make(tmp_path)
    with Store.open(path) as store:
        (check,) = store.job(1).checks
    assert check.gauge is not None
    better = {**check.gauge, "error": {**check.gauge["error"], "master_nm": 1}}
    recording = tmp_path / check.recording_path
    with Store.open(path) as store:
        number = check.started_number
    forge(path, number, gauge=better)
    proof = verify(path)
    assert proof.mismatch is not None and "gauge" in str(proof.mismatch)
    assert recording.is_file()


def test_what_stood_against_the_pressure_gauge_is_kept_with_a_check_and_proven(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    gauge = Gauge(GAUGE, check_holds=timedelta(minutes=10), pressure_gauge="PG-3")
    with Store.open(path) as store:
        list_masters(store, tmp_path, MORNING - timedelta(days=1))
        keep_morning(store, tmp_path, MORNING, room=Room(24.0, 1.0))
        store.add_gauge_fact(
            InstrumentChecked("PG-3", "pressure gauge", "PM-1", "kPa", ((140.0, 141.0),), 2.0, "foreman", "2026-01-31"),
            at=MORNING,
        )
        kept = kept_with(gauge, store.gauge_facts(), "bay-1", AT + timedelta(minutes=1))
        assert (kept["standing"], kept["check_holds_s"]) == ("not checked", 600)  # 20 minutes before: too old here
        check_from(
            store, tmp_path, open_job(store, 0, AT), "low", "line-10hz-mm-clean", AT + timedelta(minutes=1), gauge=kept
        )
        (judged,) = judged_in(store.job(1))
    assert judged.pressure == "Pressure gauge PG-3, check overdue since 2026-01-31"
    assert verify(path).mismatch is None


def test_a_check_from_before_is_proven_without_one(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    with Store.open(path) as store:
        check_from(store, tmp_path, open_job(store, 0, AT), "low", "line-10hz-mm-clean", AT + timedelta(minutes=1))
    assert verify(path).mismatch is None


def test_the_recordings_of_gauges_are_backed_up_and_come_back(tmp_path: Path) -> None:
    path = make(tmp_path / "data")
    at = datetime.now(AT.tzinfo)
    back_up_to_folder(Source(path, None), tmp_path / "backup", at=at)
    restore(tmp_path / "backup", tmp_path / "again")
    proof = verify(tmp_path / "again" / "record.sqlite")
    assert proof.mismatch is None and proof.gauge_checks == 1


def test_the_recordings_of_gauges_stay_whatever_becomes_of_those_of_packs(tmp_path: Path) -> None:
    """A verdict whose recording went by policy still says which check it rested on, and that check proves."""
    path = make(tmp_path)
    with Store.open(path) as store:
        store.close_job(1, at=AT + timedelta(minutes=5))
        store.add_fact(1, SignedOff("foreman", "ready"), at=AT + timedelta(minutes=6))
        made = store.gauge_facts()[-1].fact
    policy = Policy(1, 2, None, 0)
    done = list(keep_by_policy(path, policy, at=datetime.now(AT.tzinfo) + timedelta(days=400)))
    assert [one.kind for one in done] == ["pruned"]  # and nothing is called a stray
    assert isinstance(made, GaugeChecked) and (tmp_path / made.recording_path).is_file()
    proof = verify(path)
    assert proof.mismatch is None and (proof.gauge_checks, proof.pruned) == (1, 1)
