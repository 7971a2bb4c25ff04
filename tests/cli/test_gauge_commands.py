"""The commands about gauges: masters, a check from a recording and from a port, a study."""

from __future__ import annotations

import csv
import itertools
import json
import os
import re
import subprocess
import sys
import time
import tty
from dataclasses import astuple, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.clearance.advice import Change
from capture.clearance.gauge.facts import StudyMeasured
from capture.clearance.gauge.study_at_bench import open_study
from capture.cli.main import app
from capture.job.gauge_now import kept_with
from capture.record import Store
from capture.unit.facts import PartsChanged, SignedOff
from capture.unit.gauge_identity import Gauge
from tests.support.gauge_mornings import GAUGE, keep_morning
from tests.support.master_recording import MASTERS, write_masters
from tests.support.proven_record import AT, check_from, open_job

TWICE = [1_000_120] * 3 + [1_999_900]


def run(*words: str, code: int = 0) -> Any:
    done = CliRunner().invoke(app, ["gauge", *words])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data folder whose record knows two masters."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "none"))
    (tmp_path / "masters.toml").write_text(MASTERS)
    run("masters", str(tmp_path / "masters.toml"), "--data-dir", str(tmp_path), "--by", "A. Person")
    return tmp_path


def test_masters_are_listed_with_what_is_certified(home: Path) -> None:
    told = [json.loads(line) for line in run("masters", "--json", "--data-dir", str(home)).output.splitlines()]
    assert [(one["serial"], one["value_nm"]) for one in told] == [("GB-1", 1_000_120), ("GB-2", 1_999_900)]
    assert (
        "GB-1: gauge block 1.000 mm, certified 1.00012 mm ± 0.5 um (k = 2), C-17, until 2028-05-01"
        in run("masters", "--data-dir", str(home)).output
    )


def test_anyones_recording_can_be_put_through(home: Path) -> None:
    file = write_masters(home / "morning.jsonl", TWICE, error=lambda nm: 1500.0)
    told = json.loads(
        run("check", "--master", "GB-1", "--master", "GB-2", "--port", f"recording:{file}", "--json", "--data-dir",
            str(home)).output
    )  # fmt: skip
    assert told["type"] == "gauge_check" and told["result"] == "in order" and told["refused"] is None
    first, second = told["masters"]
    assert (first["serial"], first["repeats"], second["repeats"]) == ("GB-1", 3, 1)
    assert abs(first["error_nm"] - 1500) <= 2 * first["standard_uncertainty_nm"]
    assert told["entry"] is None  # nobody signed


@pytest.mark.parametrize(
    ("error_nm", "result", "code"), [(0, "in order", 0), (3800, "not shown", 0), (6000, "out", 3), (-6000, "out", 3)]
)
def test_the_exit_code_says_whether_the_gauge_is_out(home: Path, error_nm: int, result: str, code: int) -> None:
    file = write_masters(home / "morning.jsonl", [1_000_120] * 3, error=lambda nm: float(error_nm))
    done = run("check", "--master", "GB-1", "--port", f"recording:{file}", "--json", "--data-dir", str(home), code=code)
    assert json.loads(done.output)["result"] == result


def test_another_master_than_named_is_refused(home: Path) -> None:
    file = write_masters(home / "morning.jsonl", [1_100_000] * 3)
    done = run("check", "--master", "GB-1", "--port", f"recording:{file}", "--data-dir", str(home), code=1)
    assert "Refused: That is not the 1.000 mm gauge block GB-1, or it is dirty" in done.output


def test_a_stand_that_moved_is_refused(home: Path) -> None:
    file = write_masters(home / "morning.jsonl", [1_000_120] * 4, moved_nm=20_000)
    done = run("check", "--master", "GB-1", "--port", f"recording:{file}", "--json", "--data-dir", str(home), code=1)
    assert json.loads(done.output)["refused"]["code"] == "rest_moved"


def test_a_check_that_is_signed_is_kept_with_its_recording(home: Path) -> None:
    file = write_masters(home / "morning.jsonl", TWICE)
    words = ("check", "--master", "GB-1", "--master", "GB-2", "--port", f"recording:{file}", "--gauge", "DI-0413",
             "--by", "A. Person", "--json", "--data-dir", str(home))  # fmt: skip
    told = json.loads(run(*words).output)
    with Store.open(home / "record.sqlite") as store:
        entry = store.gauge_facts()[-1]
    assert (entry.number, entry.sha256) == (told["entry"], told["sha256"])
    assert entry.fact.by == "A. Person"
    assert (home / entry.fact.recording_path).read_bytes() == file.read_bytes()
    left = json.loads(run(*words, "--as-left").output)
    assert left["entry"] == told["entry"] + 1


def test_five_masters_up_and_down_say_how_straight_the_gauge_is(home: Path) -> None:
    values = [200_000, 600_000, 1_000_000, 1_400_000, 1_800_000]
    (home / "five.toml").write_text(
        "".join(
            f'[[masters]]\nserial = "GB-{n}"\nkind = "gauge block"\nvalue = "{nm / 1e6} mm"\n'
            f'expanded_uncertainty = "0.0003 mm"\ncertificate = "C-17"\n'
            for n, nm in enumerate(values)
        )
    )
    cycle = [*values, *reversed(values)]
    file = write_masters(home / "month.jsonl", cycle * 3, error=lambda nm: nm * 0.001)
    named = [word for n in range(5) for word in ("--master", f"GB-{n}")]
    done = run("check", *named, "--masters", str(home / "five.toml"), "--port", f"recording:{file}", "--json")
    told = json.loads(done.output)
    assert told["linearity"]["line"]["slope"] == pytest.approx(0.001, abs=3e-4)


def test_a_master_that_is_not_listed_is_answered_with_those_that_are(home: Path) -> None:
    done = run("check", "--master", "GB-9", "--port", "recording:x", "--data-dir", str(home), code=2)
    assert "no master 'GB-9'; there are: GB-1, GB-2" in done.output


def test_a_study_is_planned_and_worked_out_from_the_same_table(tmp_path: Path) -> None:
    plan = run("study", "--part", "C1", "--part", "C2", "--operator", "Ana", "--operator", "Bo, jr").output
    rows = list(csv.DictReader(plan.splitlines()))
    assert len(rows) == 8 and {row["operator"] for row in rows} == {"Ana", "Bo, jr"}
    table = tmp_path / "study.csv"
    table.write_text(plan)
    assert "8 left to measure" in run("study", "--csv", str(table), code=1).output
    with table.open("w") as file:
        writer = csv.DictWriter(file, ["part", "operator", "value"])
        writer.writeheader()
        for count, row in enumerate(rows):
            level = 1.1 + 0.2 * (row["part"] == "C2") + 0.01 * (row["operator"] == "Ana") + 0.001 * (count % 3)
            writer.writerow({**row, "value": level})
    told = json.loads(run("study", "--csv", str(table), "--json", "--tolerance", "0.4").output)
    assert told["type"] == "study"
    assert set(told) >= {
        "repeatability_sd",
        "reproducibility_sd",
        "interaction_sd",
        "part_sd",
        "grr_sd",
        "pooled",
        "dof",
    }
    assert told["grr_sd"] ** 2 == pytest.approx(told["repeatability_sd"] ** 2 + told["reproducibility_sd"] ** 2)
    assert told["of_tolerance"] == pytest.approx(6 * told["grr_sd"] / 0.4)
    said = run("study", "--csv", str(table)).output
    assert "2 technicians are 1 degree of freedom" in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a,b,c\n1,2,3\n", "expected the columns part,operator,value"),
        ("part,operator,value\nx,y,wide\n", "line 2: value 'wide' is no number"),
        ("part,operator,value\nx,y,nan\n", "is no number"),
        ("part,operator,value\n", "holds no rows"),
        ("part,operator,value\nx,y,1\nx,y,2\n", "1 parts and 1 operators"),
    ],
)
def test_a_table_that_is_no_study_says_why(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "t.csv").write_text(text)
    assert said in run("study", "--csv", str(tmp_path / "t.csv"), code=1).output


def test_a_study_for_the_bench_is_kept_and_says_how_far_it_is(home: Path) -> None:
    place = ("--gauge", "DI-0413", "--data-dir", str(home))
    assert "no study is planned" in run("study", *place).output
    said = run("study", "--part", "C1", "--part", "C2", "--operator", "Ana", "--operator", "Bo", "--at-bench",
               "--by", "foreman", *place).output  # fmt: skip
    assert "Planned: 8 checks with gauge DI-0413. At its bench, y leads through them" in said
    assert "0 of 8 are measured. Left: " in run("study", *place).output
    with Store.open(home / "record.sqlite") as store:
        going = open_study(store.gauge_facts(), "DI-0413")
        assert going is not None
        for n, cell in enumerate(going.cells):
            nm = 1_000_000 + 90_000 * (cell.part == "C2") + 1_000 * (n % 3)
            store.add_gauge_fact(
                StudyMeasured("DI-0413", going.number, *astuple(cell), 1, nm, 700.0, cell.operator), at=AT
            )
        measured = [one.fact for one in store.gauge_facts() if isinstance(one.fact, StudyMeasured)]
        store.add_gauge_fact(replace(going, measured=tuple(measured)).kept(), at=AT)
    told = json.loads(run("study", "--json", "--tolerance", "0.4", *place).output)
    assert told["type"] == "study" and 0 < told["grr_sd"] < 0.002 and told["of_tolerance"] < 0.03


def test_the_study_is_kept_for_its_gauge_in_nanometres(home: Path) -> None:
    table = home / "study.csv"
    table.write_text("part,operator,value\n" + "".join(
        f"{part},{who},{1 + 0.1 * (part == 'b') + 0.002 * (who == 'y') + 0.001 * trial}\n"
        for part in "ab" for who in "xy" for trial in range(2)
    ))  # fmt: skip
    told = json.loads(run("study", "--csv", str(table), "--unit", "mm", "--gauge", "DI-0413", "--by", "A. Person",
                          "--json", "--data-dir", str(home)).output)  # fmt: skip
    with Store.open(home / "record.sqlite") as store:
        kept = store.gauge_facts()[-1].fact
    assert kept.grr_nm == pytest.approx(told["grr_sd"] * 1e6)


def mornings(home: Path) -> int:
    """Fourteen mornings, one pack measured on the last, and a drop that the next morning finds; return its entry."""
    at = AT - timedelta(days=14)
    with Store.open(home / "record.sqlite") as store:
        for day in range(14):
            keep_morning(store, home, at + timedelta(days=day), max_error="0.020 mm", seed=day)
        job = open_job(store, 0, AT)
        gauge = kept_with(Gauge(GAUGE), store.gauge_facts(), "bay-1", AT - timedelta(minutes=90))
        check_from(store, home, job, "low", "line-10hz-mm-clean", AT - timedelta(minutes=30), gauge=gauge)
        store.close_job(job, at=AT)
        store.add_fact(job, SignedOff("foreman", "ready"), at=AT)
        return keep_morning(store, home, AT + timedelta(days=1), error=lambda nm: 45_000.0, max_error="0.020 mm")


def test_the_chart_lists_mornings_limits_events_and_who(home: Path) -> None:
    number = mornings(home)
    run("event", "DI-0413", "dropped", "--by", "B. Person", "--note", "off the bench", "--data-dir", str(home))
    said = run("chart", "DI-0413", "--data-dir", str(home)).output
    assert said.count("early shift") == 15 and "◇ look again, out" in said
    assert "-- dropped: off the bench (B. Person)" in said and "Usual" in said
    told = [json.loads(line) for line in run("chart", "DI-0413", "--json", "--data-dir", str(home)).output.splitlines()]
    assert told[-1]["entry"] == number and told[-1]["control"] == "look again" and told[0]["control"] == "too few"
    run("chart", "DI-0413", "--html", str(home / "chart.html"), "--data-dir", str(home))
    page = (home / "chart.html").read_text()
    assert page.count("<circle") == 30 and "early shift" in page and "http" not in page
    assert page.count(">dropped</text>") == 2 and "<b>dropped</b>: off the bench</td><td>B. Person" in page
    assert re.search(r">\+4[45]\.\d</text>", page)  # beyond the chart's edge, and named there
    assert page.count("stroke-dasharray") == 3  # level between two limits, spread below one
    run("chart", "DI-7", "--html", str(home / "none.html"), "--data-dir", str(home))
    assert "Not checked against a master yet." in (home / "none.html").read_text()
    assert "not checked against a master yet" in run("chart", "DI-7", "--data-dir", str(home)).output


def test_every_verdict_since_the_gauge_was_in_order_is_in_doubt(home: Path) -> None:
    mornings(home)
    done = CliRunner().invoke(app, ["gauge", "suspects", "DI-0413", "--json", "--data-dir", str(home)])
    (one,) = [json.loads(line) for line in done.output.splitlines()]
    assert one["signed_off"] and one["pack"] == "low"
    assert one["mean_nm"] - one["would_be_mean_nm"] == pytest.approx(45_000, abs=3_000)
    assert done.exit_code == (3 if one["would_be"] != one["verdict"] else 0)
    said = CliRunner().invoke(app, ["gauge", "suspects", "DI-0413", "--data-dir", str(home)]).output
    assert "1 verdicts since" in said and "SIGNED OFF" in said
    assert "nothing is in doubt" in run("suspects", "DI-7", "--data-dir", str(home)).output


def test_a_wrench_checked_on_a_transducer_is_kept_with_its_values(home: Path) -> None:
    words = ("instrument", "TW-7", "--kind", "torque wrench", "--reference", "TT-1", "--unit", "N m", "--due",
             "2027-05-01", "--by", "A. Person", "--data-dir", str(home))  # fmt: skip
    said = run(*words, "--value", "20:20.3", "--value", "50:49.2", "--limit", "1").output
    assert "torque wrench TW-7 is off by -0.8 N m at most: within its limit" in said
    assert "OUT of its limit" in run(*words, "--value", "50:49.2", "--limit", "0.5", code=3).output
    assert "--value 50: expected" in run(*words, "--value", "50", "--limit", "1", code=2).output


@pytest.mark.parametrize("word", ["droped", "b"])
def test_an_event_that_is_none_is_answered_with_those_there_are(home: Path, word: str) -> None:
    done = run("event", "DI-0413", word, "--by", "A. Person", "--data-dir", str(home), code=2)
    assert "expected one of: dropped, new tip, battery" in done.output


def test_at_a_port_it_says_what_to_do_next_and_ends_by_itself(home: Path) -> None:
    """A pty through pyserial, a hundred readings a second."""
    file = write_masters(home / "m.jsonl", TWICE, noise_nm=400.0)
    lines = [json.loads(line) for line in file.read_text().splitlines()[1:]]
    end, slave = os.openpty()
    tty.setraw(slave)
    config = home / "config.toml"
    config.write_text(
        f'data_dir = "{home}"\nbench = "bay-1"\ntechnician = "A. Person"\n[gauge]\nserial = "DI-0413"\n[indicator]\n'
        f'port = "{os.ttyname(slave)}"\ndriver = "line"\nresolution = "0.001 mm"\nmax_error = "0.004 mm"\n'
    )
    command = [sys.executable, "-m", "capture.cli", "gauge", "check", "--master", "GB-1", "--master", "GB-2", "--json"]
    command += ["--config", str(config)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None and "Tip on the anvil" in process.stderr.readline()
    for line in [*lines, *lines[-60:]]:
        for _ in range(2):
            os.write(end, line["indicator"].encode())
            time.sleep(0.015)
        if process.poll() is not None:
            break
    told, said = process.communicate(timeout=90)
    os.close(end)
    os.close(slave)
    found = json.loads(told)
    assert [one["repeats"] for one in found["masters"]] == [3, 1] and found["entry"] == 2
    assert "2 times more" in said and "Done." in said
    assert CliRunner().invoke(app, ["record", "verify", "--data-dir", str(home)]).exit_code == 0


def test_packs_that_were_checked_again_say_what_one_check_scatters_by(home: Path) -> None:
    """sd = sqrt(sum d^2 / 2n): the differences are those of the means that the record keeps."""
    words = ("study", "--pairs", "--gauge", GAUGE, "--json", "--data-dir", str(home))
    with Store.open(home / "record.sqlite") as store:
        job = open_job(store, 0, AT)
        for count in range(22):
            if count == 11:
                told = json.loads(run(*words).output)
                assert (told["pairs"], told["grr_sd_nm"], told["kept"]) == (10, None, False)
                parts = PartsChanged("low", (Change(0, "shim", 2, 3),), None, None, "first shift")
                store.add_fact(job, parts, at=AT + timedelta(minutes=count))  # no pair across a change
            name = ("line-10hz-mm-clean", "line-10hz-mm-creep")[count % 2]
            check_from(store, home, job, "low", name, AT + timedelta(minutes=count))
        means = [check.stands.mean_nm for check in store.job(job).checks if check.stands is not None]
    alone = ("study", "--gauge", GAUGE, "--data-dir", str(home))
    assert "20 packs were checked again, nothing changed: --pairs --by NAME" in " ".join(run(*alone).output.split())
    told = json.loads(run(*words, "--by", "A. Person").output)
    said = " ".join(run(*alone).output.split())
    assert "from 20 pairs in the record." in said and "--pairs" not in said
    pairs = [b - a for half in (means[:11], means[11:]) for a, b in itertools.pairwise(half)]
    assert told["pairs"] == len(pairs) == 20 and told["kept"]
    assert told["grr_sd_nm"] == pytest.approx((sum(one**2 for one in pairs) / 40) ** 0.5)
    with Store.open(home / "record.sqlite") as store:
        kept = store.gauge_facts()[-1].fact
    assert (kept.grr_nm, kept.grr_dof) == (pytest.approx(told["grr_sd_nm"]), 20)
