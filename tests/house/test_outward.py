"""Text leaves by one way, where it is made harmless: nothing prints around it."""

from __future__ import annotations

import ast
import io
import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from capture.plumbing.outward import harmless, harmless_console

ROOT = Path(__file__).resolve().parents[2]
#: The way out itself; and the live screens, which draw cells that they have cleaned.
WAYS_OUT = {"capture/plumbing/outward.py", "capture/plumbing/terminal/screen.py"}
#: What may be asked of a stream: these say nothing.
ASKED = {"isatty", "fileno", "flush", "buffer"}
EVIL = "x\x1b]0;owned\x07\x1b[2J\x9b31m\u202e\r\x00\ud800"


def prints(tree: ast.AST) -> list[int]:
    """The lines of a module that could write to a terminal or a pipe by themselves."""
    asked = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Attribute) and node.attr in ASKED}
    found = []
    for node in ast.walk(tree):
        name = ast.unparse(node) if isinstance(node, ast.Attribute | ast.Name) else ""
        if (name in ("sys.stdout", "sys.stderr", "sys.__stdout__", "sys.__stderr__") and id(node) not in asked) or (
            isinstance(node, ast.Call)
            and re.fullmatch(r"print|(rich\.|typer\.|click\.)?(print|echo|secho|Console)", ast.unparse(node.func))
        ):
            found.append(node.lineno)  # type: ignore[attr-defined]
    return found


def test_nothing_prints_around_the_one_way_out() -> None:
    around = {
        name: lines
        for path in sorted([*(ROOT / "capture").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])
        if (name := path.relative_to(ROOT).as_posix()) not in WAYS_OUT
        and (lines := prints(ast.parse(path.read_text(encoding="utf-8"))))
    }
    assert around == {}


@pytest.mark.parametrize(
    "line",
    [
        "print(x)",
        "sys.stdout.write(x)",
        "out = sys.stderr",
        "typer.echo(x, err=True)",
        "Console().print(x)",
        "f(sys.stdout)",
    ],
)
def test_each_way_around_is_seen(line: str) -> None:
    assert prints(ast.parse(line)) and not prints(ast.parse("sys.stdout.isatty(); say(x); console.print(x)"))


def test_what_a_terminal_obeys_is_shown_as_its_escape() -> None:
    assert harmless("10 µm → 前進\tok\n") == "10 µm → 前進\tok\n"
    assert harmless(EVIL) == r"x\u001b]0;owned\u0007\u001b[2J\u009b31m\u202e\u000d\u0000\ud800"


@given(st.text(st.characters(exclude_categories=[]), max_size=40))
def test_json_means_the_same_and_any_output_can_encode_it(text: str) -> None:
    line = harmless(json.dumps({"unit": text}, ensure_ascii=False))
    assert json.loads(line.encode()) == {"unit": text}
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", line)


def test_a_table_and_a_styled_text_hold_nothing_a_terminal_obeys_and_no_markup() -> None:
    table = Table("unit", title=EVIL)
    table.add_row(f"[bold]{EVIL}")
    console = harmless_console()
    console.file = io.StringIO()
    console.print(table)
    console.print(Text(EVIL, style="bold"), soft_wrap=True)
    said = console.file.getvalue()
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e\ud800]", said) and "[bold]" in said
