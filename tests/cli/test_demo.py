"""The demo: the whole job with no hardware, no broker installed and no settings, on a screen and in a pipe."""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import chain
from pathlib import Path
from typing import Any

from capture.clearance.gauge.guided import GuidedCheck
from capture.clearance.gauge.master_check import REPEATS
from capture.clearance.gauge.masters import load_masters
from capture.custody.verify import verify
from capture.recordings.stream import IndicatorStream, indicator_from
from capture.simulation.scenario import DEMO_BENCH, DEMO_INDICATOR, DEMO_MASTER, DEMO_SEED, DEMO_SLIDES
from capture.simulation.simulated_bench import SimulatedBench
from capture.simulation.technician import TROUBLES
from tests.support.command import run_command
from tests.support.terminal import Terminal

ROOT = Path(__file__).resolve().parents[2]


def demo(tmp_path: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "capture.cli", "demo", "--data-dir", str(tmp_path), *words]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=110)
    assert done.returncode == 0, done.stdout + done.stderr
    return done


def test_the_demo_goes_from_the_first_check_to_signed_off_with_one_shim_and_one_ring_changed(tmp_path: Path) -> None:
    out = demo(tmp_path, "--speed", "8").stdout
    assert "low: LOOSE: 1.3" in out and "high: TIGHT: 0.7" in out
    assert "advice: Add 1 backing shim of 0.250 mm" in out
    assert "advice: Change the snap ring from 3.00 mm to 2.80 mm" in out
    assert "The change in low came out as predicted" in out and "The change in high came out as predicted" in out
    assert out.count("GOOD:") == 3
    assert "verdicts: low good, high good, reverse good; signed off as a demonstration by Ana" in out
    assert "caution: Wear eye protection" in out
    told = {line.split(":")[0]: line.split("strokelog ")[1].split() for line in out.splitlines() if ": " in line
            and "strokelog " in line}  # fmt: skip
    again = {name: strokelog(words) for name, words in told.items()}  # as they are printed
    assert "GOOD:" in again["Replay it"] and "repeatability" in again["Replay it"]
    assert "PROVEN" in again["Prove it"] and "5 verdicts" in again["Prove it"]
    assert "Signed off as a demonstration, which releases no unit, by Ana." in again["Its steps"]
    assert "parts of low changed by Ana: backing shim 2 to 3" in again["Look at it"]
    listed = strokelog(["jobs", "--data-dir", str(tmp_path)], COLUMNS="220")
    assert "demonstration, by Ana" in listed
    job: dict[str, Any] = json.loads(strokelog([*told["Look at it"], "--json"]))
    assert [check["verdict"]["verdict"] for check in job["checks"]] == ["loose", "good", "tight", "good", "good"]
    assert [fact["type"] for fact in job["facts"]] == [
        *("step_done", "parts_changed", "parts_changed"), *["step_done"] * 3, "signed_off",
    ]  # fmt: skip
    assert {fact["by"] for fact in job["facts"]} == {"Ana"}
    assert job["closed_at"] is not None
    proof = verify(tmp_path / "record.sqlite")
    assert (proof.mismatch, proof.verdicts) == (None, 5)


def strokelog(words: list[str], **environment: str) -> str:
    done = run_command(*words, **environment)
    assert done.returncode == 0, done.stderr
    return done.stdout.decode()


def test_every_kind_of_trouble_happens_with_troubles(tmp_path: Path) -> None:
    out = demo(tmp_path, "--speed", "8", "--troubles", "--json").stdout
    told = [json.loads(line) for line in out.splitlines()]
    assert set(TROUBLES) <= {flag for one in told for flag in one.get("flags", ())}
    assert [one["pack"] for one in told if one["type"] == "parts_changed"] == ["low", "high"]
    outcomes = [one["outcome"] for one in told if one.get("outcome")]
    assert len(outcomes) == 2 and all("came out as predicted" in text for text in outcomes)
    assert told[-1]["type"] == "signed_off" and told[-1]["by"] == "Ana"
    # One stroke of low loses travel while it is held: said beside its verdict, in the jobs, and in the report.
    (judged,) = [one for one in told if one["type"] == "verdict" and (one["pack"], one["verdict"]) == ("low", "good")]
    said = {remark["code"]: remark["text"] for remark in judged["remarks"]}
    assert "If it comes again, the seal leaks." in said["leak_once"]
    kept = ["--data-dir", str(tmp_path)]
    listed = " ".join(strokelog(["jobs", *kept], COLUMNS="220").split())
    assert "low good and the seal leaks?, high good" in listed
    assert "1 of 6 strokes fell away while held" in strokelog(["show", "1", *kept])
    proof = verify(tmp_path / "record.sqlite")
    assert (proof.mismatch, proof.abandoned) == (None, 1)


def test_the_demo_on_a_terminal_shows_a_verdict_and_leaves_it_clean(tmp_path: Path) -> None:
    with Terminal(80, 24) as terminal:
        terminal.run("capture.cli", "demo", "--speed", "8", "--data-dir", str(tmp_path))
        terminal.wait_for("CAUTION")
        terminal.keys("Space")
        terminal.wait_for("STROKES")
        terminal.wait_for("0.900 to 1.300 mm")
        terminal.wait_for("Replay it:")
        terminal.wait_for_shell()
        assert "reverse good; signed off as a demonstration by Ana" in " ".join(terminal.text().split())
        assert terminal.format("#{alternate_on}") == "0"
        assert terminal.format("#{cursor_flag}") == "1"
        assert {"icanon", "echo"} <= set(terminal.settings())


def test_the_gauge_of_the_demo_is_checked_in_under_five_seconds() -> None:
    # With a start of a second and a half and the cautions before it, its result stands within ten of the command.
    driver, settings, _ = indicator_from(dict(DEMO_INDICATOR))
    stream, guided = IndicatorStream(driver, settings), GuidedCheck(load_masters(ROOT / "fixtures/demo/masters.toml"))
    bench = SimulatedBench(DEMO_BENCH, DEMO_MASTER, DEMO_SEED)
    slides = bench.check(DEMO_MASTER, REPEATS, seated=True, technician=DEMO_SLIDES)
    for t_ns, data in chain(slides, bench.rest(300_000_000)):
        for stroke in stream.feed(t_ns, data)[1]:
            guided.take(stroke)
    assert guided.done and bench.t_ns < 5_000_000_000
    assert [stroke.flags for stroke in guided.strokes] == [()] * 3


def test_ctrl_c_in_the_demo_leaves_the_terminal_clean(tmp_path: Path) -> None:
    with Terminal(200, 60) as terminal:
        terminal.run("capture.cli", "demo", "--speed", "8", "--data-dir", str(tmp_path))
        terminal.wait_for("CAUTION")
        terminal.keys("Space")
        terminal.wait_for("STROKES")
        terminal.wait_for("0.900 to 1.300 mm")
        terminal.keys("C-c")
        terminal.wait_for_shell()
        assert "Traceback" not in terminal.text()
        assert terminal.format("#{alternate_on}") == "0"
        assert {"icanon", "echo"} <= set(terminal.settings())
