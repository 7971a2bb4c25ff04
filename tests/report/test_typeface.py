"""A report looks the same on every machine: it carries its own type, whatever fonts are installed."""

from __future__ import annotations

import base64
import io
import json
import os
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont
from pypdf import PdfReader

from capture.report.typeface import FACES, faces
from tests.support.reported_unit import many_strokes, usual_unit

ROOT = Path(__file__).resolve().parents[2]
#: What two machines have: a bare one, and one with another family alone, whose letters are of other widths.
MACHINES = {
    "dejavu": Path("/usr/share/fonts/truetype/dejavu"),
    "pt-sans": Path(str(files("fontpkg_pt_sans") / "files")),
}


def configured(folder: Path, fonts: Path) -> dict[str, str]:
    """The environment of a machine that knows the fonts of one folder alone, made so below `folder`."""
    assert list(fonts.glob("*.ttf"))
    folder.mkdir()
    config = folder / "fonts.conf"
    config.write_text(f"<fontconfig><dir>{fonts}</dir><cachedir>{folder}</cachedir></fontconfig>")
    listed = subprocess.run(
        ["fc-list"], env={**os.environ, "FONTCONFIG_FILE": str(config)}, capture_output=True, text=True, check=True
    )
    assert listed.stdout and all(line.startswith(str(fonts)) for line in listed.stdout.splitlines())
    return {**os.environ, "FONTCONFIG_FILE": str(config)}


def printed(folder: Path, home: Path, machine: str) -> tuple[bytes, bytes, int]:
    """The HTML, the PDF and its number of pages as the command writes them on a machine."""
    words = ["report", "1", "--data-dir", str(home), "--out", str(folder / machine / "page.html"), "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "capture.cli", *words],
        cwd=ROOT, env=configured(folder / machine, MACHINES[machine]), capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    return Path(told["html"]).read_bytes(), Path(told["pdf"]).read_bytes(), told["pages"]


@pytest.mark.parametrize(("unit", "pages"), [(many_strokes, 1), (usual_unit, 2)], ids=["letter", "a4"])
def test_two_machines_with_no_font_in_common_print_the_same_bytes(tmp_path: Path, unit: object, pages: int) -> None:
    assert callable(unit)
    home = tmp_path / "home"
    home.mkdir()
    unit(home).store.close()
    bare, other = (printed(tmp_path, home, machine) for machine in MACHINES)
    assert bare == other
    assert bare[2] == len(PdfReader(io.BytesIO(bare[1])).pages) <= pages
    found = {
        str(font.get_object()["/BaseFont"]).partition("+")[2]
        for page in PdfReader(io.BytesIO(bare[1])).pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert found == {"Report-type", "Report-type-Bold"}


def test_a_page_carries_its_letters_and_no_others() -> None:
    # Read back by fontTools, as a browser would read it.
    said = "Ämne 0.45 mm ± µ → ≈ ■ Ж"
    css = faces(f"<p>{said} &lt;b&gt;</p>")
    for data, weight in zip(re.findall(r"base64,([^)]+)\)", css), (400, 700), strict=True):
        font = TTFont(io.BytesIO(base64.b64decode(data)))
        letters = set(map(chr, font.getBestCmap()))
        assert letters >= set(said + said.upper() + "<>•0123456789") and "ß" not in letters
        assert font["OS/2"].usWeightClass == weight and "fvar" not in font
        assert len(base64.b64decode(data)) < 12_000


def test_the_same_letters_give_the_same_type_again() -> None:
    assert faces("abc") == faces("cab")


def test_no_text_of_a_record_takes_the_place_of_the_type(tmp_path: Path) -> None:
    usual_unit(tmp_path, technician=FACES).store.close()
    html = printed(tmp_path, tmp_path, "dejavu")[0].decode()
    assert "technician: " not in html.partition("</style>")[0]
    assert FACES not in html and "&lt;faces&gt;" in html and html.count("@font-face") == 2
