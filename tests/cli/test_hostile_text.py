"""Names, settings and files that are not what they should be: no escape reaches the terminal, no traceback ends it."""

from __future__ import annotations

import re
import sqlite3
import subprocess
from pathlib import Path

import pytest

from capture.bench.lock import BenchLock
from capture.record import RecordError
from tests.support.command import run_command
from tests.support.proven_record import SHEET, make_record

ROOT = Path(__file__).resolve().parents[2]
EVIL = "FW\x1b]0;owned\x07\x1b[2J\x9b31m\u202eend"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]")


def strokelog(*words: str) -> subprocess.CompletedProcess[str]:
    done = run_command(*words)
    told = subprocess.CompletedProcess(words, done.returncode, done.stdout.decode(), done.stderr.decode())
    assert "Traceback" not in told.stderr
    assert not OBEYED.search(told.stdout + told.stderr)
    return told


def test_a_unit_and_a_technician_named_to_command_the_terminal_do_not(tmp_path: Path) -> None:
    record = make_record(tmp_path)
    with sqlite3.connect(record) as connection:
        connection.execute("DROP TRIGGER IF EXISTS jobs_update")
        connection.execute("UPDATE jobs SET unit_serial = ?, technician = ?", (EVIL, EVIL))
    home = ("--data-dir", str(tmp_path))
    for words in (("jobs",), ("jobs", "--json"), ("show", "1"), ("show", "1", "--json")):
        assert "FW" in strokelog(*words, *home).stdout
    strokelog("record", "verify", *home)
    strokelog("record", "export", "--out", str(tmp_path / "tables"), *home)
    table = (tmp_path / "tables" / "jobs.csv").read_text()
    assert "owned" in table and not OBEYED.search(table)


@pytest.mark.parametrize(
    "text",
    [
        SHEET.replace('name = "Forwarder', r'name = "\u001b]0;owned\u0007\u009b31m Forwarder', 1),
        SHEET.replace("[sheet]", r"[sheet]" + "\n" + r'"\u001b[2J\u009b" = 1', 1),
        SHEET.replace('range = ["', r'range = ["\u001b[2J', 1),
    ],
    ids=["name", "unknown-key", "value"],
)
def test_a_sheet_does_not_command_the_terminal(tmp_path: Path, text: str) -> None:
    assert text != SHEET
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(text)
    strokelog("sheet", "check", str(sheet))


@pytest.mark.parametrize(
    "data",
    [
        b'bench = "\xb5"\n',
        b"x = " + b"[" * 30_000,
        b"x = " + b"9" * 5_000,
        b'"\x1b[2J" = 1\n',
        b'"\\u009b" = 1\n',
        b"\x00",
    ],
    ids=["latin-1", "deep", "long", "escape", "escaped", "nul"],
)
def test_settings_that_are_none_are_named_with_their_file(tmp_path: Path, data: bytes) -> None:
    config = tmp_path / "config.toml"
    config.write_bytes(data)
    for words in (("jobs",), ("board", "--json"), ("collect",)):
        done = strokelog(*words, "--config", str(config))
        assert done.returncode in (1, 2) and str(config) in done.stderr


def test_a_record_whose_tables_are_no_text_is_called_damaged(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    record = make_record(home)
    with sqlite3.connect(record) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_master SET sql = CAST(? || substr(sql, 4) AS TEXT) WHERE name = 'strokes'", (b"CR\x85",)
        )
        connection.commit()
    connection.close()
    for words in (
        ("jobs",), ("show", "1"), ("record", "verify"), ("record", "backup", str(tmp_path / "copy")),
        ("report", "1", "--out", str(tmp_path)), ("unit", "steps", "1"),
    ):  # fmt: skip
        done = strokelog(*words, "--data-dir", str(home))
        assert done.returncode == 1 and "damaged" in done.stderr + done.stdout


def test_a_lock_that_is_a_link_is_neither_followed_nor_written(tmp_path: Path) -> None:
    theirs = tmp_path / "theirs"
    theirs.write_text("not ours")
    (tmp_path / "bay-1.lock").symlink_to(theirs)
    (tmp_path / "bay-2.lock").hardlink_to(theirs)
    for bench in ("bay-1", "bay-2"):
        with pytest.raises(RecordError, match=rf"{bench}\.lock is a link or no file"):
            BenchLock(tmp_path, bench)
    (tmp_path / "bay-3.lock").symlink_to(tmp_path / "made")
    with pytest.raises(RecordError, match="is a link"):
        BenchLock(tmp_path, "bay-3")
    assert theirs.read_text() == "not ours" and not (tmp_path / "made").exists()
    with BenchLock(tmp_path, "bay-4"), pytest.raises(RecordError, match="being measured already, by process"):
        BenchLock(tmp_path, "bay-4")
