"""What is there from the start costs a process nothing while it runs."""

from __future__ import annotations

import subprocess
import sys

_LOOKS = """
import gc, time
import capture.session.session
from capture.plumbing.long_lived import keep_for_good

def least_s():
    took = []
    for _ in range(5):
        begun = time.process_time()
        gc.collect()
        took.append(time.process_time() - begun)
    return min(took)

before = least_s()
keep_for_good()
after = least_s()
made = []
made.append(made)
del made
print(before / max(after, 1e-9), gc.get_freeze_count(), gc.collect())
"""


def test_a_collection_looks_no_more_at_what_was_there_at_the_start_and_still_at_what_came_later() -> None:
    done = subprocess.run([sys.executable, "-c", _LOOKS], capture_output=True, text=True, check=True, timeout=90)
    times, kept, collected = (float(word) for word in done.stdout.split())
    assert times > 20 and kept > 50_000 and collected >= 1
