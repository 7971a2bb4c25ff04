"""What may be left out of an installation: a bench works without all of it, and what is missing is said in one sentence
with the command that installs it."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

from capture.cli.extras import EXTRAS
from tests.support.proven_record import make_record

ROOT = Path(__file__).resolve().parents[2]
SHEET = ROOT / "fixtures" / "demo" / "workshop-forwarder.toml"
RECORDING = ROOT / "fixtures" / "recordings" / "line-1000hz-mm-micron-short.jsonl"
EVERY_MODULE = sorted(module for _, modules in EXTRAS.values() for module in modules)


def command(words: tuple[object, ...], without: list[str]) -> list[str]:
    """The command where some modules are not to be found: for Python they are as if never installed."""
    hidden = f"import sys; sys.modules.update(dict.fromkeys({without!r}))"
    start = f"{hidden}\nfrom capture.cli.main import main\nsys.exit(main())"
    return [sys.executable, "-c", start, *map(str, words)]


def strokelog(*words: object, without: list[str], code: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(command(words, without), cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    return done


def test_a_bench_measures_with_none_of_them(tmp_path: Path) -> None:
    words = (
        "run", "--sheet", SHEET, "--port", f"recording:{RECORDING}", "--driver", "line", "--pack", "low", "--json",
        "--set", "resolution=0.001 mm", "--data-dir", tmp_path,
    )  # fmt: skip
    measuring = subprocess.Popen(command(words, EVERY_MODULE), stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert measuring.stdout is not None
        live = [json.loads(measuring.stdout.readline()) for _ in range(3)]
    finally:
        measuring.terminate()
        measuring.communicate(timeout=90)
    assert [one["type"] for one in live] == ["stroke"] * 3
    assert "low" in strokelog("show", 1, "--data-dir", tmp_path, without=EVERY_MODULE).stdout
    strokelog("record", "verify", "--data-dir", tmp_path, without=EVERY_MODULE)


def test_a_record_is_shown_proven_signed_and_kept_with_none_of_them(tmp_path: Path) -> None:
    home = tmp_path / "bench"
    home.mkdir()
    make_record(home)

    def bench(*words: object) -> str:
        return strokelog(*words, "--data-dir", home, without=EVERY_MODULE).stdout

    assert '"bench": "bay-1"' in bench("jobs", "--json")
    assert "GOOD: " in bench("show", 1, "--explain")
    assert "PROVEN" in bench("record", "verify")
    assert "open: " in bench("unit", "steps", 2)
    bench("unit", "plan", 2)
    assert "strokes.csv" in bench("record", "export", "--out", tmp_path / "tables")
    assert "Proven" in bench("record", "backup", tmp_path / "copy")
    strokelog("sheet", "check", SHEET, without=EVERY_MODULE)
    strokelog("replay", RECORDING, "--sheet", SHEET, "--pack", "low", without=EVERY_MODULE)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("demo", ["demo"]),
        ("paper", ["report", "1"]),
        ("web", ["board", "--web", "--broker", "mqtt://127.0.0.1:9"]),
        ("postgres", ["collect", "--broker", "mqtt://127.0.0.1:9", "--database", "postgresql://x@127.0.0.1:9/x"]),
        ("parquet", ["record", "export", "--format", "parquet"]),
        ("plant", ["run", "--sheet", str(SHEET), "--port", f"recording:{RECORDING}"]),
        ("keyboard", ["listen", "input:/dev/input/by-id/none-event-kbd"]),
    ],
)
def test_what_is_missing_is_said_with_the_command_that_installs_it(
    extra: str, words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    what, modules = EXTRAS[extra]
    if extra == "plant":
        monkeypatch.setenv("STROKELOG_PLANT__URL", "mqtt://127.0.0.1:9")
        monkeypatch.setenv("STROKELOG_PLANT__GROUP", "forestry")
    said = strokelog(*words, without=list(modules), code=2).stderr
    assert said == (
        f"strokelog: {what} needs {' and '.join(modules)}, not installed here; "
        f"this installs it: {sys.executable} -m pip install 'strokelog[{extra}]'\n"
    )


def test_the_extras_are_those_of_the_project_and_a_bench_requires_none() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    assert set(extras) == {*EXTRAS, "all", "test"}
    assert extras["all"] == [f"strokelog[{','.join(EXTRAS)}]"] and "strokelog[all]" in extras["test"]
    names = packages_distributions()

    def distributions(requirements: list[str]) -> set[str]:
        return {one.replace("[", ">").split(">")[0].lower() for one in requirements}

    for extra, (_, modules) in EXTRAS.items():
        brought = {names[module.partition(".")[0]][0].lower().replace("_", "-") for module in modules}
        assert brought == distributions(extras[extra])
        assert brought.isdisjoint(distributions(project["dependencies"]))
