"""The commands' names, how soon their list is there, and that a terminal's window never breaks a path."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from capture.cli.groups import Command, Group
from capture.cli.main import COMMANDS, app
from capture.cli.options import options_given
from tests.support.command import run_command
from tests.support.proven_record import make_record

ROOT = Path(__file__).resolve().parents[2]

TOP = ["run", "demo", "guide", "listen", "replay", "decode", "jobs", "show", "report", "board", "collect", "health"]
GROUPS = {
    "shop": ["report", "export"],
    "sheet": ["new", "check"],
    "unit": ["plan", "change", "steps", "step", "note", "photo", "leave-out", "override", "sign-off"],
    "people": ["list", "key", "forget", "left", "back"],
    "fixture": ["test"],
    "gauge": ["masters", "check", "chart", "event", "suspects", "instrument", "study"],
    "stock": [
        "import",
        "export",
        "show",
        "receive",
        "measure",
        "reserve",
        "release",
        "consume",
        "return",
        "verify",
        "allot",
        "forecast",
    ],
    "record": ["verify", "anchor", "backup", "restore", "prune", "export", "correct", "send-again"],
    "config": ["check"],
    "service": ["install", "uninstall"],
}
EVERY = [[name] for name in TOP] + [[group, name] for group, names in GROUPS.items() for name in names]


def test_commands_stand_alone_or_under_their_noun() -> None:
    assert [name for name, one in COMMANDS.items() if isinstance(one, Command)] == TOP
    assert {name: list(one.commands) for name, one in COMMANDS.items() if isinstance(one, Group)} == GROUPS


@pytest.mark.parametrize("words", [[], *([group] for group in GROUPS), *EVERY], ids=" ".join)
def test_every_command_and_group_tells_how_it_is_used(words: list[str]) -> None:
    done = CliRunner().invoke(app, [*words, "--help"])
    assert done.exit_code == 0, done.output
    assert done.output.startswith(f"Usage: strokelog {' '.join(words)}".rstrip())


@pytest.mark.parametrize("words", [["verify"], ["steps"], ["allot"], ["check-sheet"], ["unit", "verify"], ["nothing"]])
def test_a_command_is_found_under_one_name_alone(words: list[str]) -> None:
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 2 and f"No such command '{words[-1]}'" in done.output


def test_a_mistyped_command_is_answered_with_the_nearest() -> None:
    assert "Did you mean 'record'" in CliRunner().invoke(app, ["recrod", "verify"]).output
    assert "Did you mean 'verify'?" in CliRunner().invoke(app, ["record", "verfy"]).output


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["unit", "--help"], ["record", "--help"]], ids=" ".join)
def test_a_list_of_commands_loads_nothing_that_the_commands_need(words: list[str]) -> None:
    # An import is what costs time here, and unlike time it is the same on a busy machine.
    code = (
        "import sys\nfrom capture.cli.main import app\n"
        "try: app(sys.argv[1:], prog_name='strokelog')\nexcept SystemExit: pass\n"
        "sys.stderr.write(' '.join(sorted(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=True)
    assert "strokelog" in done.stdout
    loaded = done.stderr.split()
    # typer reads the arguments before a group's name with pydantic; of nothing before --help there is nothing to read.
    heavy = {"sqlalchemy", "rich", "numpy", "scipy", "pint", "asyncio", "aiomqtt", "serial", "jinja2"}
    heavy |= {"pydantic"} if words[0] == "--help" else set()
    assert heavy.isdisjoint(loaded)
    ours = {name for name in loaded if name.startswith(("capture.", "drivers."))}
    speaks = {"capture.plumbing", "capture.plumbing.outward"}
    assert ours - speaks == {"capture.cli", "capture.cli.groups", "capture.cli.main"}


def test_what_a_list_says_is_what_its_command_is_for() -> None:
    """A list's line and the command's own text are two sentences about one thing: the line's length is bounded, and
    no command is without a text of its own."""
    lists = [COMMANDS, *(one.commands for one in COMMANDS.values() if isinstance(one, Group))]
    for name, one in [pair for listed in lists for pair in listed.items()]:
        assert one.says.endswith((".", "?")) or ":" in one.says, name
        assert len(one.says) <= 72, name
        if isinstance(one, Command):
            assert one.load(name).help.strip(), name


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("a-data-folder-whose-name-is-a-good-deal-longer-than-a-window")
    return make_record(folder)


@pytest.mark.parametrize(
    ("words", "copied"),
    [
        (["show", "1"], r"{home}/recordings/[^ \n]+\.jsonl"),
        (["report", "1", "--out", "{out}"], r"{out}/[^ \n]+\.html"),
        (["record", "backup", "{out}/copy-of-this-bench-and-all-it-measured"], r"{out}/copy-of-[a-z-]+"),
        (["record", "export", "--out", "{out}/tables-for-a-spreadsheet"], r"{out}/tables-[a-z-]+/strokes\.csv"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_window_of_40_columns_breaks_no_path(record: Path, tmp_path: Path, words: list[str], copied: str) -> None:
    said = [word.format(out=tmp_path) for word in words]
    window = {"COLUMNS": "40", "LINES": "24", "TERM": "xterm", "FORCE_COLOR": "1"}
    done = run_command(*said, "--data-dir", record.parent, **window)
    assert done.returncode == 0, done.stderr
    plain = re.sub(r"\x1b\[[0-9;]*m", "", done.stdout.decode())
    found = re.search(copied.format(home=re.escape(str(record.parent)), out=re.escape(str(tmp_path))), plain)
    assert found is not None, plain
    assert Path(found[0]).exists()


def test_the_options_to_give_again_are_those_of_the_command_line_as_a_shell_takes_them() -> None:
    told: list[str] = []
    small = typer.Typer()

    @small.command()
    def measure(
        context: typer.Context,
        settings: Annotated[list[str] | None, typer.Option("--set")] = None,
        unit: Annotated[str, typer.Option("--unit")] = "",
        auto: Annotated[bool, typer.Option("--auto")] = False,
        baud: Annotated[int, typer.Option("--baud")] = 9600,
    ) -> None:
        told.append(options_given(context, "unit"))

    words = ["--set", "resolution=0.01 mm", "--unit", "HV-1", "--auto", "--set", "unit=mm"]
    assert CliRunner().invoke(small, words).exit_code == 0
    assert shlex.split(told[0]) == ["--set", "resolution=0.01 mm", "--set", "unit=mm", "--auto"]
