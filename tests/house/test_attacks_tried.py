"""The guide's table of what could be done to a record, and the tests that do it, never part."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "capture" / "guide" / "record.md"


def rows() -> list[str]:
    """What could be done, by the table's rows."""
    _, _, table = PAGE.read_text(encoding="utf-8").partition(
        "| change | who could | what finds it |\n| --- | --- | --- |\n"
    )
    return re.findall(r"^\| (.+?) \|", table, re.MULTILINE)


def tried() -> Iterator[tuple[str, str]]:
    """Every test that is marked as an attack, and the beginning of its row."""
    for path in (ROOT / "tests").rglob("test_*.py"):
        text = path.read_text(encoding="utf-8")
        for one in ast.walk(ast.parse(text)) if "mark.attack" in text else ():
            for mark in one.decorator_list if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef) else ():
                if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.attack":
                    (row,) = (ast.literal_eval(told) for told in mark.args)
                    yield one.name, row


def test_every_row_has_a_test_that_tries_it_and_every_attack_that_is_tried_has_its_row() -> None:
    known, tests = rows(), list(tried())
    assert len(known) == len(set(known)) > 40 and len(tests) >= len(known)
    for name, beginning in tests:
        assert sum(row.startswith(beginning) for row in known) == 1, f"{name}: no row, or several, begins {beginning!r}"
    untried = [row for row in known if not any(row.startswith(beginning) for _, beginning in tests)]
    assert untried == []
