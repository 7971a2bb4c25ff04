"""The command `health`: exit codes, JSON, and OpenMetrics text that follows the specification."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.output.health_points import Health, HealthPoint
from capture.output.open_metrics import _HELP, open_metrics

AT = datetime(2026, 11, 28, 12, tzinfo=UTC)
#: The grammar of OpenMetrics 1.0.0, section 4.1, for what a gauge uses of it (read from memory: the text is not here).
_NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
_LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"'
_SAMPLE = re.compile(rf"({_NAME})(?:\{{((?:{_LABEL})(?:,{_LABEL})*)\}})? (-?[0-9]+(?:\.[0-9]+)?)")


def checked(text: str) -> dict[tuple[str, str], float]:
    """Return the samples of an OpenMetrics text, by family and labels, after holding it against the rules."""
    assert text.endswith("\n# EOF\n") and text.count("# EOF") == 1 and "\n\n" not in text and "\r" not in text
    samples: dict[tuple[str, str], float] = {}
    told: dict[str, dict[str, str]] = {}
    family, sampled = "", False
    for line in text.splitlines()[:-1]:
        if line.startswith("# "):
            _, what, name, words = line.split(" ", 3)
            if name != family:
                assert name not in told, "the lines of one family stand together"
                family, sampled, told[name] = name, False, {}
            assert not sampled and what in ("TYPE", "UNIT", "HELP") and what not in told[name]
            told[name][what] = words
            continue
        found = _SAMPLE.fullmatch(line)
        assert found is not None, line
        name, labels, value = found.groups()
        assert name == family, "a gauge's sample has the family's name"
        sampled = True
        assert (name, labels or "") not in samples, "no two samples of one family have the same labels"
        samples[name, labels or ""] = float(value)
    for name, about in told.items():
        assert about["TYPE"] == "gauge"
        unit = next((one for one in ("seconds", "bytes") if name.endswith(f"_{one}")), None)
        assert about.get("UNIT") == unit, "a unit is the end of the name"
    return samples


def strokelog(*words: str, code: int) -> str:
    done = CliRunner().invoke(app, ["health", *words])
    assert done.exit_code == code, (done.exit_code, done.output)
    return done.output


def test_health_is_openmetrics_text_and_json_and_nothing_is_written_unasked(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    told = json.loads(strokelog("--json", "--data-dir", str(folder), "--bench", "bay-1", code=0))
    assert list(folder.iterdir()) == []
    assert told["well"] is True and (told["of"], told["name"]) == ("bench", "bay-1")
    file = tmp_path / "bay-1.prom"
    file.write_text("the one before")
    strokelog("--metrics", str(file), "--data-dir", str(folder), "--bench", "bay-1", "--must-run", code=1)
    samples = checked(file.read_text())
    common = 'of="bench",name="bay-1"'
    assert samples["strokelog_well", common] == 0 and samples["strokelog_process_up", common] == 0
    assert samples["strokelog_point_well", f'{common},point="process"'] == 0
    assert samples["strokelog_disk_size_bytes", common] > 0
    assert [one.name for one in tmp_path.iterdir() if one.name != "data"] == ["bay-1.prom"]


def test_every_figure_has_its_help_and_names_from_outside_are_escaped() -> None:
    points = []
    for name in _HELP:
        known = ("last_stroke", "newest_head", "process", "head", "outbox", "link", "gauge", "disk", "clock",
                 "collecting", "queue", "refused", "broken", "benches", "plant", "months", "kept")  # fmt: skip
        point = next(one for one in known if name.startswith(f"{one}_"))
        points.append(HealthPoint(point, "", None, {name.removeprefix(f"{point}_"): 1.5}))
    points += [HealthPoint("link", "", True, {"up": 1}, {"link": one}) for one in ('the "old"\none', "c:\\port")]
    samples = checked(open_metrics(Health("bench", 'bay "1"\\\n', AT, points)))
    assert {name for name, _ in samples} >= {f"strokelog_{name}" for name in _HELP}
    assert samples["strokelog_looked_timestamp_seconds", r'of="bench",name="bay \"1\"\\\n"'] == AT.timestamp()
    assert ("strokelog_link_up", r'of="bench",name="bay \"1\"\\\n",link="the \"old\"\none"') in samples


def test_what_cannot_be_looked_at_is_exit_code_2(tmp_path: Path) -> None:
    strokelog("--config", str(tmp_path / "nothing.toml"), code=2)
    strokelog("collector", "--database", f"sqlite:///{tmp_path / 'none.sqlite'}", code=2)
    strokelog("board", "--listen", "nowhere", code=2)
    strokelog("--data-dir", str(tmp_path), "--metrics", str(tmp_path / "no" / "folder.prom"), code=2)


def test_a_board_that_does_not_answer_is_not_well() -> None:
    told = json.loads(strokelog("board", "--listen", "127.0.0.1:9", "--json", code=1))
    process = next(one for one in told["points"] if one["point"] == "process")
    assert process["well"] is False and process["up"] == 0


@pytest.mark.parametrize("journal", [True, False])
def test_lines_for_the_journal_begin_with_their_priority(journal: bool) -> None:
    """sd-daemon(3) and syslog(3): 3 is an error, 4 a warning; only where standard error is the journal's own stream
    (systemd.exec(5), JOURNAL_STREAM)."""
    with tempfile.TemporaryFile() as stream:
        own = os.fstat(stream.fileno())
        environment = os.environ | {"JOURNAL_STREAM": f"{own.st_dev}:{own.st_ino if journal else own.st_ino + 1}"}
        words = "from capture.plumbing.outward import warn; warn('one\\ntwo'); warn('three', error=True)"
        subprocess.run([sys.executable, "-c", words], stderr=stream, env=environment, check=True, timeout=90)
        stream.seek(0)
        said = stream.read().decode()
    assert said == ("<4>one\n<4>two\n<3>three\n" if journal else "one\ntwo\nthree\n")
