"""A socket in the file system, for processes of one machine: who may reach it is the folder's and the file's mode.

A path of a socket has 108 bytes at most (unix(7)); folders of people are longer. So it is reached from its folder, by
`/proc/self/fd`.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import socket
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_BACKLOG = 16


def runtime_folder(otherwise: Path) -> Path:
    """Return where sockets of this user's processes lie: the service's folder, the user's, or `otherwise`."""
    if service := os.environ.get("RUNTIME_DIRECTORY"):
        return Path(service.split(":")[0])
    if user := os.environ.get("XDG_RUNTIME_DIR"):
        return Path(user) / "strokelog"
    return otherwise


def reach(path: Path) -> socket.socket | None:
    """Return a connection to whoever listens at `path`, None where nobody does or this user may not."""
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        with _beside(path) as near:
            link.connect(near)
    except OSError:
        link.close()
        return None
    return link


def listen_at(path: Path, group: str = "") -> socket.socket:
    """Return a socket that listens at `path`, for this user alone (0600) or for a group's (0660).

    What a process that was killed left there is cleared away, but only where nobody answers: raises ConnectionError
    where somebody does, or where the place cannot be used.
    """
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with _beside(path, alone=True) as near:
            if other := reach(path):
                other.close()
                raise ConnectionError(f"another process answers at {path} already")
            with suppress(FileNotFoundError):
                if not stat.S_ISSOCK(os.lstat(near).st_mode):
                    raise ConnectionError(f"{path} is no socket; remove it")
                Path(near).unlink()
            before = os.umask(0o177)
            try:
                listener.bind(near)
            finally:
                os.umask(before)
            if group:
                shutil.chown(near, group=group)
                Path(near).chmod(0o660)
            listener.listen(_BACKLOG)
    except LookupError as error:
        listener.close()
        raise ConnectionError(f"there is no group {group!r} on this machine: {error}") from error
    except OSError as error:
        listener.close()
        if isinstance(error, ConnectionError):
            raise
        raise ConnectionError(f"cannot listen at {path}: {error.strerror or error}") from error
    return listener


@contextmanager
def _beside(path: Path, *, alone: bool = False) -> Iterator[str]:
    """Give a short path of the same socket; `alone`: no two processes clear one folder at a time."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        if alone:
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
