"""The report on paper: real records and recordings, a real browser, and a PDF read back by another library.

Page sizes: A4 is 210 mm x 297 mm (ISO 216), Letter 8.5 in x 11 in (ANSI/ASME Y14.1); a PDF's point is 1/72 in
(ISO 32000).
"""

from __future__ import annotations

import base64
import functools
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from capture import __version__
from capture.clearance.gauge.facts import study_kept
from capture.clearance.gauge.study import Row, studied
from capture.clearance.verdict import MeasurementLimits, judge
from capture.custody.verify import Proof
from capture.record import Store
from capture.recordings.file import read_recording
from capture.recordings.replay import Replay
from capture.report import ReportError, gather, typeface, write_report
from capture.report.contents import contents
from capture.report.drawing import Scale, mark_svg, range_svg, shape_svg, stroke_svg
from capture.report.letterhead import LetterheadError, letterhead
from capture.report.page import page
from capture.report.traces import Trace, trace_of
from capture.sheet.sheet import parse_sheet
from capture.strokes.stroke import Stroke
from tests.support import proven_record
from tests.support.browser import Browser
from tests.support.command import run_command
from tests.support.proven_record import tamper
from tests.support.reported_unit import (
    AT,
    MARKUP,
    ODD_NAMES,
    RECORDINGS,
    Reported,
    crowded_unit,
    many_strokes,
    overridden_unit,
    usual_unit,
)

ROOT = Path(__file__).resolve().parents[2]
VOID = {"meta", "img", "br", "link", "input", "base", "hr"}


class _Page(HTMLParser):
    """What a page is made of: its tags, its attributes, and its text without style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.names: set[str] = set()
        self.links: list[str] = []
        self._text: list[str] = []
        self.feed(html)
        self.text = " ".join("".join(self._text).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.names |= {name for name, _ in attrs}
        self.links += [str(value) for name, value in attrs if name in ("src", "href", "xlink:href", "srcset", "data")]

    def handle_data(self, data: str) -> None:
        if self.tags and self.tags[-1] != "style":
            self._text.append(data)


@pytest.fixture(autouse=True, scope="module")
def cut_once() -> Iterator[None]:
    """The same letters' type is cut once; that it is the same again is claimed where it is cut (test_typeface), and of
    a report that another process wrote."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typeface, "_cut", functools.cache(typeface._cut))
        yield


def command(*words: str, **env: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, whose environment its libraries look at as they are brought in."""
    return subprocess.run(
        [sys.executable, "-m", "capture.cli", "report", *words],
        cwd=ROOT, env={**os.environ, **env}, capture_output=True, text=True, timeout=60,
    )  # fmt: skip


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of the usual unit."""
    home = tmp_path_factory.mktemp("usual")
    usual_unit(home).store.close()
    return home / "record.sqlite"


@pytest.fixture(scope="module")
def reported(usual: Path) -> Path:
    """The usual unit's report, as the command writes it; the PDF lies beside it."""
    done = command("1", "--data-dir", str(usual.parent), "--out", str(usual.parent / "out"), "--json")
    assert done.returncode == 0 and done.stderr == "", done.stderr
    told = json.loads(done.stdout)
    assert told["html"].endswith("job-00001-FW3-0117.html") and told["pdf"].endswith("job-00001-FW3-0117.pdf")
    assert told["proven"] is True and told["pages"] in (1, 2)
    with Store.open_to_read(usual) as store:
        assert told["head"] == "{}:{}".format(*store.head())
    return Path(told["html"])


def text_of(path: Path) -> str:
    return _Page(path.read_text()).text


def report_of(record: Path, job: int = 1) -> str:
    """The text of a report that is not printed."""
    return _Page(page(gather(record, job)[0])).text


def pdf_text(path: Path) -> str:
    text = " ".join(page.extract_text() for page in PdfReader(path).pages)
    # Of a font with letters beyond Latin, pypdf reads two bytes each and leaves the upper one in.
    return " ".join(text.replace("\0", "").split())


def mm(value_nm: int) -> str:
    return f"{Decimal(value_nm) / 1_000_000:.3f}"


# -- what it says ------------------------------------------------------------------------------------------------


def test_the_numbers_are_the_record_s_on_both(usual: Path, reported: Path) -> None:
    with Store.open_to_read(usual) as store:
        job = store.job(1)
    order = {"low": 0, "high": 1, "reverse": 2}
    checks = sorted(job.checks, key=lambda check: (order[check.pack], check.number))
    assert len(checks) == 4 and all(len(check.strokes) >= 6 for check in checks)
    for text in (text_of(reported), pdf_text(reported.with_suffix(".pdf"))):
        for check in checks:
            assert check.verdict is not None
            verdict = check.verdict.verdict
            said = f"{mm(verdict.mean_nm)} ± {mm(verdict.expanded_uncertainty_nm)} mm"
            assert said in text and f"k = {verdict.coverage_factor:.2f}, {verdict.strokes} strokes" in text
            assert f"range {mm(check.low_nm)} to {mm(check.high_nm)} mm" in text
            assert check.verdict.recording_sha256 in text.replace(" ", "")
            assert f"entries {check.started_number} to {check.verdict.number}" in text
        # Every stroke, in order, with the travel that the sheet averages.
        strokes = re.findall(r"(\d+): ([0-9.]+) mm, (seat|counts|not counted)", text)
        assert strokes == [
            (
                str(one.stroke.n),
                mm(one.stroke.held_travel_nm if check.measure == "held" else one.stroke.peak_travel_nm),
                "seat" if one.seat else "counts" if one.stroke.accepted else "not counted",
            )
            for check in checks
            for one in check.strokes
        ]


def test_it_says_who_when_with_what_and_why(reported: Path) -> None:
    for text in (text_of(reported), pdf_text(reported.with_suffix(".pdf"))):
        for said in (
            "PROVEN. When this report was written", "4 of this job's 4 verdicts were derived again",
            "Forwarder power-shift box FW-3, revision demo 2", "technician: Aino", "bench: bay-1",
            "serial DI-0413, calibration due 2026-09-30 (OVERDUE when this was measured)",
            "serial DI-0522, calibration due 2027-03-31", "Calibration overdue when this was measured: gauge DI-0413",
            "snap ring 3.00 mm to 3.20 mm, by Aino", "why: check 1 was loose", "advised then: Change the snap ring",
            "predicted 1.084 mm ± 0.031 mm", "came out: The change in high came out as predicted",
            "soak friction plates", "lasted 33 min", "46.2 N m (+0.4 %)", "20.3 N m (+1.5 %)",
            "the torque was 46 N m; reason: misread the scale; by Berit",
            "SIGNED OFF by Carl", "to be fitted in machine 12", f"strokelog {__version__}", "JCGM 106",
        ):  # fmt: skip
            assert said in text, said
    assert "NOT PROVEN" not in text_of(reported) and "NOT SIGNED" not in text_of(reported)


def test_what_is_not_as_usual_is_said(tmp_path: Path) -> None:
    overridden_unit(tmp_path).store.close()
    text = report_of(tmp_path / "record.sqlite")
    for said in (
        "not named", "still open", "serial number not recorded", "let pass by Berit", "ABANDONED", "not checked",
        "The change in low did not come out as predicted", "one shim fewer was put in; reason: miscounted; by Berit",
        "Let pass as it is: by Berit", "the customer wants it loose", "NOT SIGNED OFF. Open:",
        "pack 'reverse' is not checked; check it", "not counted: fell away while held",
        "The seal: 1 of 6 strokes fell away while held by 0.047 mm a second: repeat it. If it",
        "not counted: readings interrupted",
        "Entry 11 does not count", "by nobody named",
    ):  # fmt: skip
        assert said.casefold() in text.casefold(), said


def test_the_pdf_is_of_the_record_s_time_and_the_same_again(usual: Path, reported: Path, tmp_path: Path) -> None:
    with Store.open_to_read(usual) as store:
        before = store.head(), store.job(1)
    again = write_report(usual, 1, tmp_path / "again.pdf")
    with Store.open_to_read(usual) as store:
        assert (store.head(), store.job(1)) == before  # nothing of the record was written
    assert again.html == tmp_path / "again.html" and again.pdf == tmp_path / "again.pdf"
    assert again.html.read_bytes() == reported.read_bytes()
    assert again.pdf.read_bytes() == reported.with_suffix(".pdf").read_bytes()
    reader = PdfReader(again.pdf)
    assert len(reader.pages) == again.pages <= 2
    assert reader.metadata is not None and reader.metadata.title == "Clutch pack report, job 1: FW3-0117"
    with Store.open_to_read(usual) as store:
        closed = store.job(1).closed_at
    assert closed is not None and reader.metadata.creation_date == closed > AT
    width, height = (float(size) * 25.4 / 72 for size in reader.pages[0].mediabox[2:])
    assert (round(width), round(height)) == (210, 297)


def test_an_inch_sheet_prints_on_letter(tmp_path: Path) -> None:
    many_strokes(tmp_path).store.close()
    written = write_report(tmp_path / "record.sqlite", 1, tmp_path / "new" / "folder")
    assert written.html.name == "job-00001-unit-without-a-serial-number.html" and written.pdf is not None
    reader = PdfReader(written.pdf)
    assert [float(size) / 72 for size in reader.pages[0].mediabox[2:]] == [8.5, 11]
    # Thirty that count and one that seats stand on one page, and each says what it is used for.
    assert len(reader.pages) == 1
    found = re.findall(r"(\d+): 0\.0\d{3} in, (seat|counts)", pdf_text(written.pdf))
    assert found == [("1", "seat"), *((str(n), "counts") for n in range(2, 32))]


# -- the pictures ------------------------------------------------------------------------------------------------


def drawn(svg: str, scale: Scale, stroke: Stroke) -> list[tuple[float, float]]:
    """The readings of a picture as (seconds, mm), read off its own labels: the rest line and the upper limit."""
    root = ElementTree.fromstring(svg)
    lines = [line for line in root.iter("line") if line.get("stroke-dasharray") != "none" or line.get("x1") != "x"]
    rest = next(line for line in lines if line.get("stroke-dasharray") == "0.15 0.7")
    zero = float(rest.attrib["y1"])
    band = next(one for one in root.iter("rect") if one.get("fill") == "#dedede")
    per_mm = (zero - float(band.attrib["y"])) / (scale.high_nm / 1e6)
    level = next(line for line in lines if line.get("stroke-dasharray") == "0.6 0.6")
    first, last = float(level.attrib["x1"]), float(level.attrib["x2"])
    per_s = (last - first) / ((stroke.end_ns - stroke.start_ns) / 1e9)
    points = [point.split(",") for one in root.iter("polyline") for point in one.attrib["points"].split()]
    return [(stroke.start_ns / 1e9 + (float(x) - first) / per_s, (zero - float(y)) / per_mm) for x, y in points]


@pytest.mark.parametrize("name", ["line-10hz-mm-clean", "line-20hz-mm-named-mirrored"])
def test_a_picture_shows_the_readings_that_came_over_the_wire(name: str) -> None:
    # Read from the file by this test alone: no decoder, no finder.
    sent = []
    for line in (RECORDINGS / f"{name}.jsonl").read_text().splitlines()[1:]:
        told = json.loads(line)
        sent += [(told["ns"] / 1e9, float(word)) for word in re.findall(r"[+-]?\d+\.\d+", told["indicator"])]
    replay = Replay(RECORDINGS / f"{name}.jsonl", keep_readings=True)
    strokes = [kept.stroke for kept in replay.strokes()]
    scale = Scale(800_000, 1_400_000, max(one.peak_travel_nm for one in strokes), "held", "mm")
    for stroke in strokes:
        shown = drawn(stroke_svg(stroke, "counts", Trace(tuple(replay.readings)), scale), scale, stroke)
        inside = [(t, mm_) for t, mm_ in sent if stroke.start_ns <= t * 1e9 <= stroke.end_ns]
        assert len(inside) > 10
        for t, value in inside:
            travel = abs(value - stroke.released_nm / 1e6)
            # Coordinates are printed to a hundredth of a millimetre of paper.
            assert min(abs(t - there) / 0.01 + abs(travel - height) / 0.002 for there, height in shown) < 2


def test_a_fast_stream_is_thinned_and_keeps_every_odd_reading() -> None:
    replay = Replay(RECORDINGS / "line-1000hz-mm-micron-short.jsonl", keep_readings=True)
    stroke, *_ = [kept.stroke for kept in replay.strokes()]
    middle = (stroke.start_ns + stroke.end_ns) // 2
    at = next(n for n, (t_ns, _) in enumerate(replay.readings) if t_ns > middle)
    away = 500_000 if stroke.released_nm < replay.readings[at][1] else -500_000
    scale = Scale(800_000, 1_400_000, stroke.peak_travel_nm, "held", "mm")
    for odd in range(at, at + 30, 3):  # wherever in its column it comes to lie
        readings = list(replay.readings)
        readings[odd] = (readings[odd][0], stroke.released_nm + away)
        shown = drawn(stroke_svg(stroke, "counts", Trace(tuple(readings)), scale), scale, stroke)
        inside = [one for one in readings if stroke.start_ns <= one[0] <= stroke.end_ns]
        assert len(shown) < len(inside) / 2
        assert any(abs(height - 0.5) < 0.02 and abs(t * 1e9 - readings[odd][0]) < 30e6 for t, height in shown)


def test_a_wild_reading_stays_in_its_picture_and_is_marked_at_the_edge() -> None:
    replay = Replay(RECORDINGS / "line-10hz-mm-clean.jsonl", keep_readings=True)
    stroke = [kept.stroke for kept in replay.strokes()][1]
    scale = Scale(800_000, 1_400_000, stroke.peak_travel_nm, "held", "mm")
    at = next(n for n, (t_ns, _) in enumerate(replay.readings) if t_ns > (stroke.start_ns + stroke.end_ns) // 2)

    def picture(*values_nm: int) -> ElementTree.Element:
        wild = [(replay.readings[at + n][0], value) for n, value in enumerate(values_nm)]
        readings = (*replay.readings[:at], *wild, *replay.readings[at + len(wild) :])
        return ElementTree.fromstring(stroke_svg(stroke, "counts", Trace(readings), scale))

    assert not list(picture().iter("polygon"))
    root = picture(999_000_000, -999_000_000)
    assert len(list(root.iter("polygon"))) == 2
    width, height = (float(size) for size in root.attrib["viewBox"].split()[2:])
    for one in root.iter():
        for x, y in (point.split(",") for point in one.get("points", "").split()):
            assert 0 <= float(x) <= width and 0 <= float(y) <= height


def test_shapes_frames_and_dashes_differ_without_colour() -> None:
    def grey(svg: str) -> str:
        return re.sub(r"#[0-9a-f]{3,6}", "#000", re.sub(r'aria-label="[^"]*"', "", svg))

    shapes = {grey(shape_svg(word)) for word in ("good", "tight", "loose", "inconclusive", None)}
    assert len(shapes) == 5
    assert len({grey(mark_svg(use)) for use in ("counts", "seat", "not counted")}) == 3
    replay = Replay(RECORDINGS / "line-10hz-mm-clean.jsonl", keep_readings=True)
    stroke = next(replay.strokes()).stroke
    scale = Scale(800_000, 1_400_000, stroke.peak_travel_nm, "held", "mm")
    trace = Trace(tuple(replay.readings))
    assert len({grey(stroke_svg(stroke, use, trace, scale)) for use in ("counts", "seat", "not counted")}) == 3


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 90_000_000), st.integers(1, 9_000_000), st.integers(1, 99_000_000), st.integers(0, 400_000))
def test_the_range_bar_stays_on_its_paper(low_nm: int, span_nm: int, mean_nm: int, scatter_nm: int) -> None:
    travels = [mean_nm, mean_nm + scatter_nm, mean_nm + 2 * scatter_nm]
    verdict = judge(travels, low_nm, low_nm + span_nm, MeasurementLimits(10_000, 20_000))
    root = ElementTree.fromstring(range_svg(low_nm, low_nm + span_nm, None, verdict, "mm"))
    width, height = (float(size) for size in root.attrib["viewBox"].split()[2:])
    for one in root.iter():
        for name, most in (("x", width), ("x1", width), ("x2", width), ("y", height), ("y1", height), ("y2", height)):
            assert 0 <= float(one.get(name, "0")) <= most
        for x, y in (point.split(",") for point in one.get("points", "").split()):
            assert -0.01 <= float(x) <= width + 0.01 and 0 <= float(y) <= height


# -- text that means something elsewhere -------------------------------------------------------------------------


def test_what_the_measurement_scatters_by_stands_beside_ranges_and_uncertainties(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    rows = [
        Row(f"C{part}", f"technician {who}", 1e6 + 50e3 * part + 2e3 * who + 1e3 * trial)
        for part in range(5) for who in range(3) for trial in range(2)
    ]  # fmt: skip
    found = studied(rows)
    with Store.open(path) as store:
        store.add_gauge_fact(study_kept("DI-0413", rows, found, 0.0, "foreman"), at=proven_record.AT)
        job = proven_record.open_job(store, 0, proven_record.AT)
        proven_record.check_from(
            store, tmp_path, job, "low", "line-10hz-mm-clean", proven_record.AT, gauge={"serial": "DI-0413"}
        )
        (verdict,) = [check.stands for check in store.job(job).checks]
    assert verdict is not None
    said = " ".join(report_of(path).split())
    assert "Gauge DI-0413, 5 packs, 3 technicians, 2 times each (entry 1," in said
    assert f"both: the measurement{found.grr.sd / 1e6:.4f} mm" in said
    assert "3 technicians are 2 degrees of freedom" in said and "0.5 to 6.3 times as large" in said
    low = parse_sheet(proven_record.SHEET, "sheet").pack("low")
    share = 100 * 6 * found.grr.sd / (low.high_nm - low.low_nm)
    assert f"low{mm(low.high_nm - low.low_nm)} mm{share:.0f} %{verdict.expanded_uncertainty_nm / 1e6:.4f} mm" in said


@pytest.fixture(scope="module")
def tagged(usual: Path) -> tuple[list[str], set[str]]:
    html = usual_page(usual, "plain")
    return _Page(html).tags, _Page(html).names


def usual_page(usual: Path, text: str, other: str | None = None) -> str:
    """The usual unit's page with a text wherever somebody may write one; `other` in every second place."""
    other = text if other is None else other
    with Store.open_to_read(usual) as store:
        job, head = store.job(1), store.head()
    facts = tuple(
        replace(entry, fact=replace(entry.fact, by=text, **({"note": other} if hasattr(entry.fact, "note") else {})))
        for entry in job.facts
    )
    checks = tuple(replace(check, gauge={"serial": text, "calibration_due": None}) for check in job.checks)
    job = replace(job, unit_serial=other, technician=text, bench=other, sheet_name=text, facts=facts, checks=checks)
    return page(contents(job, parse_sheet(job.sheet_toml, "sheet"), text, Proof(), "", head, {}))


def test_a_verdict_that_knows_no_limit_of_error_says_so_on_paper(usual: Path) -> None:
    with Store.open_to_read(usual) as store:
        job, head = store.job(1), store.head()
    told = []
    for check in job.checks:
        assert check.verdict is not None
        known = check.verdict.verdict
        bare = replace(known, budget=tuple(line for line in known.budget if line.source != "maximum error"))
        told.append(replace(check, verdict=replace(check.verdict, verdict=bare)))
    sheet = parse_sheet(job.sheet_toml, "sheet")
    for checks, times in ((job.checks, 0), (tuple(told), len(told))):
        said = page(contents(replace(job, checks=checks), sheet, "", Proof(), "", head, {}))
        assert said.count("No max_error is stated") == times


@settings(deadline=None, max_examples=8)
@given(text=st.text(min_size=1, alphabet=st.sampled_from("<>&\"'/= {}%#\\\0\n-!]ab\u202e\u2028é前")))
def test_no_text_becomes_markup(usual: Path, tagged: tuple[list[str], set[str]], text: str) -> None:
    found = _Page(usual_page(usual, f"x{text}", f"x{MARKUP}{text}"))
    assert found.tags == tagged[0] and found.names == tagged[1] and found.links == []
    assert not {"\u202e", "\0", "\u2028"} & set(found.text)


def test_a_report_asks_for_nothing_and_runs_nothing(reported: Path) -> None:
    found = _Page(reported.read_text())
    assert found.links == []
    assert not {"script", "link", "img", "iframe", "object", "embed", "base", "form", "image", "use"} & set(found.tags)
    assert not {name for name in found.names if name.startswith("on") or name == "style"}
    text = reported.read_text()
    assert text.count("url(") == text.count("url(data:font/woff2;base64,") and "@import" not in text


async def test_a_browser_shows_it_and_prints_it_on_two_pages(reported: Path, tmp_path: Path) -> None:
    crowded_unit(tmp_path).store.close()
    crowded = write_report(tmp_path / "record.sqlite", 1, tmp_path)
    assert crowded.pdf is not None and crowded.html.name == f"job-00001-{crowded.html.stem[10:]}.html"
    assert re.fullmatch(r"[A-Za-z0-9._-]+", crowded.html.name)
    async with Browser(1100, 900) as browser:
        for path in (reported, crowded.html):
            await browser.open(path.as_uri())
            await browser.wait_for(f"location.href === '{path.as_uri()}' && document.readyState === 'complete'")
            for width, height, phone in ((1100, 900, False), (390, 844, True)):
                await browser.become(width, height, phone=phone)
                assert await browser.value("document.documentElement.scrollWidth") <= width
                # Nothing sticks out of its own place either: names fold, tables that cannot may be pushed.
                assert await browser.value(
                    "[...document.querySelectorAll('h1,h2,h3,p,dd,figure,svg')].every("
                    "(one) => one.closest('.wide') || one.getBoundingClientRect().right <= innerWidth + 1)"
                )
                assert (await browser.picture()).startswith(b"\x89PNG")
            await browser.become(1100, 900)
            if path == reported:
                # Side by side as on paper: six strokes in a row.
                assert (
                    await browser.value(
                        "new Set([...document.querySelectorAll('.strokes')].map((row) => "
                        "new Set([...row.children].map((one) => Math.round(one.getBoundingClientRect().top)))"
                        ".size)).size"
                    )
                    == 1
                )
                for paper in ((8.27, 11.69), (8.5, 11.0)):
                    made = await browser.do("Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1])
                    assert len(PdfReader(io.BytesIO(base64.b64decode(made["data"]))).pages) <= 2
        text = await browser.text()
        for name in (MARKUP, "تعشيق أمامي أول", "前進第一クラッチ組", "קלאץ׳ 7 שמאל"):
            assert name.casefold() in text.casefold()
        assert await browser.value("document.title") == f"Clutch pack report, job 1: {MARKUP}"
        assert await browser.value("document.querySelectorAll('script,img').length") == 0
        assert browser.told == []
        assert {url.split("#")[0] for url in browser.requests if not url.startswith("data:font/woff2")} <= {
            reported.as_uri(),
            crowded.html.as_uri(),
            "about:blank",
        }
    said = pdf_text(crowded.pdf).replace(" ", "")
    assert all(f"{name},check1" in said for name in ("T", "%s{0}\\", "L" + "o" * 180 + "ng"))
    assert len(ODD_NAMES) == 12


# -- what is missing ---------------------------------------------------------------------------------------------


def test_a_recording_that_is_gone_is_said_in_its_place(tmp_path: Path) -> None:
    with Reported(tmp_path) as unit:
        gone = unit.check("low", "line-10hz-mm-clean", "line-10hz-mm-clean")
        pruned = unit.check("high", "line-10hz-mm-clean", "line-10hz-mm-clean")
        broken = unit.check("reverse", "line-10hz-mm-glitch", "line-10hz-mm-clean")
        check = unit.store.job(1).checks[1]
        assert check.verdict is not None
        sha256 = check.verdict.recording_sha256
        unit.store.add_pruned(check.id, recording_sha256=sha256, reason="older than two years", at=unit.later())
    pruned.unlink()
    found = report_of(tmp_path / "record.sqlite")
    assert f"No picture: The recording {pruned.name} was removed by policy" in found
    assert "PROVEN. When" in found and "Not provable any more: 1 whose recording was removed by policy" in found
    gone.unlink()
    broken.write_text(broken.read_text().splitlines()[0] + "\nnot a line\n")
    done = run_command("report", 1, "--data-dir", tmp_path, "--out", tmp_path / "out.html")
    assert done.returncode == 0 and b"NOT PROVEN, and the report says so at its top" in done.stderr
    found = text_of(tmp_path / "out.html")
    assert found.index("NOT PROVEN.") < 150 and f"its recording {gone}" in found
    assert f"No picture: The recording {gone.name} is missing" in found
    assert "No picture: The recording cannot be drawn:" in found and "line 2" in found
    # The numbers are the record's all the same.
    assert found.count("mm, counts") >= 15 and found.count("PROVEN. When") == found.count("NOT PROVEN. When") == 1


def test_a_changed_record_is_reported_and_says_that_it_does_not_prove(usual: Path, tmp_path: Path) -> None:
    usual_unit(tmp_path).store.close()
    path = tmp_path / "record.sqlite"
    tamper(path, ("UPDATE strokes SET held_travel_nm = held_travel_nm - 90000 WHERE id = 4", ()))
    found, proof = gather(path, 1)
    assert not found.proven and proof.mismatch is not None
    text = report_of(path)
    assert "NOT PROVEN." in text and "held_travel_nm" in text and "Do not rely on what is printed here" in text
    assert "Look at the picture with care: The recording found there gives other strokes" in text


@pytest.mark.parametrize("sheet", ["no TOML", ""])
def test_a_job_with_everything_missing(tmp_path: Path, sheet: str) -> None:
    with Reported(tmp_path, serial="", technician="") as unit:
        unit.check("low", "line-10hz-mm-clean", "line-10hz-mm-clean", gauge=None, end="measuring")
        with Store.open(tmp_path / "record.sqlite") as store:
            bare = store.open_job(
                uuid=unit.store.job(1).uuid.__class__(int=7), bench="b", unit_serial="", technician="", sheet_name="",
                sheet_revision="", sheet_toml=sheet, at=AT,
            )  # fmt: skip
    written = write_report(tmp_path / "record.sqlite", bare, tmp_path)
    text = text_of(written.html)
    assert written.pages == 1 and written.contents.proven
    for said in (
        "unit without a serial number", "not named", "still open", "no pack was checked", "none: no check was begun",
        "The build sheet kept with the job cannot be read", "This job holds no verdict yet", "NOT SIGNED OFF",
    ):  # fmt: skip
        assert said in text, said
    first = report_of(tmp_path / "record.sqlite")
    assert "is being measured" in first and "BEING MEASURED" in first.upper() and "0.9" in first


def test_changes_that_do_not_fit_the_sheet_are_no_reason_for_no_report(tmp_path: Path) -> None:
    from capture.clearance.advice import Change
    from capture.unit.facts import PartsChanged, SignedOff

    with Reported(tmp_path) as unit:
        unit.check("low", "line-10hz-mm-clean", "line-10hz-mm-clean")
        unit.say(PartsChanged("lowest", (Change(7, "shim", 2, 3),), None, None, "Aino"))
        unit.say(SignedOff("Carl"))
    text = report_of(tmp_path / "record.sqlite")
    assert "The changes of parts cannot be followed" in text and "part 8 2 to 3" in text
    assert "Signed off: by Carl" in text and "whether it stands cannot be said" in text and "NOT SIGNED OFF" in text


# -- the command -------------------------------------------------------------------------------------------------


def test_without_the_pdf_s_libraries_the_html_is_written_and_they_are_named(usual: Path, tmp_path: Path) -> None:
    # As the loader says it on a machine without them: the library's own import fails with an OSError.
    (tmp_path / "sitecustomize.py").write_text(
        "import cffi\n"
        "def dlopen(self, name, flags=0):\n"
        "    raise OSError(f'cannot load library {name!r}: cannot open shared object file: No such file')\n"
        "cffi.FFI.dlopen = dlopen\n"
    )
    older = tmp_path / "r.pdf"
    older.write_bytes(b"%PDF-1.7 of last year")
    done = command(
        "1", "--data-dir", str(usual.parent), "--out", str(tmp_path / "r.html"), "--json",
        PYTHONPATH=f"{tmp_path}{os.pathsep}{ROOT}",
    )  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "only the HTML was written" in done.stderr and "cannot load library" in done.stderr
    assert "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0" in done.stderr
    assert "the PDF that lies beside it is of an earlier report" in done.stderr
    told = json.loads(done.stdout)
    assert told["pdf"] is None and told["pages"] is None and text_of(Path(told["html"])).startswith("Clutch")
    assert older.read_bytes() == b"%PDF-1.7 of last year"


def test_with_only_the_font_of_a_bare_machine_it_fits_and_letters_without_a_glyph_are_named(tmp_path: Path) -> None:
    usual_unit(tmp_path, technician="前田").store.close()
    (tmp_path / "fonts.conf").write_text(
        f"<fontconfig><dir>/usr/share/fonts/truetype/dejavu</dir><cachedir>{tmp_path}</cachedir></fontconfig>"
    )
    words = ("1", "--data-dir", str(tmp_path), "--out", str(tmp_path), "--json")
    done = command(*words, FONTCONFIG_FILE=str(tmp_path / "fonts.conf"))
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["pages"] <= 2 and told["boxes"] == "前田" and "no installed font has 前田" in done.stderr
    assert "technician: 前田" in text_of(Path(told["html"]))


def test_what_cannot_be_done_is_said(usual: Path, tmp_path: Path) -> None:
    done = run_command("report", 77, "--data-dir", usual.parent, "--out", tmp_path)
    assert done.returncode == 1 and b"there is no job 77" in done.stderr and not list(tmp_path.iterdir())
    note = tmp_path / "notes"
    note.write_text("mine")
    with pytest.raises(ReportError, match=r"is a file; give a folder, or a name that ends in \.html or \.pdf"):
        write_report(usual, 1, note)
    with pytest.raises(ReportError, match=r"cannot write .*: Not a directory; give another place with --out"):
        write_report(usual, 1, note / "below")
    assert note.read_text() == "mine" and list(tmp_path.iterdir()) == [note]


def test_a_check_cut_off_by_a_crash_is_drawn(tmp_path: Path) -> None:
    with Reported(tmp_path) as unit:
        path = unit.check("low", "line-10hz-mm-clean", end="crash")
        unit.store.abandon_open_checks("bay-1", at=unit.later())
        job = unit.store.job(1)
    path.write_bytes(path.read_bytes()[:-5])
    trace = trace_of(job.checks[0], tmp_path / "record.sqlite", unit.sheet, pruned=False)
    header, entries = read_recording(RECORDINGS / "line-10hz-mm-clean.jsonl")
    assert header.indicator["driver"] == "line" and trace.missing == trace.doubt == ""
    assert len(trace.readings) >= sum(1 for _ in entries) - 2


#: The smallest PNG: one black dot (ISO/IEC 15948).
DOT = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010000000037"
    "6ef9240000000a49444154789c6360000000020001e221bc330000000049454e44ae426082"
)


def test_the_shop_s_name_and_logo_stand_over_the_report_as_text_and_in_the_page(usual: Path, tmp_path: Path) -> None:
    logo = tmp_path / "mark.png"
    logo.write_bytes(DOT)
    found, _ = gather(usual, 1)
    html = page(found, letterhead("Workshop <North>", logo))
    assert html.index("Workshop &lt;North&gt;") < html.index("<h1")
    assert f"data:image/png;base64,{base64.b64encode(DOT).decode()}" in html and "mark.png" not in html
    assert "img-src data:" in html and 'class="shop"' not in page(found)


@pytest.mark.parametrize(
    ("data", "words"), [(None, "cannot read"), (b"<svg/>", "neither a PNG nor a JPEG"), (DOT + b"0" * 10**6, "smaller")]
)
def test_a_logo_that_cannot_be_used_is_said(tmp_path: Path, data: bytes | None, words: str) -> None:
    if data is not None:
        (tmp_path / "mark").write_bytes(data)
    with pytest.raises(LetterheadError, match=words):
        letterhead("", tmp_path / "mark")
