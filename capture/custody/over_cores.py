"""The checks of a record proven over all cores, a job at a time, and what was derived again already kept in a file, so
that the proof of a year can be broken off and gone on with. What is proven of a check is not known here.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cache
from itertools import groupby, islice
from multiprocessing.util import Finalize
from pathlib import Path
from typing import IO, Any, Final, Protocol, Self, TypeVar

from pydantic import TypeAdapter

import capture
import drivers
from capture.custody.measured_otherwise import MeasuredOtherwise
from capture.record import CheckEnded, Job, RecordError

Outcome = TypeVar("Outcome", covariant=True)


class Prover(Protocol[Outcome]):
    """What is asked about checks, and opened and closed in the process that it is asked in."""

    def __enter__(self) -> Self: ...
    def __exit__(self, *_: object) -> None: ...
    def __call__(self, ended: Sequence[CheckEnded]) -> Sequence[Outcome]:
        """Return what is to be said of each of these checks of one job."""
        ...


#: Below so many bytes of recordings a process more takes longer to begin than it saves.
_WORTH_IT_BYTES: Final = 1 << 26
#: So many jobs wait for each process.
_WAITING: Final = 4


@cache
def _software() -> str:
    """Return what tells one software that derives from another: a hash over all its files."""
    found = hashlib.sha256()
    for package in (capture, drivers):
        root = Path(next(iter(package.__path__)))
        for path in sorted(root.rglob("*.py")):
            found.update(f"{path.relative_to(root)}\0".encode() + path.read_bytes() + b"\0")
    return found.hexdigest()


@dataclass(frozen=True, slots=True)
class Said:
    """What is said beside the proof of a check, each time it is proven."""

    otherwise: tuple[MeasuredOtherwise, ...] = ()
    decided: bool = False
    """Whether it was given up though its recording comes to a verdict."""


_said = TypeAdapter(Said)


def _names(path: Path, told: bytes) -> Iterator[tuple[str, Said]]:
    for line in told.splitlines():
        try:
            one = json.loads(line or b"{}")
        except ValueError:
            one = {} if line.startswith(b'{"derived"') else None
        try:
            if not isinstance(one, dict) or not set(one) <= {"derived", "said"}:
                raise ValueError(line)
            yield str(one.get("derived", "")), _said.validate_python(one.get("said", {}))
        except ValueError:
            raise RecordError(f"{path} is no file of what was derived: {line[:40]!r}") from None


@cache
def names_before(path: Path, size: int) -> Mapping[str, Said]:
    """Return the names in the first so many bytes of a file of what was derived. Raises RecordError."""
    with path.open("rb") as file:
        return dict(_names(path, file.read(size)))


class Derived:
    """What was derived again and matched, by the hash of everything that it was derived from and by."""

    def __init__(self, path: Path) -> None:
        """Go on with the file at `path`, or begin it. Raises RecordError."""
        self._path = path
        try:
            told = path.read_bytes() if path.exists() else b""
            self._kept = {name for name, _ in _names(path, told)}
            self._file: IO[bytes] = path.open("ab")
            if told and not told.endswith(b"\n"):  # it was cut off as it was written
                self._file.write(b"\n")
        except OSError as error:
            raise RecordError(f"cannot keep what is derived in {path}: {error.strerror}") from error
        self.before = path, len(told)
        """The file, and how long it was when it was gone on with."""

    @staticmethod
    def name_of(job: Job, check: object, recording_sha256: str | None) -> str:
        """Return what a check's strokes and verdict are derived from, and by which software, as one hash."""
        told = (_software(), str(job.uuid), job.sheet_toml, check, recording_sha256)
        return hashlib.sha256(repr(told).encode()).hexdigest()

    def add(self, name: str, said: Said) -> None:
        """Keep that this was derived again and matched, and what is said beside it. Raises RecordError."""
        if name in self._kept:
            return
        self._kept.add(name)
        try:
            more = {} if said == Said() else {"said": _said.dump_python(said, mode="json")}
            self._file.write(json.dumps({"derived": name, **more}).encode() + b"\n")
            self._file.flush()
        except OSError as error:
            raise RecordError(f"cannot keep what is derived in {self._path}: {error.strerror}") from error

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def over_cores(
    prover: Callable[[], Prover[Outcome]], ended: Sequence[CheckEnded], processes: int
) -> Iterator[tuple[CheckEnded, Outcome]]:
    """Yield each check with what is made of it, in the order of the ledger.

    `prover` can be sent to another process, and makes there what is asked about the checks of one job that follow one
    another. In this process alone, where there is so little that others would not pay.
    """
    jobs = iter([list(some) for _, some in groupby(ended, key=lambda one: one.job)])
    if processes <= 1 or sum(one.recording_bytes or 0 for one in ended) < _WORTH_IT_BYTES:
        with prover() as prove:
            for some in jobs:
                yield from zip(some, prove(some), strict=True)
        return
    # Begun anew, not forked: a fork takes along whatever locks other threads hold.
    executor = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _begin, (prover,))
    try:
        waiting: deque[tuple[list[CheckEnded], Future[Sequence[Outcome]]]] = deque()
        while True:
            for some in islice(jobs, processes * _WAITING - len(waiting)):
                waiting.append((some, executor.submit(_ask, some)))
            if not waiting:
                return
            some, future = waiting.popleft()
            yield from zip(some, future.result(), strict=True)
    finally:
        executor.shutdown(cancel_futures=True)


_here: list[Prover[Any]] = []
"""What proves in a process that shares the work."""


def _begin(prover: Callable[[], Prover[Any]]) -> None:
    # Ctrl-C ends the proof in the process that hands out the work; this one has nothing to say about it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    opened = ExitStack()
    _here.append(opened.enter_context(prover()))
    # Not by `atexit`, which such a process does not come to.
    Finalize(None, opened.close, exitpriority=10)


def _ask(ended: list[CheckEnded]) -> Sequence[Any]:
    return _here[0](ended)
