"""The commands as a person or a pipe uses them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from capture.record import Store
from tests.support.command import run_command
from tests.support.samples import open_job

ROOT = Path(__file__).resolve().parents[2]
RECORDINGS = ROOT / "fixtures" / "recordings"
SHEET = ROOT / "fixtures" / "demo" / "workshop-forwarder.toml"
CLEAN = RECORDINGS / "line-10hz-mm-clean.jsonl"


def strokelog(*words: str, stdin: bytes = b"", code: int = 0, **environment: str) -> subprocess.CompletedProcess[bytes]:
    done = run_command(*words, stdin=stdin, **environment)
    assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
    assert b"Traceback" not in done.stderr
    return done


def lines(done: subprocess.CompletedProcess[bytes]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_decode_gives_one_object_a_reading_and_counts_what_is_no_frame() -> None:
    words = [sys.executable, "-m", "capture.cli", "decode", "--driver", "line"]  # a process of its own, on true pipes
    given = b"+0.0235 in\r\nrubbish\r\n1.25 mm\r\n"
    done = subprocess.run(words, input=given, capture_output=True, cwd=ROOT, timeout=60, check=True)
    assert lines(done) == [
        # NIST SP 811 app. B: 1 in = 25.4 mm exactly.
        {"value_nm": 596_900, "unit": "in", "flags": []},
        {"value_nm": 1_250_000, "unit": "mm", "flags": []},
    ]
    assert b"bytes were no frame" in done.stderr


def test_decode_of_nothing_ends_with_one() -> None:
    strokelog("decode", "--driver", "line", stdin=b"rubbish\r\n", code=1)


def test_an_indicator_whose_resolution_is_in_inches_displays_inches() -> None:
    done = strokelog("decode", "--driver", "line", "--set", "resolution=0.0005 in", stdin=b"0.0500\n")
    assert lines(done) == [{"value_nm": 1_270_000, "unit": "in", "flags": []}]


def test_decode_takes_settings() -> None:
    words = ["decode", "--driver", "counts", "--set", "scale=0.0005 in", "--set", "unit=in"]
    done = strokelog(*words, "--set", 'range=["0 in", "0.5 in"]', stdin=b"200\n2000\n")
    assert lines(done) == [
        {"value_nm": 2_540_000, "unit": "in", "flags": []},
        {"value_nm": 25_400_000, "unit": "in", "flags": ["out_of_range"]},
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["decode", "--driver", "telepathy"], "no indicator driver 'telepathy'; there are: bcd13"),
        (["decode", "--driver", "counts"], "'counts' needs it"),
        (["decode", "--driver", "line", "--set", "colour=red"], "colour: is no setting; there are: unit"),
        (["decode", "--driver", "line", "--set", "unit"], "expected KEY=VALUE"),
        (["decode", "--driver", "line", "--set", "resolution=fine"], "cannot be read as a length"),
        (["run"], "no build sheet"),
        (["run", "--sheet", str(SHEET)], "no port"),
        (["run", "--sheet", str(SHEET), "--port", "x", "--pack", "third"], "no pack 'third'"),
        (["run", "--sheet", str(SHEET), "--port", "x", "--broker", "http://x"], "no broker address"),
        (["replay", str(CLEAN), "--pack", "low"], "--pack needs --sheet"),
        (["replay", str(CLEAN), "--sheet", str(SHEET)], "choose with --pack: low, high, reverse"),
    ],
)
def test_wrong_words_end_with_two_and_say_what_was_expected(words: list[str], said: str) -> None:
    assert said in strokelog(*words, code=2).stderr.decode()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["replay", "nowhere.jsonl"], "cannot read nowhere.jsonl"),
        (["replay", str(SHEET)], "line 1: no JSON; expected a header"),
        (["sheet", "check", "nowhere.toml"], "nowhere.toml"),
        (["sheet", "check", str(CLEAN)], "no TOML"),
        (["jobs", "--data-dir", "/nowhere"], "there is no record at /nowhere/record.sqlite yet"),
        (["run", "--config", "nowhere.toml"], "there is no such settings file"),
    ],
)
def test_bad_files_end_with_one_and_say_which(words: list[str], said: str) -> None:
    assert said in strokelog(*words, code=1).stderr.decode()


def test_replay_prints_strokes_and_a_verdict_to_the_letter_of_the_contract() -> None:
    found = lines(strokelog("replay", str(CLEAN), "--sheet", str(SHEET), "--pack", "low", "--json"))
    *strokes, verdict = found
    assert [one["n"] for one in strokes] == [1, 2, 3, 4, 5]
    assert [one["accepted"] for one in strokes] == [False, True, True, True, True]
    for one in strokes:
        assert {
            "type", "n", "start_ns", "end_ns", "released_nm", "peak_travel_nm", "held_travel_nm", "rise_ns", "creep_nm",
            "return_error_nm", "flags", "accepted",
        } <= set(one)  # fmt: skip
        whole = [name for name in one if name.endswith(("_ns", "_nm"))]
        assert all(type(one[name]) is int for name in whole)
    assert {
        "type", "verdict", "mean_nm", "expanded_uncertainty_nm", "coverage", "strokes", "low_nm", "high_nm", "advice",
    } <= set(verdict)  # fmt: skip
    assert (verdict["type"], verdict["verdict"], verdict["strokes"]) == ("verdict", "good", 4)
    assert (verdict["low_nm"], verdict["high_nm"]) == (900_000, 1_300_000)


def test_with_fewer_than_two_strokes_the_verdict_is_inconclusive_without_a_number_and_says_why(tmp_path: Path) -> None:
    header, *rest = CLEAN.read_text().splitlines(keepends=True)
    short = tmp_path / "short.jsonl"
    short.write_text(header + "".join(line for line in rest if json.loads(line)["ns"] < 6_000_000_000))
    verdict = lines(strokelog("replay", str(short), "--sheet", str(SHEET), "--pack", "low", "--json"))[-1]
    assert (verdict["type"], verdict["verdict"], verdict["mean_nm"]) == ("verdict", "inconclusive", None)
    assert verdict["strokes"] < 2 and "at least 2 strokes" in verdict["next_step"] and verdict["advice"] == []
    assert (verdict["low_nm"], verdict["high_nm"]) == (900_000, 1_300_000)


def test_replay_without_a_sheet_counts_every_sound_stroke() -> None:
    found = lines(strokelog("replay", str(CLEAN), "--json"))
    assert [one["type"] for one in found] == ["stroke"] * 5
    assert all(one["accepted"] for one in found)


def test_a_loose_pack_is_told_which_part_to_change(tmp_path: Path) -> None:
    sheet = tmp_path / "tighter.toml"
    sheet.write_text(
        SHEET.read_text().replace('["0.90 mm", "1.30 mm"]', '["0.70 mm", "1.00 mm"]').replace("1.10 mm", "0.85 mm")
    )
    verdict = lines(strokelog("replay", str(CLEAN), "--sheet", str(sheet), "--pack", "low", "--json"))[-1]
    assert verdict["verdict"] == "loose"
    best = verdict["advice"][0]
    assert best["changes"] == [{"adjuster": 0, "kind": "shim", "from": 2, "to": 3}]
    assert best["predicted_nm"] == verdict["mean_nm"] - 250_000
    assert best["in_range_probability"] > 0.95


def test_explain_prints_the_budget() -> None:
    out = strokelog("replay", str(CLEAN), "--sheet", str(SHEET), "--pack", "low", "--explain").stdout.decode()
    for word in ("repeatability", "resolution", "triangular", "coverage factor", "degrees of freedom", "guard band"):
        assert word in out.lower()


def test_a_recording_cut_off_in_mid_line_is_measured_with_a_warning(tmp_path: Path) -> None:
    cut = tmp_path / "cut.jsonl"
    cut.write_bytes(CLEAN.read_bytes()[:-7])
    done = strokelog("replay", str(cut), "--json")
    assert len(lines(done)) == 5
    assert b"cut off, ignored" in done.stderr


def test_a_recording_with_settings_from_elsewhere_is_still_measured(tmp_path: Path) -> None:
    header, rest = CLEAN.read_text().split("\n", 1)
    other = json.loads(header)
    other["indicator"]["colour"] = "red"
    path = tmp_path / "other.jsonl"
    path.write_text(json.dumps(other) + "\n" + rest)
    done = strokelog("replay", str(path), "--json")
    assert len(lines(done)) == 5
    assert b"settings not used: colour" in done.stderr


def test_replay_at_a_pace_takes_its_time_and_changes_nothing(tmp_path: Path) -> None:
    slow = strokelog("replay", str(CLEAN), "--speed", "20", "--json")
    assert slow.stdout == strokelog("replay", str(CLEAN), "--json").stdout


def test_check_sheet_shows_what_the_sheet_asks_for() -> None:
    out = strokelog("sheet", "check", str(SHEET), COLUMNS="160").stdout.decode()
    assert "0.900 mm to 1.300 mm" in out and "backing shim" in out and "140 ± 10 kPa gauge" in out
    assert lines(strokelog("sheet", "check", str(SHEET), "--json"))[0]["packs"][0]["name"] == "low"


def test_the_settings_file_and_the_environment_are_read_and_checked(tmp_path: Path) -> None:
    config = tmp_path / "config.toml"
    config.write_text('bench = "bay-1"\ncolour = "red"\n')
    assert (
        "colour: is no setting; there are: shared, bench"
        in strokelog("run", "--config", str(config), code=1).stderr.decode()
    )
    config.write_text('bench = "bay-1\n')
    assert "no TOML" in strokelog("run", "--config", str(config), code=1).stderr.decode()
    place = tmp_path / "strokelog"
    place.mkdir()
    (place / "config.toml").write_text(f'data_dir = "{tmp_path}/elsewhere"\n')
    said = strokelog("jobs", code=1, XDG_CONFIG_HOME=str(tmp_path)).stderr.decode()
    assert f"{tmp_path}/elsewhere/record.sqlite" in said
    said = strokelog("jobs", code=1, XDG_CONFIG_HOME=str(tmp_path), STROKELOG_DATA_DIR="/other").stderr.decode()
    assert "/other/record.sqlite" in said


def test_a_reader_that_leaves_a_pipe_is_no_error() -> None:
    command = f"{sys.executable} -m capture.cli replay {CLEAN} --json | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, cwd=ROOT)
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["report", "abc"], "expected a whole number, such as 7"),
        (["record", "export", "--format", "xml"], "'xml' is not one of 'csv', 'parquet'"),
        (["listen", "--seconds", "abc"], "expected a number, such as 2.5"),
        (["unit", "step", "1", "1", "--by", "x", "--wait", "0.1"], "expected at least 1"),
    ],
)
def test_a_wrong_argument_is_told_in_words_for_people(words: list[str], said: str) -> None:
    error = " ".join(strokelog(*words, code=2).stderr.decode().split())
    assert said in error
    for phrase in ("Input should be", "Value error", "unable to parse"):
        assert phrase not in error


def test_what_a_step_still_needs_is_told_with_its_option(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        open_job(store, sheet_toml=SHEET.read_text())
    where = ["--data-dir", str(tmp_path)]
    soak = strokelog("unit", "step", "1", "1", "--by", "Ana", *where, code=1).stderr.decode()
    assert "begin it first, or say how long it lasted (--begin or --lasted)" in soak
    torque = strokelog("unit", "step", "1", "3", "--by", "Ana", *where, code=1).stderr.decode()
    assert "say what torque was reached (--value, or --wrench to read it)" in torque
    nobody = strokelog("unit", "step", "1", "2", "--by", " ", *where, code=1).stderr.decode()
    assert "say who does it (--by)" in nobody
    missing = strokelog("show", "9", *where, code=1).stderr.decode()
    assert "`strokelog jobs` lists those there are" in missing
