"""What people read: short enough to be read, every page found, every link and every named file there, every picture
showing what the program shows now."""

from __future__ import annotations

import json
import re
import struct
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.support import make_pictures
from tests.support.make_pictures import PAGES, PICTURES

ROOT = Path(__file__).resolve().parents[2]
READMES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "capture").glob("*/README.md"))]
READMES += sorted((ROOT / "drivers").rglob("README.md"))
GUIDE = sorted((ROOT / "capture" / "guide").glob("*.md"))
ANEW = "the screen or the report has changed: python -m tests.support.make_pictures makes its picture anew"
SOURCES = sorted([*(ROOT / "capture").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])
#: Where a page of code sends its reader: a dotted module, a file, or a neighbour named as the place of something.
SENT = re.compile(r"`((?:capture|drivers)(?:\.\w+)+|[\w./]+\.py)`|\bis\s+in\s+`(\w+)`")
PACKAGES = [ROOT / "drivers", *sorted(one.parent for one in (ROOT / "capture").glob("*/__init__.py"))]


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_two_pages_at_the_top_have_at_most_8_kb(name: str) -> None:
    assert (ROOT / name).stat().st_size <= 8000


def test_the_folder_capture_can_be_taken_in_at_a_glance() -> None:
    entries = {one.name for one in (ROOT / "capture").iterdir()} - {"__pycache__"}
    assert len(entries) <= 25


def test_the_readme_links_every_page_of_the_guide() -> None:
    linked = set(re.findall(r"\]\(capture/guide/([a-z-]+\.md)\)", (ROOT / "README.md").read_text()))
    assert linked == {page.name for page in GUIDE}


@pytest.mark.parametrize("page", [*READMES, *GUIDE], ids=named)
def test_every_relative_link_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text()):
        if not re.match(r"[a-z]+:", target):
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", READMES, ids=named)
def test_every_file_that_a_readme_names_exists(page: Path) -> None:
    for name in re.findall(r"`([\w./@-]+\.(?:py|toml|md|service|timer|conf|acl|json|svg|png|j2))`", page.read_text()):
        assert any((folder / name).exists() for folder in (page.parent, ROOT, ROOT / "capture")), name


def is_there(source: Path, name: str) -> bool:
    """Whether `name`, said in `source`, is a module, or what one defines."""
    if name.endswith(".py"):
        return any(one.as_posix().endswith(f"/{name}") for one in [*SOURCES, *(ROOT / "tests").rglob("*.py")])
    if "." not in name:
        return (source.parent / f"{name}.py").exists()
    module, _, last = name.rpartition(".")
    for dotted in (name, module):
        place = ROOT.joinpath(*dotted.split("."))
        file = place.with_suffix(".py") if place.with_suffix(".py").exists() else place / "__init__.py"
        if file.exists() and (dotted == name or re.search(rf"\b{last}\b", file.read_text())):
            return True
    return False


def test_every_module_that_the_code_sends_its_reader_to_exists() -> None:
    sent = [(path, one or other) for path in SOURCES for one, other in SENT.findall(path.read_text())]
    assert len(sent) > 10
    assert [(named(path), name) for path, name in sent if not is_there(path, name)] == []


@pytest.mark.parametrize("name", ["capture.safety", "looks", "capture.air.no_such_thing", "no_such_file.py"])
def test_a_module_that_is_gone_is_found(name: str) -> None:
    assert not is_there(ROOT / "capture" / "clearance" / "check.py", name)


@pytest.mark.parametrize("package", PACKAGES, ids=named)
def test_every_package_says_what_it_is_for_and_numbers_its_decisions_once(package: Path) -> None:
    text = (package / "README.md").read_text()
    assert text.startswith("# ")
    numbers = re.findall(r"^\*\*D([0-9]+)\b", text, re.MULTILINE)
    assert len(numbers) == len(set(numbers))
    for decision in re.split(r"^(?=\*\*D[0-9]+\b)", text, flags=re.MULTILINE)[1:]:
        assert re.match(r"\*\*D[0-9]+, [0-9]{4}-[0-9]{2}-[0-9]{2}: ", decision), decision[:60]
        assert "Considered:" in decision, decision[:60]


@pytest.mark.parametrize("name", ["bench", "board", "gauge"])
def test_a_picture_of_a_terminal_says_what_the_terminal_says(name: str) -> None:
    drawn = ElementTree.parse(PICTURES / f"{name}.svg")
    texts = ["".join(one.itertext()) for one in drawn.iter("{http://www.w3.org/2000/svg}text")]
    made = {"bench": make_pictures.screen, "board": make_pictures.board, "gauge": make_pictures.gauge}
    shown = made[name]()
    assert "".join("".join(texts).split()) == "".join(shown.text.split()), ANEW


@pytest.mark.parametrize("picture", sorted(PICTURES.glob("*.svg")), ids=named)
def test_a_picture_fetches_nothing_from_anywhere(picture: Path) -> None:
    assert re.findall(r"https?://[^\"' ]+", picture.read_text()) == ["http://www.w3.org/2000/svg"]


def test_the_picture_of_the_report_was_made_from_the_page_as_it_is_now() -> None:
    assert json.loads(PAGES.read_text()) == {"report.png": make_pictures.report_mark(make_pictures.report_page())}, (
        "python -m tests.support.make_pictures makes it anew"
    )
    width, height = struct.unpack(">II", (PICTURES / "report.png").read_bytes()[16:24])
    assert (width, height) == (900, 1180)
