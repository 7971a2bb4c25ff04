"""A recording measured a block at a time gives what reading by reading gives: every stroke, and whatever is known after
it of the display, of rest, of the stroke that runs and of the pace, bit for bit, wherever the blocks are cut."""

from __future__ import annotations

import gzip
import json
import random
import warnings
from array import array
from collections import deque
from collections.abc import Iterator
from enum import Enum
from math import exp
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.recordings import blocks
from capture.recordings.blocks import SentTexts, blocks_of
from capture.recordings.file import (
    FIXTURE_GAP_NOTE,
    GAP_NOTE,
    RecordedLine,
    RecordingError,
    begin_reading,
    lines_of,
    read_recording,
)
from capture.recordings.in_bulk import StreamInBulk
from capture.recordings.replay import Replay
from capture.recordings.stream import FixtureStream, IndicatorStream, fixture_from, indicator_from
from capture.sheet.sheet import parse_sheet
from capture.simulation.indicator import Displayed
from capture.simulation.wire_bytes import WireSpec, encode
from capture.strokes.stroke import Stroke
from drivers.bulk.display_lines import ReadLines
from drivers.reading import LengthUnit
from drivers.wirings.ascii import line as fixture_line
from tests.load.year_in_bulk import write_shift
from tests.strokes.test_golden import RECORDINGS
from tests.support.proven_record import SHEET

#: Blocks of a few lines, and of all.
SIZES = (2_000, 1 << 19)


def known(of: Any) -> Any:
    """Everything that an object knows, as plain data that can be compared."""
    seen: set[int] = set()

    def plain(one: Any) -> Any:
        if isinstance(one, (int, float, str, bytes, type(None), Enum)) or callable(one):
            return None if callable(one) and not isinstance(one, Enum) else one
        if isinstance(one, dict):
            return {repr(key): plain(value) for key, value in one.items()}
        if isinstance(one, (set, frozenset)):
            return sorted(map(repr, one))
        if isinstance(one, (list, tuple, deque, array)):
            return [plain(value) for value in one]
        if id(one) in seen:
            return "seen"
        seen.add(id(one))
        names = [name for kind in type(one).__mro__ for name in getattr(kind, "__slots__", ())]
        names += getattr(one, "__dict__", {})
        return {name: plain(getattr(one, name)) for name in names if name not in {"_known", "_values", "_plain"}}

    return plain(of)


def one_by_one(path: Path) -> tuple[Iterator[tuple[int, list[Stroke]]], IndicatorStream]:
    """What a bench makes of the lines: yields how many there were so far, and the strokes of the newest."""
    header, lines = read_recording(path)
    driver, chosen, _ = indicator_from(header.indicator)
    stream = IndicatorStream(driver, chosen, "peak", fixture_of(header.fixture))

    def measured() -> Iterator[tuple[int, list[Stroke]]]:
        for number, line in enumerate(lines, 1):
            yield number, taken(stream, line)

    return measured(), stream


def taken(stream: IndicatorStream, line: RecordedLine) -> list[Stroke]:
    if line.source == "indicator":
        return stream.feed(line.t_ns, line.data)[1]
    if line.source == "fixture":
        stream.feed_fixture(line.t_ns, line.data)
    elif line.mark is not None and line.mark.get("note") == GAP_NOTE:
        return stream.lost(line.t_ns)
    elif line.mark is not None and line.mark.get("note") == FIXTURE_GAP_NOTE:
        stream.fixture_lost(line.t_ns)
    return []


def fixture_of(header: dict[str, Any] | None) -> FixtureStream | None:
    return FixtureStream(*fixture_from(header), (130_000, 150_000)) if header else None


def assert_same(path: Path, size: int, monkeypatch: pytest.MonkeyPatch, texts: SentTexts | None = None) -> int:
    """Measure both ways, and compare all that is known after every block; return how many strokes there were. `texts`
    are those of recordings measured before."""
    texts = texts or SentTexts()
    monkeypatch.setattr(blocks, "_BLOCK_BYTES", size)
    one, live = one_by_one(path)
    header, file, reader = begin_reading(path)
    driver, chosen, _ = indicator_from(header.indicator)
    many = StreamInBulk(driver, chosen, "peak", fixture_of(header.fixture), texts=texts)
    passed = strokes = 0
    for block in blocks_of(file, reader, texts):
        found = [stroke for some in many.feed_block(block) for stroke in some]
        expected = []
        for _ in range(len(block.times_ns)):
            passed, some = next(one)
            expected += some
        assert found == expected
        strokes += len(found)
        assert known(many.finder) == known(live.finder), f"after line {passed + 1}"
        assert known(many.decoder) == known(live.decoder), f"after line {passed + 1}"
        assert known(many.fixture) == known(live.fixture), f"after line {passed + 1}"
        assert many.newest == live.newest
    assert next(one, None) is None
    return strokes


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_every_recording_is_measured_the_same_in_blocks(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    texts = SentTexts()  # the second time all of them are known
    for size in SIZES:
        with monkeypatch.context() as patch:
            assert_same(path, size, patch, texts)


# -- streams that nobody recorded ------------------------------------------------------------------------------

FRAMES: dict[str, Literal["bcd13", "word24", "registers"]] = {
    "bcd13": "bcd13", "word24": "word24", "registers": "registers",
}  # fmt: skip
UNITS: tuple[LengthUnit, ...] = ("mm", "mm", "in")
STEPS_NM: dict[LengthUnit, tuple[int, int]] = {"mm": (1_000, 10_000), "in": (2_540, 12_700)}


class Drawn:
    """A check that a seed decides: how its display counts, how its bytes come in, and what goes wrong."""

    def __init__(self, seed: int) -> None:
        draw = self.draw = random.Random(seed)
        self.unit = draw.choice(UNITS)
        self.step_nm = draw.choice(STEPS_NM[self.unit])
        self.period_ns = draw.choice((1, 2, 5, 10, 10, 10, 20, 50, 100, 450)) * 1_000_000
        self.noise_nm = draw.choice((0.0, 0.3, 1.0, 1.5, 3.0)) * self.step_nm
        self.form = draw.choice(("lines", "lines", "lines", "cut", "several", "mixed"))
        self.driver = draw.choice(("line", "line", "line", "polled-line", "counts", *FRAMES))
        self.wire = WireSpec(
            form=FRAMES.get(self.driver, "line"), hex_digits=draw.random() < 0.5, words=draw.choice((1, 2))
        )
        self.trouble = draw.choice((0.0, 0.0, 0.002, 0.02))
        self.fixture = draw.random() < 0.4
        self.blanks = draw.random() < 0.5
        self.jitter_ns = draw.choice((0, 0, 100_000, self.period_ns // 2))
        self.plus, self.end = draw.choice(("+", "")), draw.choice(("\r\n", "\r\n", "\n", "\r"))
        self.named = draw.choice(("", "", " " + self.unit))

    def header(self) -> dict[str, Any]:
        indicator: dict[str, Any] = {"driver": self.driver, "unit": self.unit}
        if self.driver == "counts":
            indicator["scale"] = f"{self.step_nm} nm"
        if self.driver == "registers":
            indicator |= {"scale": f"{self.step_nm} nm", "function": "input", "words": self.wire.words}
        if self.draw.random() < 0.5:
            indicator["range"] = ["-1 mm", "12 mm"]
        found = {"recording": 2, "started": "2026-03-02T07:00:00Z", "bench": "bay-1", "indicator": indicator}
        return found | ({"fixture": {"driver": "ascii"}} if self.fixture else {})

    def shown(self, value_nm: float) -> str:
        counts = round(value_nm / self.step_nm)
        if self.driver in FRAMES:
            return encode(self.wire, Displayed(counts, self.step_nm, self.unit)).decode("latin-1")
        if self.driver == "counts":
            return f"{counts:{self.plus}d}{self.end}"
        decimals = {1_000: 3, 10_000: 2, 2_540: 4, 12_700: 4}[self.step_nm]
        per_unit = {"mm": 1_000_000, "in": 25_400_000}[self.unit]
        return f"{counts * self.step_nm / per_unit:{self.plus}.{decimals}f}{self.named}{self.end}"

    def lines(self, readings: int) -> Iterator[dict[str, Any]]:
        draw, t_ns = self.draw, 0
        travel, rest = draw.choice((-1, 1)) * draw.uniform(0.1, 2) * 1e6, draw.choice((0.0, 2e6))
        hold, apart = draw.uniform(20, 200) * self.period_ns / 1e9, draw.uniform(60, 250) * self.period_ns / 1e9
        begun_ns, waiting, was_open = round(apart * 1e9), "", False
        yield {"ns": 0, "mark": {"job": "a", "pack": "C1"}}
        for number in range(readings):
            t_ns += self.period_ns + (draw.randrange(-self.jitter_ns, self.jitter_ns + 1) if self.jitter_ns else 0)
            since = (t_ns - begun_ns) / 1e9
            if since > hold + apart:
                begun_ns, since = t_ns, 0.0
            out = 1 - exp(-since / 0.03) if 0 <= since < hold else exp(-(since - hold) / 0.03) if since >= hold else 0
            is_open = 0 <= since < hold
            if self.fixture and (is_open != was_open or number % 8 == 0):
                was_open = is_open
                words = f"state {'open' if is_open else 'shut'} up {draw.randrange(128_000, 141_000) * is_open}"
                yield {"ns": t_ns, "fixture": fixture_line(words).decode()}
            text = self.shown(rest + travel * out + draw.gauss(0, self.noise_nm))
            if draw.random() < self.trouble:
                text, line = self.troubled(text, t_ns)
                if line is not None:
                    yield line
                    t_ns = line["ns"]
            waiting += text
            if self.form == "lines" or (self.form == "mixed" and draw.random() < 0.9):
                yield {"ns": t_ns, "indicator": waiting}
                waiting = ""
            elif self.form == "several":
                if draw.random() < 0.2:
                    yield {"ns": t_ns, "indicator": waiting}
                    waiting = ""
            elif waiting:
                cut = draw.randrange(len(waiting)) + 1
                yield {"ns": t_ns, "indicator": waiting[:cut]}
                waiting = waiting[cut:]

    def troubled(self, text: str, t_ns: int) -> tuple[str, dict[str, Any] | None]:
        draw = self.draw
        at = draw.randrange(len(text))
        what = draw.randrange(10)
        if what == 0:
            return text[:at] + text[at + 1 :], None
        if what == 1:
            return text[:at] + draw.choice('0159.- \xb5\x00\x7f"\\') + text[at:], None
        if what == 2:
            return self.shown(draw.uniform(-2e7, 2e7)), None
        if what == 3:
            return text, {"ns": t_ns + draw.choice((10**8, 5 * 10**8, 10**10)), "mark": {"note": GAP_NOTE}}
        if what == 4:
            return text, {"ns": t_ns + draw.choice((10**8, 5 * 10**8, 10**11)), "indicator": ""}
        if what == 5:
            return text, {"ns": t_ns, "mark": {"note": draw.choice((FIXTURE_GAP_NOTE, "a note"))}}
        if what == 6:
            return "x" * draw.choice((10, 100, 300)) + text, None
        if what == 7:
            self.named = draw.choice(("", " mm", " in"))
        if what == 8:
            return text * draw.choice((2, 12, 70)), None
        return "Err" + self.end, None

    def write(self, path: Path, readings: int) -> None:
        separators = (", ", ": ") if self.blanks else (",", ":")
        with path.open("w", encoding="utf-8") as file:
            for line in (self.header(), *self.lines(readings)):
                swapped = dict(reversed(line.items())) if "ns" in line and self.draw.random() < self.trouble else line
                file.write(json.dumps(swapped, separators=separators, ensure_ascii=self.draw.random() < 0.5) + "\n")


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), size=st.sampled_from([1_500, 1 << 19]))
def test_any_stream_is_measured_the_same_in_blocks(
    seed: int, size: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("drawn") / "drawn.jsonl"
    Drawn(seed).write(path, 600)
    with pytest.MonkeyPatch.context() as patch:
        assert_same(path, size, patch)


def test_the_streams_that_are_drawn_hold_strokes_of_every_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found: dict[str, int] = {}
    texts = SentTexts()  # whatever display showed a text before, with whatever settings
    for seed in range(22):
        drawn, path = Drawn(seed), tmp_path / f"{seed}.jsonl"
        drawn.write(path, 800)
        found[drawn.form] = found.get(drawn.form, 0) + assert_same(path, 1 << 19, monkeypatch, texts)
    assert min(found.values()) >= 2 and len(found) == 4, found


def test_a_text_that_was_met_before_is_read_by_the_settings_of_its_own_recording(tmp_path: Path) -> None:
    path, texts, travels = tmp_path / "counts.jsonl", SentTexts(), []
    write_shift(path, 0.2, 6)
    header, *lines = path.read_text("utf-8").replace("+3.", "+3").replace("+2.", "+2").splitlines(keepends=True)
    for scale in ("0.001 mm", "0.002 mm", "0.001 mm"):
        told = json.loads(header) | {"indicator": {"driver": "counts", "scale": scale}}
        path.write_text(json.dumps(told) + "\n" + "".join(lines), "utf-8")
        (kept,) = Replay(path, texts=texts).strokes()
        travels.append(kept.stroke.peak_travel_nm)
        assert [kept] == list(Replay(path).strokes())
    assert travels[0] == travels[2] and travels[1] == pytest.approx(2 * travels[0], rel=1e-3)


def test_what_is_remembered_from_recording_to_recording_has_an_end() -> None:
    texts, named = SentTexts(), 0
    while not texts.crowded:
        driver, settings, _ = indicator_from({"driver": "line", "name": f"DI-{named}"})
        texts.read_by(driver, settings)[None] = ReadLines()
        named += 1
    assert 4 < named < 40  # a bench has a few indicators; each of these takes a megabyte and more


# -- lines that are none ---------------------------------------------------------------------------------------

GOOD = [f'{{"ns":{10_000_000 * at},"indicator":"+2.00{at % 3}\\r\\n"}}' for at in range(1, 60)]
WRONG = (
    '{"ns":250000000,"ns":250000000,"indicator":"+2.001\\r\\n"}',
    '{"ns":0250000000,"indicator":"+2.001\\r\\n"}',
    '{"ns":-250000000,"indicator":"+2.001\\r\\n"}',
    '{"ns":250000000.0,"indicator":"+2.001\\r\\n"}',
    '{"ns":99999999999999999999,"indicator":"+2.001\\r\\n"}',
    '{"ns":2500,"indicator":"+2.001\\r\\n"}',
    '{"ns":250000000,"indicator":"+2.001\\x\\n"}',
    '{"ns":250000000,"indicator":"+2.0\t01"}',
    '{"ns":250000000,"indicator":"\u0100"}',
    '{"ns":250000000,"indicator":"+2.001","fixture":""}',
    '{"ns":250000000,"indicator":"a" "b"}',
    '{"ns":250000000,"indicator":2}',
    '{"ns":250000000,"somebody":"+2.001\\r\\n"}',
    '{"ns":250000000,"mark":"a"}',
    '{"ns":250000000}',
    '[250000000,"+2.001"]',
    '"',
    "",
    '{"ns":250000000,"indicator":"+2.001\\r\\n"} ',
    ' {"ns":250000000,"indicator":"+2.001\\r\\n"}',
    '{"ns":250000000,"indicator":"+2.001\\r\\n"}\r',
    '{"ns": 250000000,"indicator" :"\\u002b2.001\\r\\n"}',
    '{"indicator":"+2.001\\r\\n","ns":250000000}',
    '{"ns":250000000,"indicator":"' + 3_000 * "x" + '"}',
)


def read(path: Path, in_blocks: bool) -> tuple[list[tuple[int, bytes]], str]:
    """The lines that are read, and what is said of the one that is not, or of the last."""
    _, file, reader = begin_reading(path)
    found: list[tuple[int, bytes]] = []
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            if in_blocks:
                for block in blocks_of(file, reader, SentTexts()):
                    texts = (b"" if at < 0 else block.texts[at] for at in block.which.tolist())
                    found += zip(block.times_ns.tolist(), texts, strict=True)
            else:
                for line in lines_of(file, reader):
                    found.append((line.t_ns, line.data))
        except RecordingError as error:
            return found, str(error)
    return found, "".join(str(one.message) for one in said)


@pytest.mark.parametrize("wrong", WRONG, ids=lambda text: text[:40])
def test_a_line_is_taken_or_refused_in_the_same_words(
    wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "one.jsonl"
    header = json.dumps(Drawn(1).header())
    for before, after in ((24, GOOD[25:]), (0, GOOD[25:]), (24, [])):
        for end in ("\n", ""):
            path.write_text("\n".join([header, *GOOD[:before], wrong, *after]) + end, encoding="utf-8")
            for size in (64, 300, 1 << 19):
                monkeypatch.setattr(blocks, "_BLOCK_BYTES", size)
                assert read(path, in_blocks=True) == read(path, in_blocks=False)


def test_a_last_line_that_was_cut_off_is_left_out_wherever_it_was_cut(tmp_path: Path) -> None:
    path, header = tmp_path / "one.jsonl", json.dumps(Drawn(1).header())
    for cut in range(len(GOOD[9])):
        path.write_text("\n".join([header, *GOOD[:9], GOOD[9][:cut]]), encoding="utf-8")
        in_blocks = read(path, in_blocks=True)
        assert in_blocks == read(path, in_blocks=False)
        assert len(in_blocks[0]) == 9


def test_a_compressed_recording_is_read_in_blocks_as_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain, packed = tmp_path / "one.jsonl", tmp_path / "two.jsonl.gz"
    Drawn(5).write(plain, 4_000)
    packed.write_bytes(gzip.compress(plain.read_bytes(), 0))
    monkeypatch.setattr(blocks, "_BLOCK_BYTES", 1_000)
    assert read(packed, in_blocks=True) == read(plain, in_blocks=False)
    packed.write_bytes(packed.read_bytes()[:-40])
    found, said = read(packed, in_blocks=True)
    assert "damaged" in said and found == read(packed, in_blocks=False)[0][: len(found)]


def judged(path: Path, speed: float | None, as_live: bool) -> tuple[Any, ...]:
    """What a check by a sheet comes to; with a speed, line by line."""
    sheet = parse_sheet(SHEET, "sheet")
    replay = Replay(path, sheet.packs[0], "mm", sheet.air, stop_when_settled=as_live, keep_readings=True)
    kept = list(replay.strokes(speed))
    return kept, replay.verdict, replay.readings, replay.gaps_ns, replay.air_at_start


@pytest.mark.parametrize("path", RECORDINGS[::3], ids=lambda path: path.stem)
def test_a_verdict_rests_on_the_same_in_blocks(path: Path) -> None:
    for as_live in (True, False):
        assert judged(path, None, as_live) == judged(path, 1e15, as_live)
