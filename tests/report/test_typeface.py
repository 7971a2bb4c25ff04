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

from fontTools.ttLib import TTFont
from pypdf import PdfReader

from capture.report import gather
from capture.report.page import page
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


def printed(folder: Path, machine: str, *homes: Path) -> list[tuple[bytes, bytes, int]]:
    """Of each home the HTML, the PDF and its number of pages as the command writes them on a machine."""
    # All in one process: what it brings in costs as much as a report.
    run = (
        "import sys\nfrom capture.cli.main import app\nfor one in sys.argv[1:]: app(one.split(), standalone_mode=False)"
    )
    words = [f"report 1 --data-dir {home} --out {folder / machine / home.name / 'page.html'} --json" for home in homes]
    done = subprocess.run(
        [sys.executable, "-c", run, *words],
        cwd=ROOT, env=configured(folder / machine, MACHINES[machine]), capture_output=True, text=True, timeout=90,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == len(homes)
    return [(Path(one["html"]).read_bytes(), Path(one["pdf"]).read_bytes(), one["pages"]) for one in told]


def test_two_machines_with_no_font_in_common_print_the_same_bytes(tmp_path: Path) -> None:
    units = {"letter": (many_strokes, 1), "a4": (usual_unit, 2)}
    for name, (unit, _) in units.items():
        (tmp_path / name).mkdir()
        unit(tmp_path / name).store.close()
    bare, other = (printed(tmp_path, machine, *(tmp_path / name for name in units)) for machine in MACHINES)
    assert bare == other
    for (_, pdf, told), (_, most) in zip(bare, units.values(), strict=True):
        pages = PdfReader(io.BytesIO(pdf)).pages
        assert told == len(pages) <= most
        found = {
            str(font.get_object()["/BaseFont"]).partition("+")[2]
            for page in pages
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
    html = page(gather(tmp_path / "record.sqlite", 1)[0])
    assert "technician: " not in html.partition("</style>")[0]
    assert FACES not in html and "&lt;faces&gt;" in html and html.count("@font-face") == 2
