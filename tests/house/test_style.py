"""Style and types are part of passing: ruff and mypy --strict find nothing, and no file outgrows its room."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    "tool", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=lambda tool: " ".join(tool)
)
def test_the_code_is_clean(tool: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *tool], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_only_the_agreed_folders_stand_at_the_top() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    top = {name.split("/")[0] for name in listed if not name.startswith(".")}
    assert top <= {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "capture", "drivers", "tests", "fixtures", "systemd",
    }  # fmt: skip


def test_no_two_classes_have_one_name() -> None:
    """Who reads a name knows which class is meant; private ones stay in their file."""
    found: dict[str, list[str]] = {}
    for top in ("capture", "drivers"):
        for path in (ROOT / top).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    found.setdefault(node.name, []).append(str(path.relative_to(ROOT)))
    assert {name: places for name, places in found.items() if len(places) > 1} == {}
