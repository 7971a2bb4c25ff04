"""The record's head written down elsewhere and stamped, and a record proven against it. The stamps are those of
`openssl ts`, which checks them as well (RFC 3161; outside this project)."""

from __future__ import annotations

import base64
import json
import stat
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.custody.anchors import Anchor, append_anchor
from capture.record import Store, audit
from tests.support.broker import Mosquitto
from tests.support.proven_record import copy_record, forge, make_record, tamper
from tests.support.time_authority import make_authority, openssl, time_authority


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_record(tmp_path_factory.mktemp("anchored"))


@pytest.fixture
def copy(record: Path, tmp_path: Path) -> Path:
    return copy_record(record, tmp_path / "copy")


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def service(authority: Path) -> Iterator[str]:
    with time_authority(authority.parent) as url:
        yield url


def strokelog(*words: object, code: int = 0) -> Result:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == code, (done.exit_code, done.stdout, done.stderr)
    return done


def test_a_chain_worked_out_again_does_not_hold_the_head_that_was_written_down(copy: Path, tmp_path: Path) -> None:
    file, home = tmp_path / "heads.jsonl", copy.parent
    strokelog("record", "anchor", "--file", file, "--data-dir", home)
    strokelog("record", "anchor", "--file", file, "--data-dir", home)  # the next night: a line more
    assert len(file.read_text().splitlines()) == 2
    assert "Proven against 2 anchors" in strokelog("record", "verify", "--anchors", file, "--data-dir", home).stdout
    forge(copy, 1, unit_serial="FW3-9999")
    tamper(copy, ("UPDATE jobs SET unit_serial = 'FW3-9999' WHERE id = 1", ()))
    strokelog("record", "verify", "--data-dir", home)  # nothing in the record itself tells
    bad = strokelog("record", "verify", "--anchors", file, "--data-dir", home, code=1).stdout
    assert "the hash of this entry as it was written down" in bad


def test_openssl_finds_the_stamp_sound(copy: Path, tmp_path: Path, service: str, authority: Path) -> None:
    file = tmp_path / "heads.jsonl"
    out = strokelog("record", "anchor", "--file", file, "--stamp", service, "--data-dir", copy.parent).stdout
    assert ", stamped." in out
    one = Anchor.model_validate_json(file.read_text())
    (tmp_path / "data").write_bytes(f"bay-1 {one.number}:{one.sha256}\n".encode())
    (tmp_path / "answer.tsr").write_bytes(base64.b64decode(one.stamp))
    openssl(tmp_path, "ts", "-verify", "-data", "data", "-in", "answer.tsr", "-CAfile", str(authority))
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent)
    assert "1 stamp not checked" in strokelog(*words).stdout
    assert "1 stamp checked; the newest is of" in strokelog(*words, "--authority", authority).stdout


@pytest.mark.attack("an anchor rewritten with the record")
def test_a_stamp_of_another_head_or_of_another_authority_does_not_hold(
    copy: Path, tmp_path: Path, service: str, authority: Path
) -> None:
    file = tmp_path / "heads.jsonl"
    strokelog("record", "anchor", "--file", file, "--stamp", service, "--data-dir", copy.parent)
    (tmp_path / "other").mkdir()
    stranger = make_authority(tmp_path / "other")
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent, "--authority")
    assert "does not hold" in strokelog(*words, stranger, code=1).stderr
    moved = {**json.loads(file.read_text()), "number": 1}
    with Store.open_to_read(copy) as store:
        assert store.head()[0] != 1
    moved["sha256"] = "0" * 64
    file.write_text(json.dumps(moved) + "\n")
    assert "the stamp of entry 1 of bench bay-1 does not hold" in strokelog(*words, authority, code=1).stderr


@pytest.mark.attack("measured under a wrong clock")
def test_an_entry_dated_before_a_stamp_that_it_came_after_is_told(
    copy: Path, tmp_path: Path, service: str, authority: Path
) -> None:
    """A unit measured under a clock that was set back: the chain holds it, and the stamp says it was not there yet."""
    file = tmp_path / "heads.jsonl"
    strokelog("record", "anchor", "--file", file, "--stamp", service, "--data-dir", copy.parent)
    number = audit(copy).head[0]
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent, "--authority", authority)
    assert "TIMES IN DOUBT" not in strokelog(*words).stdout
    with Store.open(copy) as store:
        store.add_clock_jump("bay-1", {}, at=datetime.now(UTC) - timedelta(days=200))
    out = strokelog(*words).stdout
    assert f"TIMES IN DOUBT: Entry {number + 1} says" in out and f"when entry {number} was stamped" in out
    assert json.loads(strokelog(*words, "--json").stdout.splitlines()[-1])["misdated"] == [number + 1]


def test_the_head_is_printed_and_a_place_that_fails_does_not_keep_it_from_the_others(
    copy: Path, tmp_path: Path
) -> None:
    printer = tmp_path / "printer"
    printer.write_text(f"#!/bin/sh\ncat > {tmp_path}/paper\n")
    printer.chmod(printer.stat().st_mode | stat.S_IXUSR)
    settings = tmp_path / "bay-1.toml"
    settings.write_text(
        f'bench = "bay-1"\n[anchors]\nprinter = ["{printer}"]\nfile = "{tmp_path}/nowhere/heads.jsonl"\n'
    )
    done = strokelog("record", "anchor", "--config", settings, "--data-dir", copy.parent, code=1)
    assert "cannot write the head to" in done.stderr and "No such file or directory" in done.stderr
    number, sha256 = audit(copy).head
    paper = (tmp_path / "paper").read_text()
    assert f"--expect {number}:{sha256}" in paper and sha256[:8] + " " + sha256[8:16] in paper


def test_a_second_broker_keeps_the_head_and_what_it_hands_out_proves_the_record(copy: Path, tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    url = f"mqtt://127.0.0.1:{broker.port}"
    try:
        strokelog("record", "anchor", "--broker", url, "--data-dir", copy.parent)
        asked = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "-C", "1", "-W", "10"]
        kept = subprocess.run(
            [*asked, "-t", "strokelog/v1/+/anchor"], capture_output=True, text=True, check=True
        ).stdout
    finally:
        broker.stop()
    file = tmp_path / "heads.jsonl"
    file.write_text(kept)
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent)
    assert "Proven against 1 anchor" in strokelog(*words).stdout
    gone = strokelog("record", "anchor", "--broker", url, "--file", file, "--data-dir", copy.parent, code=1)
    assert f"not written to broker {url}: no connection with the broker" in gone.stderr
    assert "Proven against 2 anchors" in strokelog(*words).stdout


def test_a_service_that_does_not_answer_leaves_the_head_unstamped_and_says_so(copy: Path, tmp_path: Path) -> None:
    file = tmp_path / "heads.jsonl"
    words = ("record", "anchor", "--file", file, "--data-dir", copy.parent, "--stamp")
    assert "not stamped, but written all the same" in strokelog(*words, "http://127.0.0.1:9/", code=1).stderr
    assert "stamp" not in json.loads(file.read_text())


def test_anchors_of_another_bench_prove_nothing(copy: Path, tmp_path: Path) -> None:
    file = tmp_path / "heads.jsonl"
    append_anchor(file, Anchor(bench="bay-9", at=datetime.now(UTC), number=1, sha256="0" * 64))
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent)
    assert "holds no anchor of bay-1" in strokelog(*words, code=1).stderr
    file.write_text("{}\n")
    assert "line 1: no anchor" in strokelog(*words, code=1).stderr
    assert "no place to write the head to" in strokelog("record", "anchor", "--data-dir", copy.parent, code=2).stderr
    empty = tmp_path / "empty"
    empty.mkdir()
    with Store.open(empty / "record.sqlite"):
        pass
    assert "no head to write down yet" in strokelog("record", "anchor", "--file", file, "--data-dir", empty).stdout


@pytest.mark.attack("an anchor's own time")
def test_an_anchor_that_was_given_another_time_is_told(
    copy: Path, tmp_path: Path, service: str, authority: Path
) -> None:
    file = tmp_path / "heads.jsonl"
    words = ("record", "verify", "--anchors", file, "--data-dir", copy.parent)
    strokelog("record", "anchor", "--file", file, "--stamp", service, "--data-dir", copy.parent)
    assert "TIMES IN DOUBT" not in strokelog(*words, "--authority", authority).stdout
    whole = json.loads(file.read_text())
    moved = {**whole, "at": (datetime.now(UTC) + timedelta(days=40)).isoformat()}
    file.write_text(json.dumps(moved) + "\n")
    out = strokelog(*words, "--authority", authority).stdout
    assert f"TIMES IN DOUBT: The anchor of entry {whole['number']} says" in out and "and was stamped at" in out
    # Dated before what it is of; and, without a stamp, out of the order that anchors are written in.
    early = {**whole, "at": "2026-01-01T00:00:00Z", "stamp": ""}
    file.write_text(json.dumps(whole) + "\n" + json.dumps(early) + "\n")
    out = strokelog(*words).stdout
    assert f"TIMES IN DOUBT: The anchor of entry {whole['number']} says 2026-01-01 00:00 UTC, earlier than" in out
    assert f"was there already when entry {whole['number']} was written down at 2026-01-01" in out
    assert json.loads(strokelog(*words, "--json").stdout.splitlines()[-1])["misdated_anchors"]
