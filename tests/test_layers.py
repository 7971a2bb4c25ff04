"""Imports point one way: cli, daemon, then record, publish and board, then check, then the pure cores; and drivers
know nothing of capture. Read from the source, so an import inside a function counts as well."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PURE = (
    "strokes", "stroke_measure", "levels", "pace", "rest_level", "running_stroke",
    "looks", "verdict", "parts_search", "advice", "diagnosis", "sheet", "steps", "facts",
    "gauge", "changes", "plan", "pack_states", "remarks", "signoff", "unit_now", "offers", "unit_words", "tightened",
    "scan", "allot", "check", "air", "safety", "cycle", "silence",
)  # fmt: skip
#: What a pure core has no business with: I/O, clocks of an event loop, and whatever is wired around it.
OUTER = (
    "daemon",
    "record",
    "recording",
    "publish",
    "board",
    "cli",
    "commands",
    "listen",
    "view",
    "stock",
    "waiting",
    "collect",
)
IO = ("asyncio", "serial", "sqlalchemy", "aiomqtt", "paho", "amqtt", "rich", "typer", "socket", "threading", "time")
LEVELS = [
    tuple(name for name in PURE if name != "check"),
    ("check",),
    ("record", "publish", "dashboard", "stock", "waiting", "collect"),
    ("verify", "backup", "retention", "flat", "export"),
    ("board",),
    ("signing", "unit_stock"),
    ("report",),
    ("unit",),
    ("running", "picture", "bench_status", "unfinished"),
    ("daemon",),
    ("wrench_field", "unit_controls"),
    ("controls",),
    ("session",),
    ("commands",),
    ("cli",),
]  # fmt: skip


def imports(source: str) -> Iterator[str]:
    """Yield the dotted names of the modules that `source` imports, wherever in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "the house writes imports in full"
            assert node.module is not None
            yield node.module
            yield from (f"{node.module}.{name.name}" for name in node.names)


def files(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def part(path: Path) -> str:
    """Return the name of the part of capture that a file is or belongs to."""
    return path.relative_to(ROOT / "capture").parts[0].removesuffix(".py")


def parts_imported(path: Path) -> set[str]:
    names = [name.split(".") for name in imports(path.read_text(encoding="utf-8"))]
    return {name[1] for name in names if name[0] == "capture" and len(name) > 1}


def level(name: str) -> int | None:
    return next((n for n, names in enumerate(LEVELS) if name in names), None)


def test_imports_are_seen_wherever_they_stand() -> None:
    source = "import a.b\nfrom c import d\ndef f():\n    from capture.cli import main\n"
    assert set(imports(source)) == {"a.b", "c", "c.d", "capture.cli", "capture.cli.main"}


def test_there_is_something_to_look_at() -> None:
    assert files("drivers")
    assert {"strokes", "verdict"} <= {part(path) for path in files("capture")}


@pytest.mark.parametrize("path", files("drivers"), ids=lambda path: str(path.relative_to(ROOT)))
def test_drivers_know_nothing_of_capture(path: Path) -> None:
    assert "capture" not in {name.split(".")[0] for name in imports(path.read_text(encoding="utf-8"))}


@pytest.mark.parametrize("path", files("drivers/indicators"), ids=lambda path: path.name)
def test_decoders_do_no_io(path: Path) -> None:
    assert not {name.split(".")[0] for name in imports(path.read_text(encoding="utf-8"))} & set(IO)


@pytest.mark.parametrize("path", [path for path in files("capture") if part(path) in PURE], ids=lambda path: path.name)
def test_the_cores_are_pure(path: Path) -> None:
    tops = {name.split(".")[0] for name in imports(path.read_text(encoding="utf-8"))}
    assert not tops & set(IO)
    assert not parts_imported(path) & set(OUTER)


@pytest.mark.parametrize("name", ["floor", "bench", "needs", "yields", "arrange"])
def test_the_board_s_model_is_pure(name: str) -> None:
    path = ROOT / "capture" / "board" / f"{name}.py"
    assert not {name.split(".")[0] for name in imports(path.read_text(encoding="utf-8"))} & set(IO)
    assert parts_imported(path) <= {"board", "messages", "plaintext", "verdict", "view"}


@pytest.mark.parametrize("name", ["contents", "drawing", "finishing", "history", "parts", "times"])
def test_what_is_on_a_report_and_its_pictures_are_pure(name: str) -> None:
    path = ROOT / "capture" / "report" / f"{name}.py"
    assert not {name.split(".")[0] for name in imports(path.read_text(encoding="utf-8"))} & {*IO, "os", "pathlib"}


def test_the_board_knows_nothing_of_a_bench_s_daemon_or_record() -> None:
    assert not {part for path in files("capture/board") for part in parts_imported(path)} & {"daemon", "record"}


@pytest.mark.parametrize("path", files("capture"), ids=lambda path: str(path.relative_to(ROOT / "capture")))
def test_imports_point_one_way(path: Path) -> None:
    own = level(part(path))
    if own is None:  # a part with no place in the order may not be imported by one that has, but by a higher one
        return
    for name in parts_imported(path) - {part(path)}:
        other = level(name)
        assert other is None or other <= own, f"{part(path)} may not import {name}"


def test_no_part_of_capture_imports_itself_round_about() -> None:
    graph: dict[str, set[str]] = {}
    for path in files("capture"):
        graph.setdefault(part(path), set()).update(parts_imported(path) - {part(path)})

    def reach(start: str) -> set[str]:
        seen: set[str] = set()
        todo = list(graph.get(start, ()))
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += graph.get(name, ())
        return seen

    assert not {name for name in graph if name in reach(name)}
