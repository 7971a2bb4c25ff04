"""Every package of capture has its floor and imports only lower ones: the contracts stand in pyproject.toml."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LINT = "from importlinter.cli import lint_imports_command; lint_imports_command()"
#: What a decoder has no business with: it is fed bytes, and does no I/O.
IO = {"asyncio", "serial", "sqlalchemy", "aiomqtt", "paho", "amqtt", "rich", "typer", "socket", "threading", "time"}


def lint(root: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", LINT, "--no-cache"]
    return subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)


def test_every_package_imports_only_lower_floors() -> None:
    done = lint(ROOT)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("capture/strokes/pace.py", "from capture.cli.main import main\n"),
        ("capture/unlisted/__init__.py", '"""A package that has no floor."""\n'),
        ("drivers/reading.py", "import capture.plumbing\n"),
        ("capture/clearance/verdict.py", "import sqlalchemy\n"),
        ("capture/board/run.py", "import aiomqtt\n"),
    ],
)
def test_an_import_upwards_and_a_package_without_a_floor_are_found(tmp_path: Path, file: str, text: str) -> None:
    for name in ("capture", "drivers"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    changed = tmp_path / file
    changed.parent.mkdir(exist_ok=True)
    with changed.open("a", encoding="utf-8") as opened:
        opened.write(text)
    done = lint(tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr


@pytest.mark.parametrize("path", sorted((ROOT / "drivers" / "indicators").glob("*.py")), ids=lambda path: path.name)
def test_decoders_do_no_io(path: Path) -> None:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            names.add(node.module.split(".")[0])
    assert not names & IO
