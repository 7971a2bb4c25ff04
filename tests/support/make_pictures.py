"""Makes the pictures that README and guide show: `python -m tests.support.make_pictures`.

The bench's screen is the demo's first check, measured again from what its simulated indicator sends; the board hears
four benches of the same workshop; the report is that of a unit on record. Nothing here reads a clock, so the same
program gives the same pictures. A test compares what they say with what the program would show now.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import json
import os
import re
import tempfile
import time
from collections import deque
from datetime import UTC, datetime, timedelta
from pathlib import Path

from rich.console import Console, RenderableType

from capture.board.floor import Floor
from capture.board.terminal import ChosenView
from capture.board.terminal import render as board_screen
from capture.clearance.check import StrokeKept
from capture.clearance.gauge.standing import mornings_of, spoken
from capture.clearance.verdict import VerdictWord
from capture.dashboard.bench_screen import render as bench_screen
from capture.dashboard.gauge_screen import GaugeShown, gauge_screen
from capture.dashboard.unit_page import Page
from capture.dashboard.view import BenchView, PackView
from capture.mqtt.messages import VerdictMessage
from capture.mqtt.topics import verdict_topic
from capture.output.gauge_chart import strip
from capture.plumbing.terminal.canvas import Frame
from capture.recordings.file import RecordingWriter
from capture.recordings.replay import Replay
from capture.report.page import page
from capture.report.writing import gather
from capture.sheet.sheet import load_sheet
from capture.simulation.scenario import DEMO_BENCH, DEMO_CHECKS, DEMO_INDICATOR, DEMO_SEED, DEMO_TECHNICIAN
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from tests.load.gauge_year import some_mornings
from tests.support.browser import Browser
from tests.support.reported_unit import usual_unit
from tests.support.samples import SHA256, verdict
from tests.support.shop import Sent, job_of, status, stroke_of

__all__ = ["PAGES", "PICTURES", "board", "gauge", "report_mark", "report_page", "screen"]

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "fixtures" / "pictures"
#: What the pictures of pages were made from: a file's name, and the hash of its page without its fonts.
PAGES = PICTURES / "pages.json"
_SHEET = ROOT / "fixtures" / "demo" / "workshop-forwarder.toml"
_AT = datetime(2026, 10, 5, 7, 30, tzinfo=UTC)
_KEYS = "r start over   c parts   s steps   u sign-off   q end   1-3 pack   e budget"

#: A terminal as SVG: any monospaced font of the reader's machine, nothing fetched.
_SVG = """<svg class="rich-terminal" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>.{unique_id}-matrix {{ font-family: monospace; font-size: {char_height}px; line-height: {line_height}px; }}
{styles}</style>
<defs><clipPath id="{unique_id}-clip-terminal"><rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/>
</clipPath>
{lines}</defs>
<rect width="100%" height="100%" rx="8" fill="#292929"/>
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


def screen(width: int = 96, height: int = 30) -> Frame:
    """Return the bench's screen at the demo's first verdict."""
    sheet = load_sheet(_SHEET)
    check = DEMO_CHECKS[0]
    pack = sheet.pack(check.pack)
    bench = SimulatedBench(DEMO_BENCH, check.physics, DEMO_SEED)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.jsonl"
        told = {"recording": 2, "started": _AT.isoformat(), "bench": "forest-1", "indicator": dict(DEMO_INDICATOR)}
        with RecordingWriter(path, told) as recording:
            for t_ns, data in (*bench.rest(2_000_000_000), *bench.check(check.physics, check.strokes)):
                recording.stream(t_ns, "indicator", data)
        replay = Replay(path, pack, sheet.display_unit, sheet.air, stop_when_settled=True, keep_readings=True)
        strokes = [StrokeKept(one.stroke, one.seat) for one in replay.strokes()]
    rest_nm = replay.readings[0][1]
    trace = deque((t_ns, abs(value_nm - rest_nm)) for t_ns, value_nm in replay.readings)
    verdict = replay.verdict
    assert verdict is not None
    view = BenchView(
        bench="forest-1",
        job="1",
        unit_serial="FW3-0117",
        technician=DEMO_TECHNICIAN,
        sheet_name=f"{sheet.sheet.name} ({sheet.sheet.revision})",
        packs=[PackView(pack.name, "done", verdict), PackView("high", "waiting"), PackView("reverse", "waiting")],
        pack=0,
        low_nm=pack.low_nm,
        high_nm=pack.high_nm,
        preferred_nm=pack.preferred_nm,
        strokes_wanted=pack.strokes,
        seat_wanted=pack.seat_strokes,
        measure=pack.measure,
        air=sheet.air.text(sheet.pressure_unit) if sheet.air is not None else "",
        strokes=strokes,
        verdict=verdict,
        advice=[one.text for one in replay.advice],
        reading_nm=replay.readings[-1][1],
        reading_places=2,
        offset_nm=trace[-1][1],
        moving="rest",
        trace=trace,
        indicator="up",
        indicator_text="/dev/ttyUSB0, line",
        broker="up",
        message=verdict.next_step,
        keys=_KEYS,
    )
    return bench_screen(view, width, height)


def board(width: int = 150, height: int = 12) -> Frame:
    """Return the supervisor's board with four benches of a workshop."""
    floor = Floor(_AT - timedelta(minutes=50))
    floor.link("up", "", _AT - timedelta(minutes=50))
    benches: tuple[tuple[str, str, str, str, VerdictWord, int], ...] = (
        ("forest-1", "FW3-0117", "Ana", "low", "loose", 1_379_000),
        ("forest-2", "FW3-0118", "Berit", "high", "good", 991_000),
        ("forest-3", "SK2-0044", "Carl", "reverse", "good", 1_184_000),
        ("forest-4", "HV1-0203", "Di", "low", "inconclusive", 1_286_000),
    )
    for n, (bench, serial, technician, pack, word, mean_nm) in enumerate(benches):
        at = _AT - timedelta(minutes=4 * n + 1)
        about = {"job": job_of(bench), "pack": pack, "unit_serial": serial, "technician": technician}
        measured = VerdictMessage.of(
            verdict(verdict=word, mean_nm=mean_nm),
            at=at, bench=bench, job=job_of(bench), pack=pack, check=1, advice=[], recording_sha256=SHA256, attempt=1,
        )  # fmt: skip
        sent = [
            status(bench, at=at - timedelta(minutes=3), state="measuring", **about),
            *(stroke_of(bench, k, pack=pack, at=at, peak_travel_nm=mean_nm) for k in range(1, 6)),
            Sent(verdict_topic(bench, pack), measured.model_dump_json(), True),
            status(bench, at=at, **about),
        ]
        for one in sent:
            floor.feed(one.topic, one.payload.encode(), False, at)
    return board_screen(floor, ChosenView(), _AT, width, height)


def gauge(width: int = 96, height: int = 24) -> Frame:
    """Return the screen of a morning's check of the gauge, its strip with thirty mornings."""
    mornings = mornings_of(some_mornings(30, 7), "DI-0413")
    upper, lower = strip(mornings)
    said = f"Gauge DI-0413: {spoken(mornings[-1])}"
    shown = GaugeShown("DI-0413", f"{said}: in order.", "Enter signs it, as measured.", f"{said}: in order.",
                       upper, lower, False)  # fmt: skip
    view = BenchView(bench="forest-1", technician=DEMO_TECHNICIAN, offset_nm=0, reading_nm=0, indicator="up")
    return gauge_screen(view, Page(), shown, width, height)


def report_page() -> str:
    """Return the HTML of a unit's report, its times in UTC."""
    zone = os.environ.get("TZ")
    os.environ["TZ"] = "UTC"
    time.tzset()
    try:
        with tempfile.TemporaryDirectory() as folder, usual_unit(Path(folder)) as unit:
            contents, _ = gather(unit.path, unit.job)
            return page(contents)
    finally:
        os.environ.pop("TZ") if zone is None else os.environ.update(TZ=zone)
        time.tzset()


def report_mark(html: str) -> str:
    """Return what tells one page from another: a hash without its fonts, which a library's version cuts, and without
    the record's own hashes, which are another record's each time."""
    return hashlib.sha256(re.sub(r"url\(data:font[^)]*\)|\b[0-9a-f]{64}\b", "", html).encode()).hexdigest()


def svg(shown: RenderableType, width: int, name: str) -> str:
    """Return a terminal with `shown` on it."""
    console = Console(width=width, record=True, force_terminal=True, color_system="truecolor", file=io.StringIO())
    console.print(shown)
    return console.export_svg(code_format=_SVG, unique_id=name)


async def _photograph(address: str) -> bytes:
    async with Browser(900, 1180) as browser:
        await browser.open(address)
        return await browser.picture()


def main() -> None:
    """Make them all anew."""
    (PICTURES / "bench.svg").write_text(svg(screen(), 96, "bench"), encoding="utf-8")
    (PICTURES / "board.svg").write_text(svg(board(), 150, "board"), encoding="utf-8")
    (PICTURES / "gauge.svg").write_text(svg(gauge(), 96, "gauge"), encoding="utf-8")
    html = report_page()
    told = json.dumps({"report.png": report_mark(html)}, indent=1) + "\n"
    if PAGES.is_file() and PAGES.read_text() == told:
        return  # the record's own hash on it differs each time, and is no reason for another picture
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "report.html"
        file.write_text(html, encoding="utf-8")
        (PICTURES / "report.png").write_bytes(asyncio.run(_photograph(file.as_uri())))
    PAGES.write_text(told)


if __name__ == "__main__":
    main()
