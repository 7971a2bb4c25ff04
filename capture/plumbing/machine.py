"""What the machine says of itself: the room on a disk, and whether a time service keeps its clock."""

from __future__ import annotations

import ctypes
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_TIME_ERROR: Final = 5  # adjtimex(2): the clock is not synchronised to a reliable server
_TIMEX_BYTES: Final = 512  # struct timex has 208; what is in it is not read


@dataclass(frozen=True, slots=True)
class DiskRoom:
    """How much a user may still write where `path` is, and how large that is."""

    path: Path
    free_bytes: int
    size_bytes: int


def disk_room(path: Path) -> DiskRoom:
    """Return the room where `path` is, or would be made. Raises OSError."""
    there = path.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    told = shutil.disk_usage(there)
    return DiskRoom(there, told.free, told.total)


def clock_synchronised() -> bool | None:
    """Return whether the kernel is told by a time service how right its clock is; None where it cannot be asked."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))  # modes = 0: it only reads
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR
