"""One session a bench: a lock that dies with its process, so that a second session is refused and a killed one is not
in the way."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from pathlib import Path
from typing import Self

from capture.plumbing.file_name import file_name
from capture.record import RecordError


class BenchLock:
    """Holds `bench` in `folder` for this process; raises RecordError naming who has it."""

    def __init__(self, folder: Path, bench: str) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path = folder / f"{file_name(bench)}.lock"
            # What lies there may be a link, or another name, of a file that is not ours to write to.
            self._file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK, 0o644), "r+")
            told = os.fstat(self._file.fileno())
            if not stat.S_ISREG(told.st_mode) or told.st_nlink != 1:
                self._file.close()
                raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
        except OSError as error:
            if error.errno == errno.ELOOP:
                raise RecordError(f"{path} is a link or no file; a lock is a file of its own: remove it") from error
            raise RecordError(f"cannot use the folder {folder}: {error.strerror}; give another --data-dir") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            self._file.seek(0)
            holder = self._file.read().strip() or "unknown"
            self._file.close()
            raise RecordError(
                f"bench {bench!r} is being measured already, by process {holder}; end that session, "
                "or give this one another --bench"
            ) from error
        self._file.truncate(0)
        self._file.write(f"{os.getpid()}\n")
        self._file.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()
