"""Writes the record's flat tables as CSV or Parquet files, a table a file, without ever holding more than a few jobs in
memory. What is in the tables is decided in `flat`.

CSV is RFC 4180 in UTF-8 with a header line; times are RFC 3339 in UTC; what is not known is an empty cell. Text that a
spreadsheet would run as a formula gets an apostrophe before it (OWASP, "CSV Injection"; ASVS 5.0, 1.2.10); numbers stay
numbers, a minus sign included. Parquet holds every value as it is, with its type.
"""

from __future__ import annotations

import csv
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack, suppress
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO, Final, Literal, Protocol, Self, cast

from capture.plumbing.durable import put_in_place, unfinished
from capture.plumbing.outward import harmless
from capture.record import Job
from capture.report.tables import COLUMNS, Column, LengthUnit, Row, columns, rows

Form = Literal["csv", "parquet"]

#: Where a spreadsheet may begin a cell: at the beginning, and after what one that looks for other separators than the
#: comma takes for the end of one before, since it does not see then that the text is quoted. Full-width forms are taken
#: as the signs they look like by some.
_FORMULA: Final = re.compile('(^|[;|\t\r\n])(?=[ "]*[=+\\-@\t\r\n\\0\uff1d\uff0b\uff0d\uff20])')
_ROWS_A_GROUP: Final = 10_000


class ExportError(Exception):
    """Nothing was exported; the text says why and what to do."""


Written = dict[str, tuple[Path, int]]
"""Of each table, its file and how many rows that has."""


def safe_text(text: str) -> str:
    """Return `text` such that no spreadsheet takes any of it for a formula: an apostrophe stands before each sign that
    would begin one, at its beginning or where a cell would begin if its quoting were not understood."""
    return _FORMULA.sub(r"\1'", text)


class _Writer(Protocol):
    def add(self, row: Row) -> None: ...

    def end(self) -> None:
        """Write what is left."""

    def give_up(self) -> None:
        """Write nothing more, whatever is left."""


class _Csv:
    """A table as CSV."""

    def __init__(self, file: BinaryIO, table: Sequence[Column]) -> None:
        self._names = [one.name for one in table]
        # Its default is RFC 4180: commas, CRLF, quotes doubled.
        self._csv = csv.writer(_Encoded(file))
        self._csv.writerow(self._names)

    def add(self, row: Row) -> None:
        self._csv.writerow([_cell(row[name]) for name in self._names])

    def end(self) -> None:
        pass

    def give_up(self) -> None:
        pass


class _Encoded:
    """What `csv` writes text to: UTF-8 into a file of bytes."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file

    def write(self, text: str) -> int:
        return self._file.write(text.encode())


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat(timespec="microseconds").replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if not isinstance(value, str):
        return value
    # A cell may hold whole lines, whichever way they end.
    return safe_text("\r".join(harmless(line) for line in value.split("\r")))


class _Parquet:
    """A table as Parquet: row groups of some thousand rows, written as they fill."""

    def __init__(self, file: BinaryIO, table: Sequence[Column]) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        types = {
            "text": pa.string(),
            "whole": pa.int64(),
            "real": pa.float64(),
            "yes or no": pa.bool_(),
            "time": pa.timestamp("us", tz="UTC"),
            "date": pa.date32(),
        }
        self._arrow = pa
        self._schema = pa.schema([(one.name, types[one.kind]) for one in table])
        self._writer = parquet.ParquetWriter(file, self._schema, compression="zstd")
        self._rows: list[Row] = []

    def add(self, row: Row) -> None:
        self._rows.append(row)
        if len(self._rows) >= _ROWS_A_GROUP:
            self._flush()

    def _flush(self) -> None:
        names = self._schema.names
        arrays = {name: [row[name] for row in self._rows] for name in names}
        self._writer.write_table(self._arrow.table(arrays, schema=self._schema))
        self._rows.clear()

    def end(self) -> None:
        if self._rows:
            self._flush()
        self._writer.close()

    def give_up(self) -> None:
        with suppress(OSError):
            self._writer.close()
        self._writer.is_open = False  # else it tries once more when it is collected


_WRITERS: Final[dict[Form, type[_Csv] | type[_Parquet]]] = {"csv": _Csv, "parquet": _Parquet}


def export(jobs: Iterable[Job], folder: Path, form: Form, unit: LengthUnit) -> Written:
    """Write the jobs' tables into `folder`, made if it must be; return what was written. Files of an earlier export
    there are replaced once all of the new ones are whole, one by one.

    Raises ExportError; then the files of an earlier export are as they were.
    """
    if folder.exists() and not folder.is_dir():
        raise ExportError(f"{folder} is a file, and the tables need a folder; give another place with --out")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _Tables(folder, form, unit) as tables:
            for job in jobs:
                for table, row in rows(job, unit):
                    tables.add(table, row)
            return tables.in_place()
    except OSError as error:
        raise ExportError(
            f"cannot export to {folder}: {error.strerror or error}; nothing there was changed; is there room, and may "
            "this user write there?"
        ) from error


def write_rows(tables: Mapping[str, Sequence[Mapping[str, Any]]], folder: Path, form: Form) -> Written:
    """Write small tables of any columns into `folder`; a table without rows is not written. Raises ExportError."""
    written: Written = {}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, found in tables.items():
            if not found:
                continue
            path = folder / f"{name}.{form}"
            with unfinished(path).open("wb") as file:
                writer = _WRITERS[form](file, [_column(one, found) for one in found[0]])
                for row in found:
                    writer.add(
                        {key: float(value) if isinstance(value, Decimal) else value for key, value in row.items()}
                    )
                writer.end()
                file.flush()
                os.fsync(file.fileno())
            put_in_place(unfinished(path), path)
            written[name] = path, len(found)
    except OSError as error:
        raise ExportError(
            f"cannot write to {folder}: {error.strerror or error}; give another place with --out"
        ) from error
    return written


def _column(name: str, rows: Sequence[Mapping[str, Any]]) -> Column:
    """Return a column of the kind that its values have; one of nothing but nulls is a number."""
    kinds = {type(row[name]) for row in rows} - {type(None)}
    if kinds <= {int}:
        return Column(name, "whole" if kinds else "real")
    return Column(name, "real" if kinds <= {int, float, Decimal} else "text")


class _Tables:
    """The files being written."""

    def __init__(self, folder: Path, form: Form, unit: LengthUnit) -> None:
        self._paths = {table: folder / f"{table}.{form}" for table in COLUMNS}
        self._counts = dict.fromkeys(COLUMNS, 0)
        self._stack = ExitStack()
        self._files: list[BinaryIO] = []
        self._writers: dict[str, _Writer] = {}
        for table, path in self._paths.items():
            beside = unfinished(path)
            self._stack.callback(_gone, beside)
            file = cast("BinaryIO", self._stack.enter_context(beside.open("wb")))
            self._files.append(file)
            self._writers[table] = _WRITERS[form](file, columns(table, unit))

    def __enter__(self) -> Self:
        return self

    def add(self, table: str, row: Row) -> None:
        self._writers[table].add(row)
        self._counts[table] += 1

    def in_place(self) -> Written:
        for writer, file in zip(self._writers.values(), self._files, strict=True):
            writer.end()
            file.flush()
            os.fsync(file.fileno())
        for path in self._paths.values():
            put_in_place(unfinished(path), path)
        return {table: (path, self._counts[table]) for table, path in self._paths.items()}

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is not None:
            for writer in self._writers.values():
                writer.give_up()
        with suppress(OSError):  # a full disk has been told of already
            self._stack.close()


def _gone(beside: Path) -> None:
    beside.unlink(missing_ok=True)
