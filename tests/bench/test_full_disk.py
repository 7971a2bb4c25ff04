"""A disk that fills up while a stroke is measured ends the check with a sentence, and what was said to be kept is."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from capture.record import Store

ROOT = Path(__file__).resolve().parents[2]
SENTENCE = "the disk is full: nothing of this stroke was kept, everything before it was"


@pytest.mark.parametrize("limit_kib", [140, 150])
@pytest.mark.parametrize("as_json", [True, False], ids=["json", "pipe"])
def test_a_full_disk_ends_the_check_with_a_sentence(tmp_path: Path, as_json: bool, limit_kib: int) -> None:
    words = ["run", "--auto", "--sheet", "fixtures/demo/workshop-forwarder.toml", "--driver", "line"]
    words += ["--port", "recording:fixtures/recordings/line-1000hz-mm-micron-short.jsonl"]
    words += ["--data-dir", str(tmp_path), *(["--json"] if as_json else [])]
    done = subprocess.run(
        ["bash", "-c", f'ulimit -f {limit_kib}; exec "$@"', "bash", sys.executable, "-m", "capture.cli", *words],
        cwd=ROOT, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith(f"strokelog: {SENTENCE} ({tmp_path}")
    with Store.open(tmp_path / "record.sqlite") as store:
        kept = sum(len(check.strokes) for job in store.jobs(9) for check in job.checks)
    if as_json:
        assert kept == sum(json.loads(line)["type"] == "stroke" for line in done.stdout.splitlines())
