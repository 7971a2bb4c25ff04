"""Recordings are compressed without losing a byte, and removed only when nothing needs them, the ledger told first."""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import json
import os
import shutil
import subprocess
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.config import ConfigError, load_config
from capture.custody.retention import Action, Policy, keep_by_policy
from capture.custody.verify import verify
from capture.plumbing.durable import holding
from capture.record import RecordError, Store, audit
from capture.recordings.file import RecordingError, kept_at, open_recording, read_recording
from capture.recordings.playback import Playback
from capture.recordings.replay import Replay
from capture.unit.facts import Correction, SignedOff
from drivers.port_events import Chunk
from tests.support.killed import in_a_child, killed_before_each_step, step, with_room_for
from tests.support.proven_record import AT, RECORDINGS, check_from, copy_all, open_job, tamper

OFF = Policy(None, None, None, 0)
COMPRESS = Policy(10, None, None, 0)
PRUNE = Policy(None, 100, None, 0)
ALL = Policy(10, 100, 400, 0)


def days(count: float) -> datetime:
    return AT + timedelta(days=count)


def make(home: Path, end: str = "signed") -> Path:
    """A record of one job with a check that has a verdict, one given up and one cut off by a crash."""
    path = home / "record.sqlite"
    with Store.open(path) as store:
        job = open_job(store, 0, AT)
        check_from(store, home, job, "low", "line-10hz-mm-clean", AT + timedelta(minutes=1))
        check_from(store, home, job, "high", "line-10hz-mm-glitch", AT + timedelta(minutes=2), "abandoned")
        check_from(store, home, job, "high", "line-10hz-mm-short-hold", AT + timedelta(minutes=3), "crash")
        if end == "measuring":
            check_from(store, home, job, "reverse", "line-10hz-mm-gap", AT + timedelta(minutes=4), "measuring")
        if end not in ("open", "measuring"):
            store.close_job(job, at=AT + timedelta(minutes=5))
        if end == "signed":
            store.add_fact(job, SignedOff("foreman"), at=AT + timedelta(minutes=6))
    return path


@pytest.fixture(scope="module")
def signed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("signed"))


@pytest.fixture
def record(signed: Path, tmp_path: Path) -> Path:
    return copy_all(signed, tmp_path / "data")


def keep(record: Path, policy: Policy, at: datetime, **options: Any) -> list[Action]:
    return list(keep_by_policy(record, policy, at=at, **options))


def kinds(actions: list[Action]) -> list[str]:
    return [one.kind for one in actions]


def names(record: Path) -> list[str]:
    return sorted(one.name for one in (record.parent / "recordings").rglob("*") if not one.is_dir())


# -- what the policy says --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("end", "policy", "age", "done"),
    [
        ("signed", OFF, 10_000, 0),
        ("signed", PRUNE, 99, 0),
        ("signed", PRUNE, 101, 3),
        ("closed", PRUNE, 10_000, 0),  # nobody signed it off: its verdicts may still be needed
        ("closed", ALL, 399, 0),
        ("closed", ALL, 401, 3),
        ("open", ALL, 10_000, 0),
        ("measuring", ALL, 10_000, 0),
        ("signed", Policy(None, 100, None, 1), 10_000, 0),  # it is the newest job
    ],
)
def test_only_what_nothing_needs_is_removed(tmp_path: Path, end: str, policy: Policy, age: float, done: int) -> None:
    record = make(tmp_path, end)
    before = len(names(record))
    actions = keep(record, policy, days(age))
    assert kinds(actions).count("pruned") == done
    assert len(names(record)) == before - done
    proof = verify(record)
    assert proof.mismatch is None and proof.pruned == (2 if done else 0)  # the third was never sealed


def test_a_corrected_sign_off_is_none_and_a_correction_starts_the_time_anew(tmp_path: Path) -> None:
    record = make(tmp_path)
    with Store.open(record) as store:
        facts = store.job(1).facts
        store.add_fact(1, Correction(4, "foreman", "wrong unit", "it was FW3-002"), at=days(90))
    assert kinds(keep(record, PRUNE, days(150))) == []
    assert kinds(keep(record, PRUNE, days(191), dry_run=True)) == ["pruned"] * 3
    with Store.open(record) as store:
        store.add_fact(1, Correction(facts[-1].number, "foreman", "signed by mistake", "not released"), at=days(91))
    assert kinds(keep(record, PRUNE, days(399))) == []


def test_the_record_says_what_was_removed_and_why(record: Path) -> None:
    keep(record, PRUNE, days(101))
    walked = audit(record)
    assert walked.pruned.keys() == {1, 2, 3}
    with Store.open(record) as store:
        assert [check.pruned_at for check in store.job(1).checks] == [days(101)] * 3
    assert keep(record, PRUNE, days(102)) == []


def test_a_dry_run_says_the_same_and_does_nothing(record: Path) -> None:
    before, head = names(record), audit(record).head
    told = keep(record, ALL, days(50), dry_run=True) + keep(record, ALL, days(101), dry_run=True)
    assert kinds(told) == ["compressed"] * 3 + ["pruned"] * 3
    assert (names(record), audit(record).head) == (before, head)
    done = keep(record, ALL, days(50)) + keep(record, ALL, days(101))
    assert [(one.kind, one.recording, one.why) for one in done] == [(one.kind, one.recording, one.why) for one in told]


# -- compressed ------------------------------------------------------------------------------------------


def test_compressed_recordings_hold_the_same_bytes_and_prove(record: Path) -> None:
    plain = {one.name: one.read_bytes() for one in (record.parent / "recordings").rglob("*.jsonl")}
    proof = verify(record)
    actions = keep(record, COMPRESS, days(11))
    assert kinds(actions) == ["compressed"] * 3
    assert names(record) == sorted(f"{name}.gz" for name in plain)
    assert sum(one.saved for one in actions) > sum(len(data) for data in plain.values()) / 2
    assert verify(record) == proof
    for one in (record.parent / "recordings").rglob("*.gz"):
        unzipped = subprocess.run(["zcat", one], capture_output=True, check=True).stdout  # GNU gzip agrees
        assert unzipped == plain[one.name.removesuffix(".gz")]
    assert keep(record, COMPRESS, days(12)) == []


def test_a_compressed_recording_is_read_wherever_a_plain_one_is(tmp_path: Path) -> None:
    name = tmp_path / "one.jsonl"
    shutil.copy(RECORDINGS / "line-10hz-mm-clean.jsonl", name)
    strokes = [kept.stroke for kept in Replay(name).strokes()]
    entries = list(read_recording(name)[1])
    packed = tmp_path / "one.jsonl.gz"
    packed.write_bytes(gzip.compress(name.read_bytes()))
    name.unlink()
    for path in (packed, name):  # its own name, and the one the record holds
        assert [kept.stroke for kept in Replay(path).strokes()] == strokes and strokes
        assert list(read_recording(path)[1]) == entries
        with open_recording(path) as file:
            assert file.read() == gzip.decompress(packed.read_bytes())
        assert kept_at(name) == packed
        result = CliRunner().invoke(app, ["replay", str(path), "--json"])
        assert result.exit_code == 0 and result.stdout.count('"stroke"') == len(strokes)

    async def played() -> bytes:
        async with Playback(name, 1e6) as port:
            port.begin()
            async for event in port:
                assert isinstance(event, Chunk) or event != port
                if isinstance(event, Chunk):
                    data.append(event.data)
                if len(data) == len(entries):
                    break
        return b"".join(data)

    data: list[bytes] = []
    entries = [one for one in entries if one.source == "indicator"]
    assert asyncio.run(played()) == b"".join(one.data for one in entries)


@pytest.mark.parametrize("harm", ["cut", "flip", "tail"])
def test_a_damaged_compressed_recording_is_named(record: Path, harm: str) -> None:
    keep(record, COMPRESS, days(11))
    packed = next((record.parent / "recordings").rglob("*clean*"))
    data = bytearray(packed.read_bytes())
    data[len(data) // 2] ^= 0xFF if harm == "flip" else 0
    packed.write_bytes(data[:-5] if harm == "cut" else bytes(data) + (b"more" if harm == "tail" else b""))
    mismatch = verify(record).mismatch
    assert mismatch is not None and "its recording" in mismatch.what and (mismatch.pack, mismatch.check) == ("low", 1)
    with pytest.raises(RecordingError, match="clean"):
        list(read_recording(packed)[1])
    assert [one.recording for one in keep(record, PRUNE, days(101)) if one.kind == "left"] == [
        f"job-00001/{packed.name.removesuffix('.gz')}"
    ]
    assert packed.exists()


# -- what is left record ----------------------------------------------------------------------------------


@pytest.mark.parametrize("policy", [PRUNE, COMPRESS])
def test_a_recording_that_is_not_what_the_record_holds_is_evidence(record: Path, policy: Policy) -> None:
    altered = next((record.parent / "recordings").rglob("*clean*"))
    altered.write_bytes(altered.read_bytes().replace(b"first", b"First"))
    data = altered.read_bytes()
    actions = keep(record, policy, days(101))
    assert kinds(actions)[0] == "left" and "not what the record holds" in actions[0].why
    assert altered.read_bytes() == data
    assert audit(record).pruned.keys() <= {2, 3}


def test_links_are_not_followed_and_strays_are_only_named(record: Path, tmp_path: Path) -> None:
    folder = record.parent / "recordings"
    job = folder / "job-00001"
    outside = tmp_path / "outside"
    outside.mkdir()
    linked = next(job.glob("*clean*"))
    shutil.move(linked, outside / linked.name)
    linked.symlink_to(outside / linked.name)
    old = AT.timestamp()
    for stray in (folder / "note.txt", job / "copy.jsonl", folder / "job-00099" / "other.jsonl"):
        stray.parent.mkdir(exist_ok=True)
        stray.write_text("not ours")
        os.utime(stray, (old, old))
    (folder / "job-00003").symlink_to(outside)
    os.utime(folder / "job-00003", (old, old), follow_symlinks=False)
    (job / "begun-just-now.jsonl").write_text("{}")
    os.utime(job / "begun-just-now.jsonl", (days(101).timestamp() - 5,) * 2)
    actions = keep(record, ALL, days(101))
    assert kinds(actions) == ["left", "pruned", "pruned", "stray", "stray", "stray", "stray"]
    assert "link" in actions[0].why
    assert [one.recording for one in actions[3:]] == [
        "job-00001/copy.jsonl", "job-00003", "job-00099/other.jsonl", "note.txt",
    ]  # fmt: skip
    assert (outside / linked.name).read_bytes() and linked.is_symlink()
    assert len(names(record)) == 5  # the link, three strays, and the one that began just now


def test_a_job_s_folder_that_is_a_link_is_not_entered(record: Path, tmp_path: Path) -> None:
    job = record.parent / "recordings" / "job-00001"
    shutil.move(job, tmp_path / "outside")
    job.symlink_to(tmp_path / "outside")
    actions = keep(record, ALL, days(101))
    assert [one.kind for one in actions if one.kind != "stray"] == ["left"] * 3
    assert len(list((tmp_path / "outside").iterdir())) == 3


@pytest.mark.parametrize("path", ["../../outside/x.jsonl", "/etc/hostname", "recordings/../x.jsonl", "x"])
def test_a_path_in_the_record_leads_nowhere_else(tmp_path: Path, path: str) -> None:
    """Rows a program with another idea of paths could have written; the chain holds them all the same."""
    record = tmp_path / "data" / "record.sqlite"
    (tmp_path / "data" / "recordings").mkdir(parents=True)
    (tmp_path / "data" / "x.jsonl").write_text("not a recording")
    with Store.open(record) as store:
        job = open_job(store, 0, AT)
        common = {"low_nm": 1, "high_nm": 2, "strokes_wanted": 5, "seat_wanted": 1, "measure": "peak", "at": AT}
        check = store.start_check(job, pack="low", indicator={}, recording_path=path, **common)  # type: ignore[arg-type]
        store.abandon_check(check, at=AT)
        store.close_job(job, at=AT)
        store.add_fact(job, SignedOff("foreman"), at=AT)
    assert {one.kind for one in keep(record, ALL, days(1000))} <= {"missing"}
    assert (tmp_path / "data" / "x.jsonl").exists()


def test_nothing_is_touched_where_the_chain_is_broken(record: Path) -> None:
    tamper(record, ("UPDATE jobs SET closed_at = opened_at WHERE id = 1", ()))
    before = names(record)
    with pytest.raises(RecordError, match="nothing was compressed or removed"):
        keep(record, ALL, days(1000))
    assert names(record) == before


def test_it_waits_for_a_backup(record: Path) -> None:
    waiting, actions = threading.Event(), []
    with holding(record.parent / "recordings", alone=False):
        working = threading.Thread(
            target=lambda: actions.extend(keep(record, PRUNE, days(101), waiting=waiting.set)), daemon=True
        )
        working.start()
        assert waiting.wait(10)
        assert actions == [] and len(names(record)) == 3
    working.join(10)
    assert kinds(actions) == ["pruned"] * 3


def counted(record: Path, policy: Policy, at: datetime) -> None:
    """Keep by policy, with the ledger's part counted as steps; in a process of its own, which ends after it."""
    add_pruned = Store.add_pruned

    def add(store: Store, *args: Any, **words: Any) -> int:
        step()
        number = add_pruned(store, *args, **words)
        step()
        return number

    Store.add_pruned = add  # type: ignore[method-assign]
    keep(record, policy, at)


# -- killed, and no room ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("policy", "age"), [(COMPRESS, 11), (PRUNE, 101)])
def test_killed_at_any_step_every_recording_proves_or_is_told_of(
    signed: Path, tmp_path: Path, policy: Policy, age: float
) -> None:
    away = signed.parent.rename(signed.parent.with_name("away"))
    try:
        home, derived, steps = tmp_path / "data", tmp_path / "derived", 0

        def begin(number: int) -> Callable[[], object]:
            shutil.rmtree(home, ignore_errors=True)
            copy_all(away / "record.sqlite", home)
            return lambda: counted(home / "record.sqlite", policy, days(age))

        for steps in killed_before_each_step(begin):  # noqa: B007
            record = home / "record.sqlite"
            proof = verify(record, derived=derived)  # the bytes of every recording are proven anew all the same
            assert proof.mismatch is None  # what is gone without the ledger knowing would be one
            assert proof.verdicts + proof.abandoned + proof.pruned == 2
            again = keep(record, policy, days(age + 1))
            assert set(kinds(again)) <= {"compressed", "pruned"}
            assert verify(record, derived=derived).mismatch is None
            expected = [] if policy is PRUNE else ["gz"] * 3
            assert [name.rpartition(".")[2] for name in names(record)] == expected
        assert steps > 10
    finally:
        away.rename(signed.parent)


def test_a_full_disk_is_said_and_loses_nothing(record: Path, capfd: pytest.CaptureFixture[str]) -> None:
    unsealed = next(record.parent.rglob("*short-hold*"))
    unsealed.write_bytes(os.urandom(100_000))  # it gets no smaller, and no hash in the ledger holds it
    hashes = {one: hashlib.sha256(one.read_bytes()).hexdigest() for one in record.parent.rglob("*.jsonl")}
    ended = in_a_child(with_room_for(60_000, lambda: keep(record, COMPRESS, days(11))))
    said = capfd.readouterr().err
    assert ended == 1 and "no recording was lost" in said, said
    for one, sha256 in hashes.items():
        with open_recording(one) as file:
            assert hashlib.sha256(file.read()).hexdigest() == sha256
    assert unsealed.exists()
    assert sorted(name.removesuffix(".gz") for name in names(record)) == sorted(one.name for one in hashes)


# -- the command and the settings ------------------------------------------------------------------------


def command(record: Path, settings: str, *words: str) -> Result:
    config = record.parent / "config.toml"
    config.write_text(settings)
    return CliRunner().invoke(
        app, ["record", "prune", "--config", str(config), "--data-dir", str(record.parent), *words]
    )


def test_the_command_says_what_it_does(record: Path) -> None:
    record = record
    settings = "[retention]\ncompress_after_days = 1\nprune_after_days = 1\n"
    done = command(record, settings)  # the newest 20 jobs keep theirs
    assert done.exit_code == 0 and "Removed 0 recordings" in done.stdout and "compressed 3" in done.stdout
    settings += "keep_newest_jobs = 0\n"
    done = command(record, settings, "--dry-run")
    assert done.stdout.count("would remove job-00001/") == 3 and "prune_after_days = 1" in done.stdout
    told = [json.loads(line) for line in command(record, settings, "--json").stdout.splitlines()]
    assert [one["type"] for one in told] == ["pruned"] * 3 + ["summary"]
    assert told[-1]["pruned"] == 3 and told[-1]["bytes_freed"] == sum(one["bytes"] for one in told[:3])
    proof = CliRunner().invoke(app, ["record", "verify", "--data-dir", str(record.parent)])
    assert proof.exit_code == 0 and "2 recordings removed by policy" in proof.stdout
    shown = CliRunner().invoke(app, ["show", "1", "--data-dir", str(record.parent)], env={"COLUMNS": "300"})
    assert shown.stdout.replace("\n", "").count("(removed by policy on 20") == 3


def test_without_a_policy_nothing_is_done(record: Path) -> None:
    done = command(record, 'bench = "bay-1"\n')
    assert done.exit_code == 1 and "no [retention]" in done.stderr
    assert len(names(record)) == 3


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ("prune_after_days = 0", "expected at least 1"),
        ("prune_after_days = -3", "expected at least 1"),
        ("prune_after_days = 300\nprune_unsigned_after_days = 200", "shorter than prune_after_days (300)"),
        ("prune_unsigned_after_days = 200", "shorter than prune_after_days (never)"),
        ("prune_after = 3", "retention.prune_after: is no setting; did you mean 'prune_after_days'?"),
        ("compress_after_days = 'soon'", "expected a whole number"),
    ],
)
def test_a_policy_that_cannot_be_meant_is_refused(tmp_path: Path, settings: str, said: str) -> None:
    config = tmp_path / "config.toml"
    config.write_text(f"[retention]\n{settings}\n")
    with pytest.raises(ConfigError) as caught:
        load_config(config)
    assert said in str(caught.value)
