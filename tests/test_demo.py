"""The demo: the whole job with no hardware, no broker installed and no settings, on a screen and in a pipe."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from terminal import Terminal

from capture.simulation.technician import TROUBLES

ROOT = Path(__file__).resolve().parent.parent


def demo(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "capture.cli", "demo", "--data-dir", str(tmp_path), *words]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=110)
    assert done.returncode == 0, done.stdout + done.stderr
    return done


def test_the_demo_goes_from_loose_to_good_and_its_replay_command_works(tmp_path: Path) -> None:
    out = demo(tmp_path, "--speed", "8").stdout
    assert "low: LOOSE: 1.37" in out
    assert "advice: Add 1 backing shim of 0.250 mm" in out
    assert out.count("GOOD:") == 3
    assert "verdicts: low good, high good, reverse good" in out
    assert "caution: Wear eye protection" in out
    command = next(line for line in out.splitlines() if line.startswith("Replay it:")).split("strokelog ")[1]
    again = subprocess.run(
        [sys.executable, "-m", "capture.cli", *command.split()], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert "GOOD:" in again.stdout and "repeatability" in again.stdout
    shown = subprocess.run(
        [sys.executable, "-m", "capture.cli", "show", "1", "--data-dir", str(tmp_path), "--json"],
        capture_output=True, text=True, cwd=ROOT, check=True,
    )  # fmt: skip
    job: dict[str, Any] = json.loads(shown.stdout)
    assert [check["verdict"]["verdict"] for check in job["checks"]] == ["loose", "good", "good", "good"]
    assert job["closed_at"] is not None


def test_every_kind_of_trouble_happens_with_troubles(tmp_path: Path) -> None:
    out = demo(tmp_path, "--speed", "8", "--troubles", "--json").stdout
    flags = {flag for line in out.splitlines() for flag in json.loads(line).get("flags", ())}
    assert set(TROUBLES) <= flags


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (200, 60)])
def test_the_demo_on_a_terminal_shows_a_verdict_and_leaves_it_clean(tmp_path: Path, columns: int, lines: int) -> None:
    with Terminal(columns, lines) as terminal:
        terminal.run("capture.cli", "demo", "--speed", "8", "--data-dir", str(tmp_path))
        terminal.wait_for("CAUTION")
        terminal.keys("Space")
        terminal.wait_for("STROKES")
        terminal.wait_for("0.900 to 1.300 mm")
        terminal.wait_for("Replay it:")
        terminal.wait_for_shell()
        assert "verdicts: low good, high good, reverse good" in terminal.text().replace("\n", "")
        assert terminal.format("#{alternate_on}") == "0"
        assert terminal.format("#{cursor_flag}") == "1"
        assert {"icanon", "echo"} <= set(terminal.settings())


def test_ctrl_c_in_the_demo_leaves_the_terminal_clean(tmp_path: Path) -> None:
    with Terminal(80, 24) as terminal:
        terminal.run("capture.cli", "demo", "--data-dir", str(tmp_path))
        terminal.wait_for("CAUTION")
        terminal.keys("Space")
        terminal.wait_for("STROKES")
        terminal.keys("C-c")
        terminal.wait_for_shell()
        assert "Traceback" not in terminal.text()
        assert terminal.format("#{alternate_on}") == "0"
        assert {"icanon", "echo"} <= set(terminal.settings())
