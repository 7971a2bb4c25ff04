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


#: Where the list stands although it repeats: it is what a machine is to those outside, as its table is.
MACHINES = {"air/safety.py", "air/button.py", "strokes/machine.py", "strokes/finder.py", "clearance/check.py"}


def public_names(module: ast.Module) -> set[str]:
    found: set[str] = set()
    for node in module.body:
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            found.add(node.name)
        elif isinstance(node, (ast.Assign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)}
    return {name for name in found if not name.startswith("_")}


def test_a_list_of_public_names_says_more_than_the_names_do() -> None:
    """A module's `__all__` that only repeats its names without an underscore is a second thing to keep right; it stands
    where a package shows its face, in the state machines, and where it leaves a name out or hands one on."""
    repeating = []
    for top in ("capture", "drivers"):
        for path in (ROOT / top).rglob("*.py"):
            module = ast.parse(path.read_text())
            lists = [
                node.value
                for node in module.body
                if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__"
            ]
            face = path.name == "__init__.py" or str(path.relative_to(ROOT / top)) in MACHINES
            if lists and not face and set(ast.literal_eval(lists[0])) == public_names(module):
                repeating.append(str(path.relative_to(ROOT)))
    assert repeating == [], "leave __all__ out of these"
