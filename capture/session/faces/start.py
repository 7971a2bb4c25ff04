"""Starts the process that measures at a bench, apart from the terminal that asked for it, or finds one that runs."""

from __future__ import annotations

import hashlib
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from socket import socket, socketpair

from capture.plumbing.file_name import file_name
from capture.plumbing.local_socket import reach, runtime_folder

#: Where systemd puts the folder of a bench's service (RuntimeDirectory=).
_SERVICES = Path("/run/strokelog")
_NAME = "faces.sock"


def place(bench: str, record: Path) -> Path:
    """Return where the faces of a bench's process come to. Two benches of one name, with two records, have two."""
    if os.environ.get("RUNTIME_DIRECTORY"):
        return runtime_folder(record.parent) / _NAME
    which = hashlib.sha256(os.fsencode(record.resolve()) + b"\0" + bench.encode()).hexdigest()[:8]
    return runtime_folder(record.parent) / f"{file_name(bench)[:40]}-{which}.sock"


def found(bench: str, record: Path, *, service: bool) -> socket | None:
    """Return a connection to the process that measures at a bench: this user's, or that of a `service`."""
    link = reach(place(bench, record))
    return reach(_SERVICES / file_name(bench) / _NAME) if link is None and service else link


def started(work: Callable[[socket], int], log: Path | None) -> socket:
    """Run `work` in a process of its own, which a terminal's end does not end; return the other end of its socket.

    What it writes goes to `log`, which is begun anew, or where this process writes. Call it from a single thread,
    outside any event loop. Raises OSError.
    """
    output = None
    if log is not None:
        log.parent.mkdir(parents=True, exist_ok=True)
        output = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    ours, theirs = socketpair()
    sys.stdout.flush()
    if os.fork() == 0:
        ours.close()
        _work(work, theirs, output)
    theirs.close()
    if output is not None:
        os.close(output)
    return ours


def _work(work: Callable[[socket], int], link: socket, output: int | None) -> None:
    code = 1
    try:
        os.setsid()
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        if output is not None:
            os.dup2(output, 1)
            os.dup2(output, 2)
        code = work(link)
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)
