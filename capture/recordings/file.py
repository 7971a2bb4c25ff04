"""Raw stream files: every byte a check received, with its time, as JSON Lines. Written as it arrives, read back
exactly. What the bytes mean is not known here.

    {"recording": 1, "started": "<RFC 3339>", "bench": "<id>", "indicator": {"driver": "<name>", ...}}
    [t_ns, "indicator" | "fixture" | "mark", data]

`data` is the received bytes as code points 0 to 255, so that an ASCII stream stays readable; for a mark it is
an object.

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
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, BinaryIO, Literal, cast

from pydantic import AwareDatetime, BaseModel, ConfigDict, ValidationError

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

__all__ = [
    "COMPRESSED",
    "FIXTURE_GAP_NOTE",
    "GAP_NOTE",
    "Entry",
    "Header",
    "RecordingError",
    "RecordingWarning",
    "RecordingWriter",
    "filed_as",
    "in_data_folder",
    "kept_at",
    "open_recording",
    "read_recording",
    "unpacked",
]

Source = Literal["indicator", "fixture", "mark"]
_SOURCES = ("indicator", "fixture", "mark")

#: The notes of the marks that a lost port leaves, so that a replay breaks the stream where the port did.
GAP_NOTE = "indicator lost"
FIXTURE_GAP_NOTE = "fixture lost"


#: What follows a recording's name once it is compressed.
COMPRESSED = ".gz"
_FOLDER = "recordings"
_GZIP_MAGIC = b"\x1f\x8b"


class RecordingError(Exception):
    """A recording cannot be read or written; the text names the file, the line, and what was expected."""


class RecordingWarning(UserWarning):
    """A recording is usable but for its end, which was cut off."""


class Header(BaseModel):
    """The first line of a recording."""

    model_config = ConfigDict(extra="allow")

    recording: Literal[1]
    started: AwareDatetime
    bench: str
    indicator: dict[str, Any]
    fixture: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One further line: `data` is bytes for a stream, a dict for a mark."""

    t_ns: int
    source: Source
    data: bytes
    mark: dict[str, Any] | None = None


class RecordingWriter:
    """Appends entries to a new recording. Each is handed to the system as it arrives, so that a killed daemon
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
        self._write(header)

    def _write(self, line: object) -> None:
        # A note typed in another encoding can hold half a surrogate pair: it becomes its JSON escape.
        data = json.dumps(line, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "backslashreplace") + b"\n"
        try:
            written = self._file.write(data)
        except OSError as error:
            raise RecordingError(f"cannot write to {self.path}: {error.strerror}; is the disk full?") from error
        if written != len(data):
            raise RecordingError(f"cannot write to {self.path}: the disk took only part of a line; is it full?")
        self._hash.update(data)
        self.size += len(data)

    def _time(self, t_ns: int) -> int:
        # Bytes and marks are stamped on different threads; the file's times must still never decrease.
        self._last_ns = max(self._last_ns, t_ns)
        return self._last_ns

    def stream(self, t_ns: int, source: Literal["indicator", "fixture"], data: bytes) -> int:
        """Record `data` received at `t_ns`; return the time as recorded."""
        time = self._time(t_ns)
        self._write([time, source, data.decode("latin-1")])
        return time

    def mark(self, t_ns: int, mark: dict[str, Any]) -> int:
        """Record a mark (job, pack, tech, note); return the time as recorded."""
        time = self._time(t_ns)
        self._write([time, "mark", mark])
        return time

    def seal(self) -> str:
        """Force everything written so far to the disk; return its SHA-256 as hex digits."""
        os.fsync(self._file.fileno())
        return self._hash.hexdigest()

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
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


def unpacked(file: BinaryIO) -> BinaryIO:
    """Return a file whose bytes are those of `file`, or those compressed in it; closing it closes `file`.

    Told by its first bytes, not by its name: a recording begins with a brace.
    """
    start = file.read(len(_GZIP_MAGIC))
    file.seek(0)
    return cast("BinaryIO", io.BufferedReader(_Unpacked(file), 1 << 16)) if start == _GZIP_MAGIC else file


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


def read_recording(path: Path) -> tuple[Header, Iterator[Entry]]:
    """Open a recording, compressed or not; return its header and an iterator over its entries, read as they are
    asked for.

    Raises RecordingError, naming the line, for anything malformed; warns with RecordingWarning about a last line
    that was cut off, and leaves it out.
    """
    try:
        file = open_recording(path)
        first = file.readline()
    except OSError as error:
        raise RecordingError(f"cannot read {path}: {error.strerror}") from error
    try:
        header = Header.model_validate(json.loads(first))
    except (ValueError, RecursionError) as error:
        file.close()
        reason = _first_reason(error)
        raise RecordingError(
            f"{path}, line 1: {reason}; expected a header such as "
            '{"recording": 1, "started": "2026-01-31T08:00:00Z", "bench": "1", "indicator": {"driver": "line"}}'
        ) from error
    if not isinstance(header.indicator.get("driver"), str):
        file.close()
        raise RecordingError(f'{path}, line 1: the indicator has no "driver"; expected such as {{"driver": "line"}}')
    return header, _entries(path, file)


def _first_reason(error: Exception) -> str:
    if isinstance(error, ValidationError):
        problem = error.errors()[0]
        where = ".".join(str(part) for part in problem["loc"])
        return f"{where}: {problem['msg']}" if where else str(problem["msg"])
    return "no JSON object"


def _lines(path: Path, file: BinaryIO) -> Iterator[bytes]:
    try:
        yield from file
    except OSError as error:
        raise RecordingError(f"cannot read {path}: {error.strerror}") from error


def _entries(path: Path, file: BinaryIO) -> Iterator[Entry]:
    with file:
        last_ns = 0
        for number, line in enumerate(_lines(path, file), start=2):
            try:
                entry = _entry(json.loads(line))
                if entry.t_ns < last_ns:
                    raise ValueError(f"time {entry.t_ns} is before {last_ns} of an earlier line")
            except (ValueError, RecursionError) as error:
                if not line.endswith(b"\n"):
                    warnings.warn(f"{path}, line {number}: cut off, left out", RecordingWarning, stacklevel=2)
                    return
                if not line.strip() and not file.readline():
                    return
                reason = (
                    "no JSON"
                    if isinstance(error, (json.JSONDecodeError, UnicodeDecodeError, RecursionError))
                    else str(error)
                )
                raise RecordingError(
                    f'{path}, line {number}: {reason}; expected such as [20000000, "indicator", "+1.234\\r\\n"]'
                ) from error
            last_ns = entry.t_ns
            yield entry


def _entry(line: object) -> Entry:
    if not isinstance(line, list) or len(line) != 3:
        raise ValueError("no list of time, source and data")
    t_ns, source, data = cast("list[object]", line)
    if not isinstance(t_ns, int) or isinstance(t_ns, bool) or t_ns < 0:
        raise ValueError(f"time {t_ns!r} is no whole number of nanoseconds")
    if source not in _SOURCES:
        raise ValueError(f"source {source!r} is none of indicator, fixture, mark")
    if source == "mark":
        if not isinstance(data, dict):
            raise ValueError("a mark's data is no object")
        return Entry(t_ns, "mark", b"", cast("dict[str, Any]", data))
    if not isinstance(data, str):
        raise ValueError("data is no text")
    try:
        return Entry(t_ns, cast("Source", source), data.encode("latin-1"))
    except UnicodeEncodeError as error:
        raise ValueError(f"data has the character {data[error.start]!r}, which is no byte 0 to 255") from error
