"""A backup is whole or not there, made while the bench writes; it comes back as a record that proves, or not at all."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import sqlite3
import subprocess
import tarfile
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from capture.cli.main import app
from capture.custody.backup import BackupError, Made, back_up_to_archive, back_up_to_folder, is_archive, restore
from capture.custody.backup.sources import Source
from capture.custody.verify import verify
from capture.plumbing.durable import written
from capture.record import Store, audit
from capture.recordings.file import filed_as, in_data_folder
from capture.report.paper import PaperError
from capture.stock import StockRoom
from capture.unit.facts import StepDone
from tests.support.killed import in_a_child, killed_before_each_step, with_room_for
from tests.support.proven_record import AT, check_from, copy_all, make_record, open_job, tamper

NOW = datetime(2026, 5, 1, 2, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder: a record that proves, its recordings, a stock."""
    home = tmp_path_factory.mktemp("kept")
    make_record(home)
    StockRoom.open(home / "stock.sqlite").close()
    return home


@pytest.fixture
def home(kept: Path, tmp_path: Path) -> Path:
    """A copy of it that a test may change. Its record names the recordings where they were written first."""
    return copied(kept, tmp_path / "data")


def copied(kept: Path, home: Path) -> Path:
    copy_all(kept / "record.sqlite", home)
    shutil.copy(kept / "stock.sqlite", home)
    return home


def back_up(home: Path, place: Path) -> Made:
    source = Source(home / "record.sqlite", home / "stock.sqlite")
    return (back_up_to_archive if is_archive(place) else back_up_to_folder)(source, place, at=NOW)


def command(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "200"})


def files(folder: Path) -> dict[str, str]:
    return {
        str(one.relative_to(folder)): hashlib.sha256(one.read_bytes()).hexdigest()
        for one in folder.rglob("*")
        if one.is_file()
    }


def recordings(folder: Path) -> dict[str, str]:
    return files(folder / "recordings")


def add_to(home: Path, minutes: int) -> tuple[int, str]:
    """Let the bench go on: another fact, and more bytes in the recording of the check that is being measured."""
    with Store.open(home / "record.sqlite") as store:
        store.add_fact(2, StepDone(0, "first shift"), at=AT + timedelta(hours=1, minutes=minutes))
        growing = next(one for one in store.recordings() if one.state == "measuring")
        with (home / Path(*Path(growing.path).parts[-3:])).open("ab") as file:
            file.write(b'{"ns":99000000000,"indicator":"+3.000\\r\\n"}\n')
        return store.head()


# -- there and back --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["copy", "copy.tar", "copy.tar.gz"])
def test_what_was_backed_up_comes_back_and_proves(kept: Path, tmp_path: Path, name: str) -> None:
    home = copied(kept, tmp_path / "data")
    before = recordings(home)
    proof = verify(home / "record.sqlite")
    made = back_up(home, tmp_path / name)
    assert (made.copied, made.missing, made.altered, made.stock) == (5, (), (), True)
    assert made.head == proof.head
    shutil.rmtree(home)
    restored = restore(tmp_path / name, tmp_path / "back")
    assert (restored.head, restored.recordings, restored.stock) == (made.head, 5, True)
    again = verify(tmp_path / "back" / "record.sqlite")
    assert again == proof and again.mismatch is None and again.verdicts == 2
    assert recordings(tmp_path / "back") == before
    assert {one.name for one in tmp_path.iterdir()} == {name, "back"}  # nothing is left lying about
    with closing(sqlite3.connect(tmp_path / "back" / "stock.sqlite")) as stock:
        assert stock.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_other_programs_read_it(home: Path, tmp_path: Path) -> None:
    """sha256sum and GNU tar agree with the manifest."""
    back_up(home, tmp_path / "copy")
    back_up(home, tmp_path / "copy.tar.gz")
    told = json.loads((tmp_path / "copy" / "manifest.json").read_text())["files"]
    sums = "".join(f"{one['sha256']}  {one['file']}\n" for one in told)
    done = subprocess.run(["sha256sum", "-c", "--strict"], input=sums, cwd=tmp_path / "copy", text=True, check=True)
    assert done.returncode == 0
    listed = subprocess.run(
        ["tar", "-tzf", tmp_path / "copy.tar.gz"], capture_output=True, text=True, check=True
    ).stdout
    assert listed.split() == ["record.sqlite", "stock.sqlite", *sorted(listed.split()[2:-1]), "manifest.json"]
    assert len(listed.split()) == 8


def test_a_bench_goes_on_writing_meanwhile(home: Path, tmp_path: Path) -> None:
    path = home / "record.sqlite"
    stop, written = threading.Event(), 0

    def bench() -> None:
        nonlocal written
        with Store.open(path) as store:
            while not stop.is_set():
                store.add_fact(2, StepDone(0, "first shift"), at=AT + timedelta(hours=2, seconds=written))
                written += 1

    writing = threading.Thread(target=bench)
    writing.start()
    try:
        heads = []
        for _ in range(5):
            before = written
            made = back_up(home, tmp_path / "copy")
            heads.append(made.head)
            copy = next((tmp_path / "copy").glob("record-*.sqlite"))
            assert audit(copy, expect=made.head).head == made.head
            while written <= before + 3:  # it was never shut out: it goes on
                assert writing.is_alive()
    finally:
        stop.set()
        writing.join()
    numbers = [number for number, _ in heads]
    assert numbers == sorted(set(numbers))
    assert audit(path, expect=heads[-1]).head[0] >= numbers[-1]


# -- bringing it up to date ------------------------------------------------------------------------------


def test_only_what_is_new_is_copied(home: Path, tmp_path: Path) -> None:
    place = tmp_path / "copy"
    assert back_up(home, place).copied == 5
    again = back_up(home, place)
    assert (again.copied, again.kept) == (0, 5)
    with Store.open(home / "record.sqlite") as store:
        check_from(store, home, 2, "high", "line-10hz-mm-clean", AT + timedelta(hours=3), "abandoned")
    head = add_to(home, 200)
    made = back_up(home, place)
    assert (made.copied, made.kept, made.head) == (2, 4, head)  # the new one, and the one that grew
    assert sorted(one.name for one in place.iterdir()) == [
        "manifest.json", "record-3.sqlite", "recordings", "stock-3.sqlite",
    ]  # fmt: skip
    restore(place, tmp_path / "back")
    assert recordings(tmp_path / "back") == recordings(home)
    assert verify(tmp_path / "back" / "record.sqlite").mismatch is None


def test_a_recording_the_bench_lost_since_comes_back_from_the_backup(home: Path, tmp_path: Path) -> None:
    back_up(home, tmp_path / "copy")
    lost, altered = sorted((home / "recordings").rglob("*clean*")) + sorted((home / "recordings").rglob("*creep*"))
    good = recordings(home)
    lost.unlink()
    altered.write_bytes(altered.read_bytes()[:-30])
    made = back_up(home, tmp_path / "copy")
    assert (made.missing, made.altered, made.copied) == ((), (), 0)
    restore(tmp_path / "copy", tmp_path / "back")
    assert recordings(tmp_path / "back") == good


def test_lost_and_altered_recordings_are_named(home: Path, tmp_path: Path) -> None:
    gone, altered = sorted((home / "recordings").rglob("*clean*")) + sorted((home / "recordings").rglob("*creep*"))
    gone.unlink()
    altered.write_bytes(altered.read_bytes()[:-30])
    done = command("record", "backup", tmp_path / "copy", "--data-dir", home)
    assert done.exit_code == 1
    assert done.stdout.startswith("NOT WHOLE: 2 files that the record needs")
    assert "Proven" not in done.stdout and "The copy's chain is whole, but not its files." in done.stdout
    assert f"not there: recordings/{gone.parent.name}/{gone.name}" in done.stderr
    assert f"not as the record holds it: recordings/{altered.parent.name}/{altered.name}" in done.stderr
    assert restore(tmp_path / "copy", tmp_path / "back").recordings == 4


def test_another_record_and_a_cut_one_are_not_written_over_a_backup(home: Path, tmp_path: Path) -> None:
    back_up(home, tmp_path / "copy")
    before = files(tmp_path / "copy")
    other = tmp_path / "other"
    other.mkdir()
    with Store.open(other / "record.sqlite") as store:
        open_job(store, 1, AT)
    with pytest.raises(BackupError, match="another record"):
        back_up_to_folder(Source(other / "record.sqlite", None), tmp_path / "copy", at=NOW)
    tamper(home / "record.sqlite", ("DELETE FROM ledger WHERE number = (SELECT max(number) FROM ledger)", ()))
    with pytest.raises(BackupError, match="does not prove"):
        back_up(home, tmp_path / "copy")
    after = files(tmp_path / "copy")
    assert {name: after[name] for name in before} == before  # and that backup is what it was
    restore(tmp_path / "copy", tmp_path / "back")


# -- damage ----------------------------------------------------------------------------------------------


def test_any_damaged_file_of_a_folder_is_named(home: Path, tmp_path: Path) -> None:
    back_up(home, tmp_path / "copy")
    for name in files(tmp_path / "copy"):
        for harm in ("flip", "cut", "gone"):
            bad = tmp_path / "bad"
            shutil.copytree(tmp_path / "copy", bad)
            data = bytearray((bad / name).read_bytes())
            data[len(data) // 3] ^= 1
            if harm == "gone":
                (bad / name).unlink()
            else:
                (bad / name).write_bytes(data if harm == "flip" else data[:-1])
            if name == "manifest.json" and harm == "cut":
                shutil.rmtree(bad)  # only its last line feed: nothing is lost
                continue
            with pytest.raises(BackupError, match=name.rpartition("/")[2]) as caught:
                restore(bad, tmp_path / "back")
            assert "damaged at" in str(caught.value) or "has no manifest" in str(caught.value)
            assert not (tmp_path / "back").exists()
            shutil.rmtree(bad)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy", "data"]


@pytest.mark.parametrize("name", ["copy.tar", "copy.tar.gz"])
def test_an_archive_cut_anywhere_or_flipped_is_refused(home: Path, tmp_path: Path, name: str) -> None:
    back_up(home, tmp_path / name)
    data = (tmp_path / name).read_bytes()
    end = len(data) if name.endswith("gz") else data.rindex(b"}\n") + 1
    bad = tmp_path / f"bad-{name}"
    for cut in {0, 1, 511, 512, 513, *range(1, end, end // 23), end - 1}:
        bad.write_bytes(data[:cut])
        with pytest.raises(BackupError, match=r"damaged|cut off|manifest"):
            restore(bad, tmp_path / "back")
    for place in range(600, end, end // 11):
        flipped = bytearray(data)
        flipped[place] ^= 4
        bad.write_bytes(flipped)
        try:
            restore(bad, tmp_path / "back")
        except BackupError:
            assert not (tmp_path / "back").exists()
        else:  # padding: nothing of the record lies there
            assert verify(tmp_path / "back" / "record.sqlite").mismatch is None
            shutil.rmtree(tmp_path / "back")


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("../outside.jsonl", tarfile.REGTYPE),
        ("/tmp/outside.jsonl", tarfile.REGTYPE),
        ("recordings/../../outside.jsonl", tarfile.REGTYPE),
        ("recordings/job-00001/.hidden", tarfile.REGTYPE),
        ("recordings/job-00001/link.jsonl", tarfile.SYMTYPE),
        ("recordings/job-00001/pipe.jsonl", tarfile.FIFOTYPE),
        ("recordings/job-00001", tarfile.DIRTYPE),
        ("other.sqlite", tarfile.REGTYPE),
    ],
)
def test_an_archive_made_to_harm_is_refused(tmp_path: Path, name: str, kind: bytes) -> None:
    with tarfile.open(tmp_path / "evil.tar", "w") as tar:
        member = tarfile.TarInfo(name)
        member.type, member.linkname, member.size = kind, "/etc/passwd", 4 if kind == tarfile.REGTYPE else 0
        tar.addfile(member, io.BytesIO(b"evil"))
    with pytest.raises(BackupError, match="is no backup"):
        restore(tmp_path / "evil.tar", tmp_path / "back")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["evil.tar"]


def test_a_manifest_made_to_harm_is_refused(home: Path, tmp_path: Path) -> None:
    back_up(home, tmp_path / "copy")
    manifest = tmp_path / "copy" / "manifest.json"
    good = json.loads(manifest.read_text())
    for key, value in (("path", "../outside"), ("file", "/etc/passwd"), ("path", "recordings/a/../../../x")):
        bad = json.loads(json.dumps(good))
        bad["files"][-1][key] = value
        manifest.write_text(json.dumps(bad))
        with pytest.raises(BackupError, match="no file of a backup"):
            restore(tmp_path / "copy", tmp_path / "back")
    bad = json.loads(json.dumps(good))
    bad["head"]["number"] += 1
    manifest.write_text(json.dumps(bad))
    with pytest.raises(BackupError, match="does not prove"):
        restore(tmp_path / "copy", tmp_path / "back")


def test_a_file_being_written_is_not_under_its_name(tmp_path: Path) -> None:
    path = tmp_path / "one"
    path.write_bytes(b"old")
    with pytest.raises(KeyError), written(path) as file:
        file.write(b"ne" * 100_000)
        assert path.read_bytes() == b"old"
        raise KeyError
    assert path.read_bytes() == b"old" and [*tmp_path.iterdir()] == [path]
    with written(path) as file:
        file.write(b"new")
    assert path.read_bytes() == b"new" and [*tmp_path.iterdir()] == [path]


# -- killed, and no room ---------------------------------------------------------------------------------


def proves(backup: Path, back: Path, heads: set[tuple[int, str]]) -> tuple[int, str]:
    restored = restore(backup, back)
    assert restored.head in heads
    shutil.rmtree(back)
    return restored.head


def test_killed_at_any_step_a_first_backup_is_whole_or_not_there(small: Path, tmp_path: Path) -> None:
    head = audit(small / "record.sqlite").head
    place, seen = tmp_path / "copy", set()

    def begin(step: int) -> Callable[[], object]:
        shutil.rmtree(place, ignore_errors=True)
        return lambda: back_up_to_folder(Source(small / "record.sqlite", None), place, at=NOW)

    for _step in killed_before_each_step(begin):
        seen.add(place.exists())
        if place.exists():
            proves(place, tmp_path / "back", {head})
    assert seen == {False, True}
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy"]


def test_killed_at_any_step_a_repeated_backup_is_the_old_one_or_the_new_one(small: Path, tmp_path: Path) -> None:
    home, first, place = tmp_path / "home", tmp_path / "first", tmp_path / "copy"
    copy_all(small / "record.sqlite", home)
    old = back_up_to_folder(Source(home / "record.sqlite", None), first, at=NOW).head
    new = add_to_small(home)
    seen = []

    def begin(step: int) -> Callable[[], object]:
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(first, place)
        return lambda: back_up_to_folder(Source(home / "record.sqlite", None), place, at=NOW)

    for _step in killed_before_each_step(begin):
        seen.append(proves(place, tmp_path / "back", {old, new}))
        made = back_up_to_folder(Source(home / "record.sqlite", None), place, at=NOW)
        assert made.head == new and not [one for one in files(place) if "unfinished" in one]
    assert set(seen) == {old, new} and seen == sorted(seen)


def test_killed_at_any_step_an_archive_is_whole_or_not_there(small: Path, tmp_path: Path) -> None:
    place = tmp_path / "copy.tar.gz"
    head = audit(small / "record.sqlite").head

    def begin(step: int) -> Callable[[], object]:
        place.unlink(missing_ok=True)
        return lambda: back_up_to_archive(Source(small / "record.sqlite", None), place, at=NOW)

    for _step in killed_before_each_step(begin):
        if place.exists():
            proves(place, tmp_path / "back", {head})
    assert sorted(one.name for one in tmp_path.iterdir()) == ["copy.tar.gz"]


@pytest.mark.parametrize("name", ["copy", "copy.tar"])
def test_killed_at_any_step_a_restore_is_whole_or_not_there(small: Path, tmp_path: Path, name: str) -> None:
    source = Source(small / "record.sqlite", None)
    (back_up_to_archive if is_archive(Path(name)) else back_up_to_folder)(source, tmp_path / name, at=NOW)
    back = tmp_path / "back"

    def begin(step: int) -> Callable[[], object]:
        shutil.rmtree(back, ignore_errors=True)
        return lambda: restore(tmp_path / name, back)

    for _step in killed_before_each_step(begin):
        if back.exists():
            assert verify(back / "record.sqlite").mismatch is None
            assert recordings(back) == recordings(small)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["back", name]


@pytest.mark.parametrize("name", ["copy", "copy.tar"])
def test_a_full_disk_is_said_and_harms_nothing(
    home: Path, tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """RLIMIT_FSIZE ends every file where a full disk would."""
    before = files(home)
    for size in (3_000, 50_000):
        ended = in_a_child(with_room_for(size, lambda: back_up(home, tmp_path / name)))
        said = capfd.readouterr().err
        assert ended == 1 and "BackupError: the backup" in said and "is there room" in said, said
        assert [one.name for one in tmp_path.iterdir()] == ["data"]
    assert {key: value for key, value in files(home).items() if "sqlite-" not in key} == before
    assert back_up(home, tmp_path / name).copied == 5
    ended = in_a_child(with_room_for(50_000, lambda: restore(tmp_path / name, tmp_path / "back")))
    assert ended == 1 and "was not put back" in capfd.readouterr().err
    assert sorted(one.name for one in tmp_path.iterdir()) == [name, "data"]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with two checks, one of them being measured: steps enough to be killed at."""
    home = tmp_path_factory.mktemp("small")
    with Store.open(home / "record.sqlite") as store:
        job = open_job(store, 0, AT)
        check_from(store, home, job, "low", "line-10hz-mm-clean", AT + timedelta(minutes=1))
        check_from(store, home, job, "reverse", "line-10hz-mm-gap", AT + timedelta(minutes=2), "measuring")
    return home


def add_to_small(home: Path) -> tuple[int, str]:
    with Store.open(home / "record.sqlite") as store:
        store.add_fact(1, StepDone(0, "first shift"), at=AT + timedelta(minutes=3))
        growing = next((home / "recordings").rglob("*gap*"))
        growing.write_bytes(growing.read_bytes() + b'{"ns":99000000000,"indicator":"+3.000\\r\\n"}\n')
        return store.head()


# -- a data folder stands alone --------------------------------------------------------------------------


def test_a_restored_folder_is_proven_by_its_own_recordings_alone(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first folder is still there, with every recording: nothing of it may serve for what the other one lost."""

    def no_pdf(html: str, size: str) -> None:
        raise PaperError("its page says as much, and sooner")

    monkeypatch.setattr("capture.report.writing.pdf", no_pdf)
    back_up(kept, tmp_path / "copy")
    restore(tmp_path / "copy", tmp_path / "back")
    back = tmp_path / "back"
    done = command("record", "verify", "--processes", 1, "--data-dir", back)
    assert done.exit_code == 0 and "PROVEN: " in done.stdout
    for pattern in ("*clean*", "*creep*"):  # one kept with the whole path it had, one as benches keep it now
        (lost,) = (back / "recordings").rglob(pattern)
        assert sorted((kept / "recordings").rglob(pattern))
        data = lost.read_bytes()
        lost.unlink()
        done = command("record", "verify", "--processes", 1, "--data-dir", back)
        assert done.exit_code == 1
        assert done.stdout.startswith("NOT PROVEN") and f"its recording {lost}: " in done.stdout
        job = int(lost.parent.name.removeprefix("job-"))
        shown = command("show", job, "--data-dir", back).stdout
        assert f"recording: {lost}, which is NOT THERE" in shown and str(kept) not in shown
        checks = json.loads(command("show", job, "--data-dir", back, "--json").stdout)["checks"]
        assert str(lost) in [check["recording"] for check in checks]
        assert all(Path(check["recording"]).is_relative_to(back) for check in checks)
        done = command("report", job, "--data-dir", back, "--out", tmp_path / "paper")
        assert "NOT PROVEN" in done.stderr
        page = "".join(one.read_text() for one in (tmp_path / "paper").glob(f"job-0000{job}*.html"))
        assert f"The recording {lost.name} is missing: it is not in the record" in page
        done = command("record", "backup", tmp_path / "again.tar", "--data-dir", back)
        assert done.exit_code == 1 and f"not there: recordings/{lost.parent.name}/{lost.name}" in done.stderr
        (tmp_path / "again.tar").unlink()
        lost.write_bytes(data)
    done = command("record", "export", "--data-dir", back, "--out", tmp_path / "tables")
    assert done.exit_code == 0
    with (tmp_path / "tables" / "checks.csv").open(newline="") as file:
        named = [row["recording"] for row in csv.DictReader(file)]
    assert all((back / name).is_file() for name in named) and len(named) == 5


def test_a_path_no_bench_writes_leads_nowhere(tmp_path: Path) -> None:
    assert filed_as("recordings/job-00001/a.jsonl") == "recordings/job-00001/a.jsonl"
    assert filed_as("/home/bay/recordings/job-00001/a.jsonl") == "recordings/job-00001/a.jsonl"
    for path in ("../../x.jsonl", "/etc/hostname", "recordings/../x.jsonl", "x", "", "..", "recordings/job-1/.hidden"):
        assert filed_as(path) is None
        assert in_data_folder(tmp_path, path).is_relative_to(tmp_path)
        assert ".." not in in_data_folder(tmp_path, path).parts[:-1]


# -- the commands ----------------------------------------------------------------------------------------


def test_the_commands_speak_clearly(home: Path, tmp_path: Path) -> None:
    done = command("record", "backup", tmp_path / "copy", "--data-dir", home)
    assert done.exit_code == 0, done.output
    head = done.stdout.splitlines()[-1].removeprefix("Head: ")
    assert "2 jobs, the stock" in done.stdout and "5 copied" in done.stdout
    assert "5 there already" in command("record", "backup", tmp_path / "copy", "--data-dir", home).stdout
    done = command("record", "restore", tmp_path / "copy", "--data-dir", tmp_path / "back")
    assert done.exit_code == 0 and f"Head: {head}" in done.stdout
    done = command("record", "verify", "--data-dir", tmp_path / "back", "--expect", head)
    assert done.exit_code == 0 and "PROVEN" in done.stdout
    told = json.loads(command("record", "backup", tmp_path / "c.tar", "--data-dir", home, "--json").stdout)
    assert (told["recordings_copied"], f"{told['head']['number']}:{told['head']['sha256']}") == (5, head)
    told = json.loads(command("record", "restore", tmp_path / "c.tar", "--data-dir", tmp_path / "b2", "--json").stdout)
    assert (told["type"], told["recordings"], told["made"][-1]) == ("restored", 5, "Z")


def test_what_is_there_is_never_written_over(home: Path, tmp_path: Path) -> None:
    back_up(home, tmp_path / "copy")
    back_up(home, tmp_path / "copy.tar")
    before = files(home)
    for words, said in (
        (("record", "restore", tmp_path / "copy", "--data-dir", home), "there is a record in"),
        (("record", "restore", tmp_path / "copy", "--data-dir", tmp_path), "is not empty"),
        (("record", "restore", home, "--data-dir", tmp_path / "new"), "is no backup"),
        (("record", "restore", tmp_path / "nothing", "--data-dir", tmp_path / "new"), "there is no backup at"),
        (("record", "restore", tmp_path / "copy", "--data-dir", tmp_path / "a" / "b"), "there is no folder"),
        (("record", "backup", home, "--data-dir", home), "would be lost together with it"),
        (("record", "backup", home / "copy", "--data-dir", home), "in the data folder that is backed up"),
        (("record", "backup", home / "copy.tar", "--data-dir", home), "in the data folder that is backed up"),
        (("record", "backup", home / "recordings" / "copy", "--data-dir", home), "among the recordings"),
        (("record", "backup", tmp_path / "a" / "b", "--data-dir", home), "there is no folder"),
        (("record", "backup", tmp_path / "copy.tar", "--data-dir", home), "is there already"),
    ):
        done = command(*words)
        assert done.exit_code == 1 and said in done.stderr, (words, done.output)
    assert files(home) == before
    (tmp_path / "empty").mkdir(mode=0o750)
    restore(tmp_path / "copy", tmp_path / "empty")  # as systemd makes a state directory before the first start
    assert (tmp_path / "empty").stat().st_mode & 0o777 == 0o750
