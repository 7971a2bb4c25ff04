"""Kills a piece of work (SIGKILL) before each step in turn with which it changes the disk: opening a file to write,
forcing one to the disk, renaming, removing, making a folder, opening a database. Python's audit events (PEP 578) tell
of them wherever they are called from. And ends a disk's room for a piece of work.
"""

from __future__ import annotations

import itertools
import os
import resource
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator
from typing import Any, NoReturn

_CHANGING = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.truncate", "os.link", "sqlite3.connect"}


_left = 0


def step() -> None:
    """Count a step that Python has no event for; the work calls it itself."""
    global _left
    _left -= 1
    if _left == 0:
        os.kill(os.getpid(), signal.SIGKILL)


def _die_before(number: int) -> None:
    global _left
    _left = number

    def hook(event: str, args: tuple[Any, ...]) -> None:
        written = event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        if event in _CHANGING or written:
            step()

    def forced(descriptor: int) -> None:
        step()  # and that is all: a killed process leaves what it wrote, forced or not, and a test need not wait

    os.fsync = forced
    sys.addaudithook(hook)


def in_a_child(work: Callable[[], object]) -> int:
    """Run `work` in a process of its own; return how it ended, as `os.waitstatus_to_exitcode` says it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # threads of a numerics library: the child needs none
        child = os.fork()
    if child == 0:
        _run(work)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _run(work: Callable[[], object]) -> NoReturn:
    try:
        work()
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def killed_before_each_step(begin: Callable[[int], Callable[[], object]]) -> Iterator[int]:
    """Run the work that `begin(step)` gives, killed before its first step, then before its second, and so on; yield the
    step after each. Ends after the work got through, which must have been well."""
    for number in itertools.count(1):
        work = begin(number)

        def dying(number: int = number, work: Callable[[], object] = work) -> None:
            _die_before(number)
            work()

        ended = in_a_child(dying)
        assert ended in (0, -signal.SIGKILL)
        yield number
        if ended == 0:
            return


def with_room_for(size: int, work: Callable[[], object]) -> Callable[[], None]:
    """Return `work` such that no file can grow beyond `size` bytes: what a full disk does (EFBIG instead of ENOSPC)."""

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        work()

    return limited
