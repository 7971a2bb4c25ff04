"""Walks the ledger from its first entry and holds every table against it. Only reads, through a connection of its own
that cannot write; what the recordings prove is worked out elsewhere.

Theory. One pass in the order of the ledger, so that the first thing found is the earliest that is wrong:
    the chain   numbers without a gap, each entry's hash worked out again, its body in canonical form
    the rows    the row that an entry was written with must hold, column by column, exactly what the entry says,
                down to the type SQLite keeps it as and the text of its JSON
    the rest    what no entry speaks of: rows too many, checks and jobs that are over too soon; then SQLite's own
                check of the file, and the triggers that refuse changes
The outbox is no part of it: a message leaves it as soon as the broker has it.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Final

from sqlalchemy import JSON, Boolean, Column, Float, Integer, Table

from capture.clearance.gauge.facts import GAUGE_KINDS, GaugeChecked, gauge_fact_of
from capture.plumbing.sqlite_file import open_read_only
from capture.record.chain import ChainWalk
from capture.record.database import RecordError
from capture.record.definitions import definitions_of, hold_file
from capture.record.ledger import BEFORE_THE_FIRST, KINDS, canonical, exact
from capture.record.mismatch import Mismatch, shown
from capture.record.rows import ROWS, fact_of
from capture.record.schema import REVISIONS, checks, jobs, strokes, verdicts
from capture.record.settings_kept import SettingsOf
from capture.unit.facts import PhotoKept

#: Columns that are set when a check or a job ends: no entry's body holds them, later entries say them.
_LATER: Final = frozenset({"state", "ended_at", "closed_at"})


@dataclass(frozen=True, slots=True)
class CheckEnded:
    """A check that is over, as the ledger tells it. The hash and size are None where it was cut off by a crash."""

    job: int
    check: int
    entry: int
    recording_sha256: str | None
    recording_bytes: int | None
    method: int | None = None
    """The way of measuring, None from before they were numbered."""
    judged: bool = False
    """Whether it came to a verdict."""


@dataclass(frozen=True, slots=True)
class GaugeSealed:
    """A check of a gauge against masters, as the ledger tells it."""

    entry: int
    fact: GaugeChecked


@dataclass(frozen=True, slots=True)
class PhotoSealed:
    """A photo, as the ledger tells it."""

    entry: int
    job: int
    fact: PhotoKept


@dataclass(frozen=True, slots=True)
class SettingsSet:
    """Settings that came into force, as the ledger tells it."""

    entry: int
    at: str
    bench: str
    of: SettingsOf
    technician: str
    user: str
    settings: dict[str, Any]


@dataclass(slots=True)
class Audit:
    """What a walk found to be whole."""

    head: tuple[int, str] = BEFORE_THE_FIRST
    jobs: int = 0
    ended: list[CheckEnded] = field(default_factory=list)
    pruned: dict[int, str] = field(default_factory=dict)
    """The hash of each recording that was removed by policy, by its check."""
    clock_jumps: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    """The entries that tell of a wall clock that was set, by number."""
    settings: list[SettingsSet] = field(default_factory=list)
    """Which settings came into force when, in order."""
    gauges: list[GaugeSealed] = field(default_factory=list)
    photos: list[PhotoSealed] = field(default_factory=list)


def audit(
    path: Path,
    *,
    job: int | None = None,
    expect: tuple[int, str] | None = None,
    heads: Sequence[tuple[int, str]] = (),
) -> Audit:
    """Walk the record at `path`. With `job`, the whole chain but only that job's rows; with `expect`, the entry of that
    number must have that hash, and so must each entry that `heads` names.

    Raises Mismatch for the first thing that does not match, RecordError if there is no record to walk.
    """
    try:
        with closing(open_read_only(path)) as connection:
            walk = _Walk(connection, job, [*heads, *([expect] if expect is not None else [])])
            try:
                walk.run(path)
            except UnicodeDecodeError as error:  # SQLite tells of a table whose definition is no text
                raise Mismatch(
                    "the file is damaged",
                    expected="a whole SQLite database",
                    found="a table defined by no text",
                ) from error
            except sqlite3.DatabaseError as error:
                if isinstance(error, sqlite3.OperationalError):
                    raise
                raise Mismatch("the file is damaged", expected="a whole SQLite database", found=str(error)) from error
    except sqlite3.Error as error:
        raise RecordError(f"cannot read the record {path}: {error}; make it readable for this user") from error
    return walk.audit


class _Walk:
    """One pass over one snapshot of a record."""

    def __init__(self, connection: sqlite3.Connection, job: int | None, expect: Sequence[tuple[int, str]]) -> None:
        self._connection = connection
        self._job = job
        self._chain = ChainWalk(expect)
        self.audit = Audit()
        self._seen: dict[str, set[int]] = {table.name: set() for table in (jobs, checks, strokes, verdicts)}
        # Of every check: its job, its pack, and its number there; and which of them and of the jobs are not over.
        self._checks: dict[int, tuple[int, str, int]] = {}
        self._measuring: set[int] = set()
        self._open_jobs: set[int] = set()
        self._closed_jobs: dict[int, tuple[int, str]] = {}
        self._bench_of: dict[int, str] = {}
        self._deciding: dict[str, dict[str, Any]] = {}
        """The settings that each bench measures by, as they were told last."""

    def run(self, path: Path) -> None:
        self._connection.execute("BEGIN")  # one snapshot, whatever a bench writes meanwhile
        tables = {row[0] for row in self._connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if "alembic_version" not in tables:
            raise RecordError(f"{path} is no strokelog record; give another path")
        version = self._connection.execute("SELECT version_num FROM alembic_version").fetchone()
        if version is None or version[0] != REVISIONS[-1]:
            raise RecordError(
                f"the record {path} has schema {shown(version and version[0])}, this strokelog walks {REVISIONS[-1]}; "
                "an older record is brought up to date by `strokelog jobs`, a newer one needs a newer strokelog"
            )
        for entry in self._connection.execute("SELECT * FROM ledger ORDER BY number"):
            self._entry(entry, self._chain.take(entry))
            self.audit.head = self._chain.head
        self._chain.ended()
        if self._job is not None and self._job not in self._seen["jobs"]:
            raise RecordError(f"the ledger of {path} knows no job {self._job}; `strokelog jobs` lists those there are")
        self._not_over()
        self._rows_too_many()
        self._file()
        self.audit.jobs = len(self._seen["jobs"])

    # -- the rows ----------------------------------------------------------------------------------------

    def _entry(self, entry: sqlite3.Row, body: dict[str, Any]) -> None:
        number, kind = entry["number"], entry["kind"]
        if kind not in KINDS:
            raise Mismatch("no entry that this program writes", entry=number, expected="a kind of entry", found=kind)
        if entry["job"] != body.get("job"):
            raise Mismatch("the job it is filed under", entry=number, expected=body.get("job"), found=entry["job"])
        if self._job is not None and body.get("job") != self._job:
            return
        try:
            self._row_of(entry, kind, body)
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise Mismatch(
                "the body of the entry", entry=number, expected=f"what {kind} holds", found=f"{error}"
            ) from error

    def _row_of(self, entry: sqlite3.Row, kind: str, body: dict[str, Any]) -> None:
        number, at = entry["number"], entry["at"]
        if kind in ROWS:
            table, timed = ROWS[kind]
            if kind == "check_started":
                self._checks[body["id"]] = (body["job"], body["pack"], body["number"])
                self._measuring.add(body["id"])
                self._by_settings(number, body)
            elif kind == "job_opened":
                self._open_jobs.add(body["id"])
                self._bench_of[body["id"]] = body["bench"]
            self._row(table, number, body if timed is None else {**body, timed: at})
        if kind == "verdict" or kind == "check_abandoned":
            check = body["check"]
            state = "done" if kind == "verdict" else "abandoned"
            self._measuring.discard(check)
            self._later(checks, check, number, state=state, ended_at=at)
            recording = body.get("recording_sha256"), body.get("recording_bytes"), body.get("method")
            self.audit.ended.append(CheckEnded(body["job"], check, number, *recording, judged=kind == "verdict"))
        elif kind == "job_closed":
            self._open_jobs.discard(body["job"])
            self._closed_jobs[body["job"]] = (number, at)
        elif kind == "job_reopened":
            self._closed_jobs.pop(body["job"])
            self._open_jobs.add(body["job"])
        elif kind == "clock_jumped":
            self.audit.clock_jumps.append((number, body))
        elif kind == "settings_changed":
            told = tuple(body[name] for name in ("bench", "of", "technician", "user", "settings"))
            self.audit.settings.append(SettingsSet(number, at, *told))
            if body["of"] == "bench":
                self._deciding[body["bench"]] = body["settings"]
        elif kind in GAUGE_KINDS:
            fact = gauge_fact_of(kind, body)
            if isinstance(fact, GaugeChecked):
                self.audit.gauges.append(GaugeSealed(number, fact))
        elif kind == "photo_kept" and isinstance(photo := fact_of(kind, body), PhotoKept):
            if not re.fullmatch("[0-9a-f]{64}", photo.sha256) or photo.form not in ("jpeg", "png"):
                raise ValueError(photo.path)  # it names the file
            self.audit.photos.append(PhotoSealed(number, body["job"], photo))
        elif kind == "pruned":
            self.audit.pruned[body["check"]] = body["recording_sha256"]

    def _by_settings(self, entry: int, check: Mapping[str, Any]) -> None:
        """A check is begun by the settings that its bench told of last."""
        settings = self._deciding.get(self._bench_of[check["job"]])
        if settings is None:  # of a version that did not keep them
            return
        gauge, told = check.get("gauge"), settings["gauge"]
        if gauge is not None and told is not None:  # with how it stood then
            gauge = {name: gauge.get(name) for name in told}
        for what, expected, found in (
            ("the indicator that the settings say", settings["indicator"], check["indicator"]),
            ("the gauge that the settings say", told, gauge),
        ):
            if found != expected:
                where = self._where(checks, check)
                raise Mismatch(what, entry=entry, **where, expected=expected, found=found)

    def _where(self, table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
        """The place of a row, for people: its job, and its pack and check if it is of one."""
        if table is jobs:
            return {"job": row["id"]}
        job, pack, check = self._checks[row["id"] if table is checks else row["check"]]
        return {"job": job, "pack": pack, "check": check}

    def _row(self, table: Table, entry: int, body: Mapping[str, Any]) -> None:
        """Hold the row that an entry was written with against the entry."""
        where = self._where(table, body)
        row_id = body["id"]
        if row_id in self._seen[table.name]:
            raise Mismatch(
                f"a second entry for row {row_id} of {table.name}", entry=entry, **where, expected=1, found=2
            )
        self._seen[table.name].add(row_id)
        found = self._connection.execute(f'SELECT * FROM "{table.name}" WHERE id = ?', (row_id,)).fetchone()
        if found is None:
            raise Mismatch(f"{_row_words(table, body)}", entry=entry, **where, expected="its row", found=None)
        for column, name, as_written in _held(table):
            value, kept = body.get(name), found[name]
            # Nearly all are, to the letter: that is seen before a column is asked for its type.
            if not (as_written and type(value) is type(kept) and value == kept):
                self._column(column, value, kept, entry, where, _row_words(table, body))

    def _column(
        self, column: Column[Any], value: Any, found: Any, entry: int, where: Mapping[str, Any], words: str
    ) -> None:
        if isinstance(column.type, JSON) and value is not None:
            same = _same_json(value, found)
            value = value if same else canonical(value)
        else:
            value = _as_stored(column, value)
            same = type(value) is type(found) and value == found
        if not same:
            if shown(value) == shown(found):
                value, found = f"{value!r} ({type(value).__name__})", f"{found!r} ({type(found).__name__})"
            raise Mismatch(f"{column.name} of {words}", entry=entry, **where, expected=value, found=found)

    def _later(self, table: Table, row_id: int, entry: int | None, **columns: str | None) -> None:
        """Hold what later entries say of a row (or that none does) against it."""
        where = self._where(table, {"id": row_id})
        found = self._connection.execute(f'SELECT * FROM "{table.name}" WHERE id = ?', (row_id,)).fetchone()
        for name, value in columns.items():
            if found[name] != value:
                words = _row_words(table, {"id": row_id})
                raise Mismatch(f"{name} of {words}", entry=entry, **where, expected=value, found=found[name])

    # -- the rest ----------------------------------------------------------------------------------------

    def _not_over(self) -> None:
        for check in sorted(self._measuring):
            self._later(checks, check, None, state="measuring", ended_at=None)
        for job in sorted(self._open_jobs):
            self._later(jobs, job, None, closed_at=None)
        for job, (number, at) in sorted(self._closed_jobs.items()):
            self._later(jobs, job, number, closed_at=at)

    def _rows_too_many(self) -> None:
        limits = dict.fromkeys(self._seen, '"check" IN (SELECT id FROM checks WHERE job = :job)')
        limits |= {"jobs": "id = :job", "checks": "job = :job"}
        for name, seen in self._seen.items():
            limit = "" if self._job is None else f" WHERE {limits[name]}"
            for row in self._connection.execute(f'SELECT id FROM "{name}"{limit} ORDER BY id', {"job": self._job}):
                if row[0] not in seen:
                    raise Mismatch(f"row {row[0]} of {name}", job=self._job, expected="an entry for it", found=None)

    def _file(self) -> None:
        hold_file(self._connection, definitions_of(REVISIONS[-1]))


@cache
def _held(table: Table) -> list[tuple[Column[Any], str, bool]]:
    """Return the columns that an entry is held against, with their names, and whether each holds what is written as it
    is."""
    return [
        (column, column.name, not isinstance(column.type, JSON))
        for column in table.columns
        if column.name not in _LATER
    ]


def _row_words(table: Table, row: Mapping[str, Any]) -> str:
    if table is strokes:
        return f"stroke {row['n']}"
    return {"jobs": "the job", "checks": "the check", "verdicts": "the verdict"}[table.name]


def _as_stored(column: Column[Any], value: Any) -> Any:
    """Return a value of a body as SQLite hands out what was stored for it."""
    if value is None:
        return None
    if isinstance(column.type, Boolean | Integer):
        return int(value)
    return float(value) if isinstance(column.type, Float) else value


def _alike(kept: Any, value: Any) -> bool:
    """Say whether two values have one canonical form, where that is seen at once: else it must be worked out."""
    if isinstance(kept, dict) and isinstance(value, dict):
        return kept.keys() == value.keys() and all(_alike(kept[name], value[name]) for name in kept)
    if isinstance(kept, list) and isinstance(value, list):
        return len(kept) == len(value) and all(map(_alike, kept, value))
    if type(kept) is type(value) and not isinstance(kept, int):
        return bool(kept == value)
    # As a double that happens to be whole and as an integer, up to where integers are kept as text.
    numbers = type(kept) in (int, float) and type(value) in (int, float)
    return numbers and kept == value and abs(kept) < 2**53


def _same_json(value: Any, found: Any) -> bool:
    """Say whether a JSON column holds `value`, in the form the record writes."""
    try:
        kept = json.loads(found)
        if json.dumps(kept, ensure_ascii=False) != found:
            return False
        return _alike(kept, value) or canonical(exact(kept)) == canonical(value)
    except (TypeError, ValueError, RecursionError):
        return False
