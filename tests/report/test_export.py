"""The exported tables say what the record says, in CSV and in Parquet; no spreadsheet runs any of it."""

from __future__ import annotations

import csv
import json
import math
import shutil
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid5

import duckdb
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet
from typer.testing import CliRunner, Result

from capture.clearance.advice import Change
from capture.clearance.verdict import Verdict
from capture.cli.main import app
from capture.custody.retention import Policy, keep_by_policy
from capture.record import Job, Store
from capture.report.table_files import ExportError, Form, export, safe_text
from capture.report.tables import COLUMNS, LengthUnit, columns
from capture.strokes.stroke import Stroke
from capture.unit.facts import Override, PartsChanged, StepDone
from tests.support.guide_blocks import guide_blocks
from tests.support.killed import in_a_child, killed_before_each_step, with_room_for
from tests.support.proven_record import AT, make_record

#: Signs that begin a formula: OWASP, "CSV Injection", and ASVS 5.0, requirement 1.2.10.
FORMULA_SIGNS = "=+-@\t\r\0"


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record with one of everything, and with words in it that a spreadsheet would run."""
    path = make_record(tmp_path_factory.mktemp("exported"))
    with Store.open(path) as store:
        at = AT + timedelta(hours=2)
        store.add_fact(2, Override("low", None, "=cmd|'/c calc'!A1", 'said "ok",\r\n=1+1; and more'), at=at)
        store.add_fact(2, StepDone(1, "@foreman", torque_unm=-45_000_000, lasted_ns=2**60, note="-0.25; +1"), at=at)
        parts = PartsChanged(
            "low", (Change(1, "selective", 2_500_000, 2_600_000), Change(0, "shim", 2, 0)), None, None, "ö"
        )
        store.add_fact(2, parts, at=at)
    list(keep_by_policy(path, Policy(None, 1, None, 0), at=datetime(2027, 1, 1, tzinfo=UTC)))
    return path


@pytest.fixture(scope="module")
def jobs(record: Path) -> list[Job]:
    with Store.open(record) as store:
        return list(store.every_job(batch=1))


def command(record: Path, *words: object) -> Result:
    return CliRunner().invoke(app, ["record", "export", *map(str, words), "--data-dir", str(record.parent)])


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def expected(jobs: list[Job]) -> dict[str, list[dict[str, Any]]]:
    """Some of each table, written down anew from the record."""
    return {
        "jobs": [
            {"job": job.id, "bench": job.bench, "closed_at": job.closed_at, "uuid": str(job.uuid)} for job in jobs
        ],
        "checks": [
            {
                "job": job.id, "check": check.id, "pack": check.pack, "state": check.state, "low_nm": check.low_nm,
                "started_at": check.started_at, "recording_pruned_at": check.pruned_at,
                "mean_nm": check.verdict.verdict.mean_nm if check.verdict else None,
                "dof": check.verdict.verdict.dof if check.verdict else None,
                "verdict": check.verdict.verdict.verdict if check.verdict else None,
                "mean_mm": check.verdict.verdict.mean_nm / 1e6 if check.verdict else None,
                "recording_sha256": check.verdict.recording_sha256 if check.verdict else None,
            }
            for job in jobs for check in job.checks
        ],
        "strokes": [
            {
                "check": check.id, "n": one.stroke.n, "seat": one.seat, "accepted": one.stroke.accepted,
                "peak_travel_nm": one.stroke.peak_travel_nm, "held_travel_nm": one.stroke.held_travel_nm,
                "held_travel_mm": one.stroke.held_travel_nm / 1e6, "creep_nm": one.stroke.creep_nm,
                "return_error_nm": one.stroke.return_error_nm, "pressure_min_pa": one.stroke.pressure_min_pa,
                "flags": " ".join(one.stroke.flags), "start_ns": one.stroke.start_ns,
            }
            for job in jobs for check in job.checks for one in check.strokes
        ],
        "facts": [
            {
                "job": job.id, "entry": one.number, "at": one.at, "by": one.fact.by,
                "reason": getattr(one.fact, "reason", None), "pack": getattr(one.fact, "pack", None),
                "torque_unm": getattr(one.fact, "torque_unm", None), "corrects_entry": getattr(one.fact, "entry", None),
            }
            for job in jobs for one in job.facts
        ],
        "parts": [
            {
                "entry": one.number, "kind": change.kind, "adjuster": change.adjuster,
                "from_count": change.before if change.kind == "shim" else None,
                "to_thickness_nm": change.after if change.kind == "selective" else None,
            }
            for job in jobs for one in job.facts if isinstance(one.fact, PartsChanged) for change in one.fact.changes
        ],
    }  # fmt: skip


# -- the same as the record ------------------------------------------------------------------------------


def test_parquet_gives_back_the_record_with_its_types(record: Path, jobs: list[Job], tmp_path: Path) -> None:
    done = command(record, "--format", "parquet", "--out", tmp_path, "--json")
    assert done.exit_code == 0, done.output
    told = {one["table"]: one["rows"] for one in map(json.loads, done.stdout.splitlines())}
    for table, rows in expected(jobs).items():
        read = parquet.read_table(tmp_path / f"{table}.parquet")
        found = read.to_pylist()
        assert [{name: row[name] for name in rows[0]} for row in found] == rows
        assert told[table] == len(rows) > 0
        types = {"text": pa.string(), "whole": pa.int64(), "real": pa.float64(), "yes or no": pa.bool_()}
        types |= {"time": pa.timestamp("us", tz="UTC"), "date": pa.date32()}
        assert read.schema == pa.schema([(one.name, types[one.kind]) for one in columns(table, "mm")])


def as_cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%f}Z"  # RFC 3339
    return safe_text(value) if isinstance(value, str) else str(value)


def test_what_several_benches_exported_can_be_put_together(jobs: list[Job], tmp_path: Path) -> None:
    """Two benches whose records have the same numbers: their rows are told apart, and a stroke has its time."""
    other = [replace(one, bench="bay-2", uuid=uuid5(one.uuid, "bay-2")) for one in jobs]
    rows: list[dict[str, Any]] = []
    for bench, told in (("one", jobs), ("other", other)):
        export(told, tmp_path / bench, "parquet", "mm")
        rows += parquet.read_table(tmp_path / bench / "strokes.parquet").to_pylist()
    assert len({(row["job_uuid"], row["check"], row["n"]) for row in rows}) == len(rows) > 0
    assert {row["bench"] for row in rows} == {"bay-1", "bay-2"}
    job, check = next((job, check) for job in jobs for check in job.checks if check.strokes)
    first = next(row for row in rows if (row["job_uuid"], row["check"]) == (str(job.uuid), check.id))
    assert first["unit_serial"] == job.unit_serial
    made = first["at"] - check.started_at
    assert made == timedelta(microseconds=check.strokes[0].stroke.end_ns // 1000)
    export(jobs, tmp_path / "csv", "csv", "mm")
    assert "gauge_calibration_due" in (tmp_path / "csv" / "checks.csv").read_text()
    (kind,) = {one.kind for one in COLUMNS["checks"] if one.name == "gauge_calibration_due"}
    assert kind == "date"


@pytest.fixture(scope="module")
def year(jobs: list[Job], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop's year as 50 benches export it: the columns and types of real exports, their rows again and again."""
    folder = tmp_path_factory.mktemp("years")
    export(jobs, folder / "first", "parquet", "mm")
    for table, rows in (("checks", 2_500), ("strokes", 15_000)):
        known = parquet.read_table(folder / "first" / f"{table}.parquet")
        told = pa.concat_tables([known] * (rows // len(known) + 1)).slice(0, rows).combine_chunks()
        job = pa.array([str(row // 15) for row in range(rows)])
        told = told.set_column(told.column_names.index("job_uuid"), "job_uuid", job)
        for n in range(50):
            file = folder / "2026" / f"bay-{n}" / f"{table}.parquet"
            file.parent.mkdir(parents=True, exist_ok=True)
            if n < 5:
                at = told.column_names.index("bench")
                parquet.write_table(told.set_column(at, "bench", pa.repeat(f"bay-{n}", rows)), file)
            else:  # to write them all would take longer than the test
                shutil.copy(folder / "2026" / f"bay-{n % 5}" / file.name, file)
    return folder


def test_a_shop_s_year_in_files_is_asked_in_under_a_second(year: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the guide's own questions, with DuckDB, a general-purpose library that knows nothing of this program."""
    monkeypatch.chdir(year)
    (questions,) = guide_blocks("many-shops", "sql")[1:]
    yields, apart = questions.split(";\n")[:2]
    with duckdb.connect() as asked:
        begun = time.monotonic()
        first = asked.execute(yields).fetchall()
        between = time.monotonic()
        spread = asked.execute(apart).fetchall()
        taken = between - begun, time.monotonic() - between
    assert sum(row[2] for row in first) > 10_000 and all(0 <= row[3] <= 1 for row in first)
    assert {row[0] for row in spread} == {f"bay-{n}" for n in range(5)}
    known = parquet.read_table(year / "first" / "checks.parquet").to_pylist()
    packs = {row["pack"] for row in known if row["number"] == 1 and row["verdict"]}
    assert {row[1] for row in first} == packs
    assert max(taken) < 1


def test_csv_gives_back_the_record(record: Path, jobs: list[Job], tmp_path: Path) -> None:
    assert command(record, "--out", tmp_path).exit_code == 0
    for table, rows in expected(jobs).items():
        found = read_csv(tmp_path / f"{table}.csv")
        assert [{name: row[name] for name in rows[0]} for row in found] == [
            {name: as_cell(value) for name, value in row.items()} for row in rows
        ]
        assert [*found[0]] == [one.name for one in columns(table, "mm")]


def test_numbers_stay_numbers_and_text_is_never_a_formula(record: Path, jobs: list[Job], tmp_path: Path) -> None:
    command(record, "--out", tmp_path)
    facts = {row["entry"]: row for row in read_csv(tmp_path / "facts.csv")}
    step = next(row for row in facts.values() if row["torque_unm"])
    assert step["torque_unm"] == "-45000000" and step["lasted_ns"] == str(2**60)
    assert step["by"] == "'@foreman" and step["note"] == "'-0.25;' +1"
    override = next(row for row in facts.values() if row["by"].startswith("'=cmd"))
    assert override["reason"] == "said \"ok\",\r'\n'=1+1; and more"
    numbers = 0
    for table in COLUMNS:
        kinds = {one.name: one.kind for one in columns(table, "mm")}
        for row in read_csv(tmp_path / f"{table}.csv"):
            for name, cell in row.items():
                if kinds[name] in ("whole", "real"):
                    numbers += cell != "" and math.isfinite(float(cell)) and cell.startswith("-")
                else:
                    assert cell[:1] not in tuple(FORMULA_SIGNS)
    assert numbers > 0  # there are negative ones, as they are


def test_the_files_are_rfc_4180(record: Path, tmp_path: Path) -> None:
    """Lines end with CRLF, the last one too; quotes are doubled; UTF-8 without a mark (RFC 4180, 2; RFC 3629)."""
    command(record, "--out", tmp_path)
    data = (tmp_path / "facts.csv").read_bytes()
    assert data.endswith(b"\r\n") and b'""ok""' in data and "ö".encode() in data
    assert not data.startswith(b"\xef\xbb\xbf")
    assert b"\n" not in (tmp_path / "strokes.csv").read_bytes().replace(b"\r\n", b"")


@given(
    st.text(alphabet=st.one_of(st.sampled_from(FORMULA_SIGNS + ";|\n\" '＝＋－＠a1,"), st.characters(codec="utf-8")))
)
def test_no_text_begins_a_formula_wherever_a_cell_may_begin(text: str) -> None:
    made = safe_text(text)
    for separator in (None, ";", "|", "\t", "\n", "\r"):
        for cell in [made] if separator is None else made.split(separator):
            assert not cell.lstrip(' "').startswith(("=", "+", "-", "@", "\0", "＝", "＋", "－", "＠"))
    assert safe_text("plain, as it is: 3 = 2 + 1") == "plain, as it is: 3 = 2 + 1"
    assert made.replace("'", "") == text.replace("'", "")  # nothing is lost


def test_inches_are_for_people_and_nanometres_exact(record: Path, tmp_path: Path) -> None:
    command(record, "--out", tmp_path, "--unit", "in")
    for row in read_csv(tmp_path / "strokes.csv"):
        # NIST SP 811, appendix B: 1 in = 25.4 mm exactly. A tenth of a microinch is 2.54 nm.
        assert abs(float(row["held_travel_in"]) * 25_400_000 - int(row["held_travel_nm"])) <= 1.28
        assert "held_travel_mm" not in row


def test_no_number_of_a_stroke_or_a_verdict_is_left_out() -> None:
    strokes, checks = ({one.name for one in COLUMNS[table]} for table in ("strokes", "checks"))
    assert {one.name for one in fields(Stroke)} <= strokes
    assert {one.name for one in fields(Verdict)} - {"budget"} <= checks


# -- which jobs ------------------------------------------------------------------------------------------


def test_one_job_or_those_since_a_day(record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def exported(*words: str) -> list[str]:
        done = command(record, "--out", tmp_path, *words)
        assert done.exit_code == 0, done.output
        return [row["job"] for row in read_csv(tmp_path / "jobs.csv")]

    assert exported() == ["1", "2"]
    assert exported("--job", "2") == ["2"]
    assert exported("--since", "2026-03-02T08:00:00Z") == ["2"]
    assert exported("--since", "2026-03-01") == ["1", "2"]
    assert exported("--since", "2026-03-04") == []
    for words, code, said in (
        (("--job", "7"), 1, "there is no job 7"),
        (("--since", "yesterday"), 2, "expected a day such as 2026-03-02"),
        (("--out", "/proc/nowhere"), 1, "cannot export to /proc/nowhere"),
        (("--out", record), 1, f"{record} is a file, and the tables need a folder"),
    ):
        done = command(record, "--out", tmp_path, *words)
        assert done.exit_code == code and said in done.stderr


# -- whole or as it was ----------------------------------------------------------------------------------


def test_killed_at_any_step_every_file_is_the_old_one_or_the_new_one(jobs: list[Job], tmp_path: Path) -> None:
    old, new, place = tmp_path / "old", tmp_path / "new", tmp_path / "place"
    export(jobs[:1], old, "csv", "mm")
    export(jobs, new, "csv", "mm")

    def begin(step: int) -> Any:
        export(jobs[:1], place, "csv", "mm")
        return lambda: export(jobs, place, "csv", "mm")

    for _ in killed_before_each_step(begin):
        for table in COLUMNS:
            data = (place / f"{table}.csv").read_bytes()
            assert data in ((old / f"{table}.csv").read_bytes(), (new / f"{table}.csv").read_bytes())
    assert sorted(one.name for one in place.iterdir()) == sorted(f"{table}.csv" for table in COLUMNS)


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_full_disk_is_said_and_leaves_what_was_there(
    jobs: list[Job], tmp_path: Path, form: Form, capfd: pytest.CaptureFixture[str]
) -> None:
    export(jobs[:1], tmp_path, form, "mm")
    before = {one.name: one.read_bytes() for one in tmp_path.iterdir()}
    ended = in_a_child(with_room_for(5_000, lambda: export(many(jobs[0], 300), tmp_path, form, "mm")))
    said = capfd.readouterr().err
    assert ended == 1 and "ExportError: cannot export" in said and "Exception ignored" not in said, said
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == before


def test_a_failing_reader_leaves_what_was_there(jobs: list[Job], tmp_path: Path) -> None:
    def broken() -> Iterator[Job]:
        yield jobs[0]
        raise ExportError("the record went away")

    for form in ("csv", "parquet"):
        with pytest.raises(ExportError, match="went away"):
            export(broken(), tmp_path, form, "mm")  # type: ignore[arg-type]
    assert list(tmp_path.iterdir()) == []


def many(job: Job, count: int) -> Iterator[Job]:
    for number in range(count):
        yield replace(job, id=number + 1)


@pytest.mark.parametrize(("form", "unit"), [("csv", "mm"), ("parquet", "in")])
def test_memory_does_not_grow_with_the_record(
    jobs: list[Job], tmp_path: Path, form: Form, unit: LengthUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "capture.report.table_files._ROWS_A_GROUP", 100
    )  # the suite is not to wait for real ones to fill

    def peak(count: int) -> int:
        tracemalloc.start()
        try:
            export(many(jobs[0], count), tmp_path, form, unit)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(1)  # what is imported once
    assert peak(500) < 1.2 * peak(110) + 100_000
