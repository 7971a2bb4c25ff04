"""Raw stream files: every byte a check received, with its time, as JSON Lines. Written as it arrives, read back
exactly. What the bytes mean is not known here.

    {"recording": 2, "started": "<RFC 3339>", "bench": "<id>", "indicator": {"driver": "<name>", ...}}
    {"ns": 17773790, "indicator": "+3.00 mm\r\n"}

`ns` counts nanoseconds since `started` and never decreases. Beside it stands exactly one of `indicator` and `fixture`,
the received bytes as code points 0 to 255, so that an ASCII stream stays readable, and `mark`, an object.

A recording that was put away is the same bytes as gzip (RFC 1952) under the same name with `.gz` after it. Everything
that reads one goes through `open_recording`, which takes either.
"""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import json
import os
import warnings
import zlib
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, Any, BinaryIO, Literal, cast

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

from capture.plumbing.durable import DISK_FULL
from capture.plumbing.wrong_values import wrong_values

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

__all__ = [
    "AIR_OFF_NOTE",
    "COMPRESSED",
    "FIXTURE_GAP_NOTE",
    "FORM",
    "GAP_NOTE",
    "Header",
    "LineReader",
    "MalformedError",
    "RecordedLine",
    "RecordingError",
    "RecordingWarning",
    "RecordingWriter",
    "begin_reading",
    "filed_as",
    "in_data_folder",
    "kept_at",
    "lines_of",
    "open_recording",
    "part_read",
    "read_recording",
    "unpacked",
]

#: The form of recordings that is written and read; a header names it.
FORM = 2
Source = Literal["indicator", "fixture", "mark"]
_SOURCES = ("indicator", "fixture", "mark")
#: The latest time a line can have: what 64 bits hold, 292 years after a check began.
_LATEST_NS = 2**63 - 1
#: How much of what stands in a malformed line its error quotes.
_SHOWN = 40

#: The notes of the marks that a lost port leaves, so that a replay breaks the stream where the port did.
GAP_NOTE = "indicator lost"
FIXTURE_GAP_NOTE = "fixture lost"
#: The note of the mark that a technician leaves who was asked whether the air was on when the check began.
AIR_OFF_NOTE = "the air was off at the start"


#: What follows a recording's name once it is compressed.
COMPRESSED = ".gz"
_FOLDER = "recordings"
_GZIP_MAGIC = b"\x1f\x8b"


class RecordingError(Exception):
    """A recording cannot be read or written; the text names the file, the line, and what was expected."""


class RecordingWarning(UserWarning):
    """A recording is usable but for its end, which was cut off."""


class MalformedError(Exception):
    """A line is no line of a recording; the text says why, but not where it stands."""


class _NoJSONError(MalformedError):
    """It is not even JSON, as a line that was cut off."""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    told = dict(pairs)
    if len(told) != len(pairs):
        raise MalformedError("a key is there twice")
    return told


def _no_number(name: str) -> object:
    raise MalformedError(f"{name} is no number of JSON")


_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
_json = json.JSONDecoder(object_pairs_hook=_object, parse_constant=_no_number)


def _line_of(text: str) -> bytes:
    # A note typed in another encoding can hold half a surrogate pair: it becomes its JSON escape.
    return text.encode("utf-8", "backslashreplace") + b"\n"


def _decode(raw: bytes) -> object:
    try:
        return _json.decode(raw.decode("utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _NoJSONError("no JSON") from error
    except ValueError as error:
        raise MalformedError("a number has too many digits") from error


class Header(BaseModel):
    """The first line of a recording."""

    model_config = ConfigDict(extra="allow")

    recording: Literal[2]
    started: AwareDatetime
    bench: str
    indicator: dict[str, Any]
    fixture: dict[str, Any] | None = None
    gauge: dict[str, Any] | None = None
    """Which gauge it is, and what its check against a master said, where a verdict rests on one."""


@dataclass(frozen=True, slots=True)
class RecordedLine:
    """One further line: `data` is bytes for a stream, a dict for a mark."""

    t_ns: int
    source: Source
    data: bytes
    mark: dict[str, Any] | None = None


class RecordingWriter:
    """Appends lines to a new recording. Each is handed to the system as it arrives, so that a killed daemon
    loses none; `seal` forces them to the disk and returns the hash of all that was written."""

    def __init__(self, path: Path, header: dict[str, Any]) -> None:
        """Create `path` (it must not exist yet) and write the header; raises RecordingError if that fails."""
        self.path = path
        self._hash = hashlib.sha256()
        self._last_ns = 0
        self.size = 0
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[bytes] = path.open("xb", buffering=0)
        except OSError as error:
            raise RecordingError(f"cannot write a recording to {path}: {error.strerror}") from error
        self.append(_line_of(_encode(header)))

    def append(self, data: bytes) -> None:
        """Hand whole lines to the system. Raises RecordingError; `size` then counts what of them is in the file."""
        try:
            written = self._file.write(data)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):  # the last is a limit on this process's files
                raise RecordingError(f"{DISK_FULL} ({self.path})") from error
            raise RecordingError(f"cannot write to {self.path}: {error.strerror}") from error
        self._hash.update(data[:written])
        self.size += written
        if written != len(data):  # the rest found no room; a reader leaves out a line that was cut off
            raise RecordingError(f"{DISK_FULL} ({self.path})")

    def _time(self, t_ns: int) -> int:
        # Bytes and marks are stamped on different threads; the file's times must still never decrease.
        self._last_ns = max(self._last_ns, t_ns)
        return self._last_ns

    def stream_line(self, t_ns: int, source: Literal["indicator", "fixture"], data: bytes) -> tuple[int, bytes]:
        """Return the time to record `data` of `t_ns` with, and the line of it; `append` writes it, in this order."""
        time = self._time(t_ns)
        return time, _line_of(f'{{"ns":{time},"{source}":{_encode(data.decode("latin-1"))}}}')

    def mark_line(self, t_ns: int, mark: dict[str, Any]) -> tuple[int, bytes]:
        """Return the same for a mark."""
        time = self._time(t_ns)
        return time, _line_of(f'{{"ns":{time},"mark":{_encode(mark)}}}')

    def stream(self, t_ns: int, source: Literal["indicator", "fixture"], data: bytes) -> int:
        """Record `data` received at `t_ns`; return the time as recorded."""
        time, line = self.stream_line(t_ns, source, data)
        self.append(line)
        return time

    def mark(self, t_ns: int, mark: dict[str, Any]) -> int:
        """Record a mark (job, pack, tech, note); return the time as recorded."""
        time, line = self.mark_line(t_ns, mark)
        self.append(line)
        return time

    def seal(self) -> str:
        """Force everything written so far to the disk; return its SHA-256 as hex digits. Raises RecordingError."""
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise RecordingError(f"cannot force {self.path} to the disk: {error.strerror}") from error
        return self._hash.hexdigest()

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def filed_as(kept: str) -> str | None:
    """Return where in a data folder a recording belongs, as recordings/JOB/NAME, from its path as a record keeps it:
    below the data folder, or (records of earlier versions) from the root of the disk of the bench that wrote it.

    None for a path that no bench writes: such a name leads nowhere.
    """
    # Not by pathlib: it keeps every part it ever saw in memory, and an export goes through all of them.
    parts = kept.split("/")[-3:]
    whole = len(parts) == 3 and parts[0] == _FOLDER and all(part and not part.startswith(".") for part in parts)
    return "/".join(parts) if whole and "\0" not in kept else None


def in_data_folder(data_dir: Path, kept: str) -> Path:
    """Return the path in `data_dir` of the recording that a record keeps as `kept`, whether a file is there or not.

    Wherever the record was first made, only its own data folder is looked into: a folder that was restored is proven
    by what is in it. The file may have been compressed since (`kept_at`).
    """
    filed = filed_as(kept)
    return data_dir / (filed if filed is not None else f"{_FOLDER}/{PurePosixPath(kept).name or '-'}")


def kept_at(path: Path) -> Path | None:
    """Return the file that holds the recording named `path` now: itself, or its compressed form; None if neither is
    there."""
    for place in (path, path.with_name(path.name + COMPRESSED)):
        if place.is_file():
            return place
    return None


class _Unpacked(io.RawIOBase):
    """The bytes in a gzip file. Whatever is wrong with it is an OSError, as with any file."""

    def __init__(self, packed: BinaryIO) -> None:
        self._packed = packed
        self._unpacking = gzip.GzipFile(fileobj=packed, mode="rb")

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer) -> int:
        try:
            return self._unpacking.readinto(buffer)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise OSError(errno.EIO, f"its compressed form is damaged ({error})") from error

    def close(self) -> None:
        self._packed.close()
        super().close()

    @property
    def packed(self) -> BinaryIO:
        return self._packed


def unpacked(file: BinaryIO) -> BinaryIO:
    """Return a file whose bytes are those of `file`, or those compressed in it; closing it closes `file`.

    Told by its first bytes, not by its name: a recording begins with a brace.
    """
    start = file.read(len(_GZIP_MAGIC))
    file.seek(0)
    return cast("BinaryIO", io.BufferedReader(_Unpacked(file), 1 << 16)) if start == _GZIP_MAGIC else file


def part_read(file: BinaryIO) -> float:
    """Return how much of a recording that `open_recording` opened was read, as a part of its bytes on the disk."""
    raw = getattr(file, "raw", None)
    on_disk = raw.packed if isinstance(raw, _Unpacked) else file
    return on_disk.tell() / max(1, os.fstat(on_disk.fileno()).st_size)


def open_recording(path: Path) -> BinaryIO:
    """Open the recording named `path` to read its bytes as they were received, whether it was compressed since or not.

    Raises OSError; a damaged compressed file raises it where the damage is reached.
    """
    try:
        return unpacked(path.open("rb"))
    except FileNotFoundError:
        compressed = path.with_name(path.name + COMPRESSED)
        if not compressed.is_file():
            raise
        return unpacked(compressed.open("rb"))


class LineReader:
    """Reads the lines of one recording after its header, each where it stands among them."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._number = 1
        self.last_ns = 0
        """The time of the newest line."""

    def fill(self, file: BinaryIO, free: memoryview) -> int:
        """Read what there is room for of the file's bytes; return how many, 0 at its end. Raises RecordingError."""
        try:
            return cast("io.BufferedIOBase", file).readinto(free)
        except OSError as error:
            raise RecordingError(f"cannot read {self._path}: {error.strerror}") from error

    def lines(self, file: BinaryIO) -> Iterator[bytes]:
        """Yield the file's lines. Raises RecordingError."""
        try:
            yield from file
        except OSError as error:
            raise RecordingError(f"cannot read {self._path}: {error.strerror}") from error

    def line(self, raw: bytes) -> RecordedLine:
        """Return a line wherever it may stand. Raises MalformedError."""
        return _line(_decode(raw))

    def next(self, raw: bytes) -> RecordedLine | None:
        """Return the next line; None, with a RecordingWarning, where the last was cut off. Raises RecordingError."""
        self._number += 1
        try:
            line = self.line(raw)
            if line.t_ns < self.last_ns:
                raise MalformedError(f"time {line.t_ns} is before {self.last_ns} of an earlier line")
        except MalformedError as error:
            # No object is whole before its last brace, so a line that was cut off is never JSON.
            if isinstance(error, _NoJSONError) and not raw.endswith(b"\n"):
                warnings.warn(f"{self._path}, line {self._number}: cut off, ignored", RecordingWarning, stacklevel=2)
                return None
            raise RecordingError(
                f"{self._path}, line {self._number}: {error}; expected such as "
                '{"ns": 20000000, "indicator": "+1.234\r\n"}'
            ) from error
        self.last_ns = line.t_ns
        return line

    def passed(self, lines: int, last_ns: int) -> None:
        """So many lines were read otherwise, the last of this time."""
        self._number += lines
        self.last_ns = last_ns


def begin_reading(path: Path) -> tuple[Header, BinaryIO, LineReader]:
    """Open a recording, compressed or not; return its header, the file behind that, and what reads its lines.

    Raises RecordingError.
    """
    try:
        file = open_recording(path)
        first = file.readline()
    except OSError as error:
        raise RecordingError(f"cannot read {path}: {error.strerror}") from error
    try:
        header = Header.model_validate(_decode(first))
    except (MalformedError, ValidationError) as error:
        file.close()
        raise RecordingError(
            f"{path}, line 1: {_reason(error)}; expected a header such as "
            '{"recording": 2, "started": "2026-01-31T08:00:00Z", "bench": "1", "indicator": {"driver": "line"}}'
        ) from error
    if not isinstance(header.indicator.get("driver"), str):
        file.close()
        raise RecordingError(f'{path}, line 1: the indicator has no "driver"; expected such as {{"driver": "line"}}')
    return header, file, LineReader(path)


def _reason(error: Exception) -> str:
    return wrong_values(error)[0] if isinstance(error, ValidationError) else str(error)


def read_recording(path: Path) -> tuple[Header, Generator[RecordedLine, None, None]]:
    """Open a recording, compressed or not; return its header and an iterator over its lines, read as they are
    asked for.

    Raises RecordingError, naming the line, for anything malformed; warns with RecordingWarning about a last line
    that was cut off, and leaves it out.
    """
    header, file, reader = begin_reading(path)
    return header, lines_of(file, reader)


def lines_of(file: BinaryIO, reader: LineReader) -> Generator[RecordedLine, None, None]:
    """Yield the lines of a recording that was begun to be read, and close it. Raises RecordingError as `next` does."""
    with file:
        for raw in reader.lines(file):
            line = reader.next(raw)
            if line is None:
                return
            yield line


def _line(told: object) -> RecordedLine:
    if not isinstance(told, dict):
        raise MalformedError("no object")
    line = cast("dict[str, object]", told)
    t_ns = line.pop("ns", None)
    if type(t_ns) is not int or t_ns < 0:
        told_ns = repr(t_ns)[:_SHOWN] if t_ns is not None else "missing"
        raise MalformedError(f'"ns" is {told_ns}, no whole number of nanoseconds')
    if t_ns > _LATEST_NS:
        raise MalformedError(f"its time is beyond {_LATEST_NS} ns, the latest there is")
    if len(line) != 1:
        raise MalformedError(f'not exactly one of {", ".join(_SOURCES)} beside "ns"')
    source, data = line.popitem()
    if source == "mark":
        if not isinstance(data, dict):
            raise MalformedError("a mark is no object")
        return RecordedLine(t_ns, "mark", b"", cast("dict[str, Any]", data))
    if source not in _SOURCES:
        raise MalformedError(f"{repr(source)[:_SHOWN]} is none of {', '.join(_SOURCES)}")
    if not isinstance(data, str):
        raise MalformedError(f"the bytes of the {source} are no text")
    try:
        return RecordedLine(t_ns, cast("Source", source), data.encode("latin-1"))
    except UnicodeEncodeError as error:
        raise MalformedError(
            f"the {source} sent the character {data[error.start]!r}, which is no byte 0 to 255"
        ) from error
