"""How long raw recordings are kept, and in which form: compressed after a while, removed by policy when nothing needs
them any more. What the record says of a recording decides, never the file alone.

Theory. A recording may be removed once its job is closed and signed off and nothing was said of it for the policy's
days; without a sign-off (or after a correction of it) only by the longer limit that has its own name, since the
recording is what a later sign-off would rest on. The newest jobs keep theirs whatever the clock says. Removing is two
steps: the ledger says so first, then the file goes; cut off in between, the file is there and proves as before.
Compressing writes beside, reads back, holds it against the hash in the ledger, renames, and only then removes the plain
file. A file that is not what the ledger holds is evidence: it is left alone and named. So is a file the record does not
know. Links are never followed: every step goes through the open folder the file was found in.
"""

from __future__ import annotations

import gzip
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO, Final, Literal, cast

from capture.clearance.gauge.facts import GaugeChecked
from capture.plumbing.durable import UNFINISHED, copy_into, holding
from capture.record import Audit, KeptRecording, Mismatch, RecordError, Store, audit
from capture.recordings.file import COMPRESSED, unpacked

#: gzip's own default: higher levels save some 5 % more for several times the work, measured on recordings.
_LEVEL: Final = 6
#: A check's file is made a moment before the record knows it.
_YOUNG: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Policy:
    """Days since a check ended (to compress) or since a job was last touched (to remove). None: never."""

    compress_after_days: int | None
    prune_after_days: int | None
    prune_unsigned_after_days: int | None
    keep_newest_jobs: int


@dataclass(frozen=True, slots=True)
class Action:
    """What was done to a recording, or why not. `bytes` is its size on the disk before, `saved` how much is free now.

    `stray`: no check of the record has it. `missing`: it is not where it belongs. `left`: it needs a person.
    """

    kind: Literal["pruned", "compressed", "stray", "missing", "left"]
    recording: str
    bytes: int = 0
    saved: int = 0
    why: str = ""


class _Left(Exception):
    """A file is left alone; the text says why."""


def keep_by_policy(
    record: Path, policy: Policy, *, at: datetime, dry_run: bool = False, waiting: Callable[[], None] = lambda: None
) -> Iterator[Action]:
    """Remove and compress what the policy says, one recording at a time, and yield what was done; with `dry_run`, what
    would be. `waiting` is called where a backup must end first.

    Raises RecordError: the record does not prove (then nothing is touched), or the disk failed (then what was yielded
    is done, and nothing is half done).
    """
    folder = record.parent / "recordings"
    if not folder.is_dir():
        return
    try:
        with holding(folder, alone=True, waiting=waiting), closing(_Folder(folder)) as opened:
            try:
                walked = audit(record)
            except Mismatch as mismatch:
                raise RecordError(
                    f"nothing was compressed or removed, since the record {record} does not prove: {mismatch}"
                ) from mismatch
            with Store.open(record) as store:
                yield from _Keeping(store, walked, opened, policy, at, dry_run).all()
    except OSError as error:
        raise RecordError(
            f"cannot keep the recordings in {folder} by policy: {error.strerror}; no recording was lost; is there "
            "room, and may this user write there?"
        ) from error


class _Folder:
    """The folder of recordings, held open. Nothing here follows a link out of it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._root = os.open(path, os.O_RDONLY | os.O_DIRECTORY)

    def close(self) -> None:
        os.close(self._root)

    @contextmanager
    def job(self, name: str) -> Iterator[int | None]:
        """Give the open folder of one job; None if there is none. Raises _Left for a link."""
        try:
            descriptor = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self._root)
        except FileNotFoundError:
            yield None
            return
        except OSError as error:
            raise _Left(
                f"{name} is a link or no folder ({error.strerror}); recordings are kept in plain folders"
            ) from (error)
        try:
            yield descriptor
        finally:
            os.close(descriptor)

    def all(self) -> Iterator[tuple[str, os.stat_result]]:
        """Yield every name in the folder of recordings and in its folders, with what it is itself."""
        for top in _names(self._root):
            found = os.stat(top, dir_fd=self._root, follow_symlinks=False)
            if not stat.S_ISDIR(found.st_mode):
                yield top, found
                continue
            with self.job(top) as job:
                for name in _names(job) if job is not None else ():
                    yield f"{top}/{name}", os.stat(name, dir_fd=job, follow_symlinks=False)


def _names(folder: int) -> list[str]:
    with os.scandir(folder) as found:
        return sorted(one.name for one in found)


def _size(job: int, name: str) -> int | None:
    """The size of a plain file; None if it is not there. Raises _Left for anything else."""
    try:
        found = os.stat(name, dir_fd=job, follow_symlinks=False)
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found.st_mode):
        raise _Left("it is a link or no plain file")
    return found.st_size


def _opened(job: int, name: str) -> BinaryIO:
    descriptor = os.open(name, os.O_RDONLY | os.O_NOFOLLOW, dir_fd=job)
    return cast("BinaryIO", os.fdopen(descriptor, "rb"))


def _sha256(job: int, name: str) -> str:
    """The hash of a recording's bytes as received; empty if it cannot be read."""
    try:
        with unpacked(_opened(job, name)) as file:
            return copy_into(file, None)[1]
    except OSError:
        return ""


def _beside(name: str) -> str:
    """The name of a recording's compressed form until it is whole."""
    return f".{name}{COMPRESSED}{UNFINISHED}"


@dataclass(frozen=True, slots=True)
class _Place:
    """A recording of the record, and where it belongs in the folder of recordings."""

    of: KeptRecording
    job: str
    name: str

    @property
    def label(self) -> str:
        return f"{self.job}/{self.name}"


class _Keeping:
    """One pass over the recordings of a record."""

    def __init__(
        self, store: Store, walked: Audit, folder: _Folder, policy: Policy, at: datetime, dry_run: bool
    ) -> None:
        self._store = store
        self._folder = folder
        self._policy = policy
        self._at = at
        self._dry_run = dry_run
        # What ended after the walk is too young for any policy.
        self._sealed = {one.check: one.recording_sha256 for one in walked.ended}
        self._pruned = walked.pruned

    def all(self) -> Iterator[Action]:
        recordings = self._store.recordings()
        jobs = sorted({one.job for one in recordings}, reverse=True)
        newest = set(jobs[: self._policy.keep_newest_jobs])
        known: set[str] = set()
        places: list[_Place] = []
        for one in recordings:
            top, job, name = ("", "", *Path(one.path).parts)[-3:]
            if top == "recordings" and not job.startswith(".") and not name.startswith("."):
                places.append(_Place(one, job, name))
                known.add(places[-1].label)
        # Verdicts rest on what was found of a gauge, and a check of one is small: its recording stays.
        facts = (entry.fact for entry in self._store.gauge_facts())
        known |= {"/".join(Path(one.recording_path).parts[-2:]) for one in facts if isinstance(one, GaugeChecked)}
        # Removing first: it makes the room that compressing needs.
        going = [(place, "" if place.of.job in newest else self._may_go(place.of)) for place in places]
        for place, why in sorted(going, key=lambda one: not one[1]):
            action = self._told(place, why)
            if action is not None:
                yield action
        yield from self._strays(known)

    def _told(self, place: _Place, why: str) -> Action | None:
        """Remove one recording, if there is a reason, or compress it if it is time; say what was done."""
        if place.of.check not in self._sealed:
            return None  # it is being measured
        try:
            with self._folder.job(place.job) as opened:
                forms = (place.name, place.name + COMPRESSED)
                if opened is None or all(_size(opened, one) is None for one in forms):
                    return None if place.of.check in self._pruned else Action("missing", place.label)
                return self._prune(opened, place, why) if why else self._compress(opened, place)
        except _Left as left:
            return Action("left", place.label, why=str(left))

    # -- removing ----------------------------------------------------------------------------------------

    def _may_go(self, one: KeptRecording) -> str:
        """Why the policy lets a recording go; empty if it does not."""
        if one.state == "measuring" or one.job_closed_at is None:
            return ""
        signed = one.job_signed_off
        name = "prune_after_days" if signed else "prune_unsigned_after_days"
        days: int | None = getattr(self._policy, name)
        if days is None or self._at - one.job_said_at < timedelta(days=days):
            return ""
        what = "signed off" if signed else "closed, and never signed off"
        return f"its job was {what}, last touched {one.job_said_at:%Y-%m-%d}; {name} = {days}"

    def _prune(self, job: int, place: _Place, why: str) -> Action:
        recording, name = place.of, place.name
        there = {one: size for one in (name, name + COMPRESSED) if (size := _size(job, one)) is not None}
        sealed, said = self._sealed[recording.check], self._pruned.get(recording.check)
        for one in there:
            sha256 = _sha256(job, one)
            expected = sealed or said
            if expected is not None and sha256 != expected:
                raise _Left(f"{one} is not what the record holds; it was not removed; run `strokelog record verify`")
        if not self._dry_run:
            if said is None:
                self._store.add_pruned(recording.check, recording_sha256=sha256, reason=why, at=self._at)
            for one in (*there, _beside(name)):
                with suppress(FileNotFoundError):
                    os.unlink(one, dir_fd=job)
            os.fsync(job)
        total = sum(there.values())
        return Action("pruned", place.label, total, total, why)

    # -- compressing -------------------------------------------------------------------------------------

    def _compress(self, job: int, place: _Place) -> Action | None:
        recording, name = place.of, place.name
        days, ended = self._policy.compress_after_days, recording.ended_at
        before = _size(job, name)
        if before is None or days is None or ended is None or self._at - ended < timedelta(days=days):
            return None
        sha256, sealed = _sha256(job, name), self._sealed[recording.check]
        if sealed not in (None, sha256):
            raise _Left("it is not what the record holds; it was not compressed; run `strokelog record verify`")
        packed = name + COMPRESSED
        if self._dry_run:
            return Action("compressed", place.label, before)
        if _size(job, packed) is None or _sha256(job, packed) != sha256:
            self._pack(job, name, sha256)
        os.unlink(name, dir_fd=job)
        os.fsync(job)
        return Action("compressed", place.label, before, before - (_size(job, packed) or 0))

    def _pack(self, job: int, name: str, sha256: str) -> None:
        packed = name + COMPRESSED
        beside = _beside(name)
        with suppress(FileNotFoundError):
            os.unlink(beside, dir_fd=job)  # of a pass that was cut off
        try:
            self._write(job, name, beside)
            if _sha256(job, beside) != sha256:
                raise _Left("its compressed form does not read back as it is; is the disk sound?")
            os.rename(beside, packed, src_dir_fd=job, dst_dir_fd=job)
        except BaseException:
            with suppress(OSError):
                os.unlink(beside, dir_fd=job)
            raise
        os.fsync(job)

    def _write(self, job: int, name: str, beside: str) -> None:
        with _opened(job, name) as plain:
            like = os.fstat(plain.fileno())
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
            with os.fdopen(os.open(beside, flags, stat.S_IMODE(like.st_mode), dir_fd=job), "wb") as file:
                # Neither name nor time inside: the same recording gives the same file.
                with gzip.GzipFile("", "wb", _LEVEL, file, mtime=0) as packing:
                    copy_into(plain, cast("BinaryIO", packing))
                file.flush()
                os.utime(file.fileno(), ns=(like.st_atime_ns, like.st_mtime_ns))
                os.fsync(file.fileno())

    # -- what nobody knows -------------------------------------------------------------------------------

    def _strays(self, known: set[str]) -> Iterator[Action]:
        for label, found in self._folder.all():
            folder, _, name = label.rpartition("/")
            ours = name.removeprefix(".").removesuffix(UNFINISHED)
            plain = f"{folder}/{ours}".removesuffix(COMPRESSED)
            old = self._at.timestamp() - found.st_mtime >= _YOUNG.total_seconds()
            if plain not in known and old:
                yield Action("stray", label, found.st_size, why="no check of the record has it")
