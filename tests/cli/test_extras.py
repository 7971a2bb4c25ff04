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


#: Commands one after the other in one process, given as lists in JSON; what each printed and how it ended, likewise.
_IN_TURN = """
import contextlib, io, json, sys
sys.modules.update(dict.fromkeys({without!r}))
from capture.cli.main import app
told = []
for words in json.load(sys.stdin):
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as error:
        try:
            app(words)
        except SystemExit as ended:
            code = ended.code
    told.append([code, out.getvalue(), error.getvalue()])
json.dump(told, sys.stdout)
"""


def in_turn(*commands: tuple[object, ...], without: list[str]) -> list[str]:
    """Run commands where some modules are not to be found, all in one process; return what they printed."""
    given = json.dumps([[str(word) for word in words] for words in commands])
    start = [sys.executable, "-c", _IN_TURN.format(without=without)]
    done = subprocess.run(start, input=given, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert len(told) == len(commands) and not any(code for code, _, _ in told), told
    return [out for _, out, _ in told]


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
    shown, _ = in_turn(
        ("show", 1, "--data-dir", tmp_path), ("record", "verify", "--data-dir", tmp_path), without=EVERY_MODULE
    )
    assert "low" in shown


def test_a_record_is_shown_proven_signed_and_kept_with_none_of_them(tmp_path: Path) -> None:
    home = tmp_path / "bench"
    home.mkdir()
    make_record(home)

    here = ("--data-dir", home)
    listed, shown, proof, steps, _, exported, kept, _, _ = in_turn(
        ("jobs", "--json", *here),
        ("show", 1, "--explain", *here),
        ("record", "verify", *here),
        ("unit", "steps", 2, *here),
        ("unit", "plan", 2, *here),
        ("record", "export", "--out", tmp_path / "tables", *here),
        ("record", "backup", tmp_path / "copy", *here),
        ("sheet", "check", SHEET),
        ("replay", RECORDING, "--sheet", SHEET, "--pack", "low"),
        without=EVERY_MODULE,
    )
    assert '"bench": "bay-1"' in listed and "GOOD: " in shown and "PROVEN" in proof and "open: " in steps
    assert "strokes.csv" in exported and "Proven" in kept


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
