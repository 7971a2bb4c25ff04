"""Asks the operating system to run a process that keeps a valve before all others, and to leave it in memory.

A process among many may wait a tenth of a second and more for its turn, one of real time (sched(7)) only for its like.
What is asked for may be refused; that changes nothing but how late the process can be on a busy computer.
"""

from __future__ import annotations

import ctypes
import os
import resource
from contextlib import suppress
from typing import Final

#: The lowest priority there is is before every process that has none.
PRIORITY: Final = 1
#: mlockall(2): the pages there are, those to come, and these only once they are used.
_CURRENT, _FUTURE, _ONFAULT = 1, 2, 4


def run_before_others() -> bool:
    """Ask for real time for this thread, and for the threads and processes that it begins; return if it was granted."""
    # Looked up first: a service may be ended for a system call that its unit has not been given.
    with suppress(AttributeError, OSError):  # no Linux system, or refused
        if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_RTPRIO)[0] >= PRIORITY:
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(PRIORITY))
            return True
    return False


def stay_in_memory() -> bool:
    """Ask that nothing of this process be swapped out, for itself alone; return whether that was granted.

    Where only so much may be held it is not asked for: what a process needs beyond that would then be refused to it.
    """
    with suppress(AttributeError, OSError):
        if os.geteuid() == 0 or resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == resource.RLIM_INFINITY:
            held: int = ctypes.CDLL(None).mlockall(_CURRENT | _FUTURE | _ONFAULT)
            return held == 0
    return False
