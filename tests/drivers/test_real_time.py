"""What keeps a valve runs before everything else on its computer, where that is allowed; refused, it runs all the same.

Policies and limits: sched(7), sched_setscheduler(2), mlockall(2), getrlimit(2), proc_pid_status(5).
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

from drivers.real_time import PRIORITY
from tests.support.attacked_bench import ROOT, attacked_bench
from tests.support.lines_fixture import LinesFixture

#: What a process is granted, under limits and without privilege where these are given, and what its child then has.
_ASK = """
import json, os, resource, sys
sys.path.insert(0, sys.argv[1])
from drivers.real_time import run_before_others, stay_in_memory
if limits := [int(one) for one in sys.argv[2:]]:
    for which, most in zip((resource.RLIMIT_RTPRIO, resource.RLIMIT_MEMLOCK), limits, strict=True):
        resource.setrlimit(which, (most, most))
    if os.geteuid() == 0:
        os.setuid(65534)
asked = run_before_others(), stay_in_memory()
if os.fork() == 0:
    print(json.dumps([*asked, os.sched_getscheduler(0), os.sched_getparam(0).sched_priority]), flush=True)
    os._exit(0)
os.wait()
"""


def _granted(*limits: int) -> list[object]:
    words = [sys.executable, "-I", "-c", _ASK, str(ROOT), *map(str, limits)]
    found: list[object] = json.loads(subprocess.run(words, stdout=subprocess.PIPE, check=True).stdout)
    return found


def _held_kib(pid: int) -> int:
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return int(status["VmLck"].split()[0])


def test_a_user_who_may_have_no_real_time_goes_on_without() -> None:
    assert _granted(0, 65_536) == [False, False, os.SCHED_OTHER, 0]


def test_a_service_gets_of_it_what_its_unit_allows_without_a_capability() -> None:
    """As systemd/strokelog@.service does by LimitMEMLOCK and its part strokelog@.real-time.conf by LimitRTPRIO."""
    real_time = min(PRIORITY, resource.getrlimit(resource.RLIMIT_RTPRIO)[1])
    memory = resource.getrlimit(resource.RLIMIT_MEMLOCK)[1]
    policy = os.SCHED_RR if real_time else os.SCHED_OTHER
    assert _granted(real_time, memory) == [bool(real_time), memory == resource.RLIM_INFINITY, policy, real_time]


async def test_the_keeper_and_the_guard_of_a_line_have_it_and_the_bench_has_not(tmp_path: Path) -> None:
    _, held, policy, priority = _granted()
    async with attacked_bench(tmp_path, "lines") as bay:
        await bay.say("arm")
        keeper = int((await bay.hear("armed"))[0])
        assert isinstance(bay.fixture, LinesFixture)
        for pid in (keeper, bay.fixture.guard()):
            assert (os.sched_getscheduler(pid), os.sched_getparam(pid).sched_priority) == (policy, priority)
            assert (_held_kib(pid) > 0) == held
        assert os.sched_getscheduler(bay.process.pid) == os.SCHED_OTHER
