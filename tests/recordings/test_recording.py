"""Recordings: every byte back as it came, readable on disk, and any damage named by its line."""

from __future__ import annotations

import hashlib
import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.recordings.file import RecordedLine, RecordingError, RecordingWarning, RecordingWriter, read_recording

HEADER: dict[str, Any] = {
    "recording": 2,
    "started": "2026-01-31T08:00:00Z",
    "bench": "bench 1",
    "indicator": {"driver": "line", "unit": "mm", "resolution": "0.001 mm"},
}
FIRST = json.dumps(HEADER)


def lines(path: Path) -> list[RecordedLine]:
    return list(read_recording(path)[1])


def written(path: Path, *lines: str, end: str = "\n") -> Path:
    path.write_text("\n".join([FIRST, *lines]) + end, encoding="utf-8")
    return path


MARKS = st.dictionaries(st.sampled_from(["job", "pack", "tech", "note"]), st.text(max_size=20))
STREAMED = st.tuples(st.integers(0, 2**63 - 1), st.sampled_from(["indicator", "fixture"]), st.binary(max_size=60))
MARKED = st.tuples(st.integers(0, 2**63 - 1), st.just("mark"), MARKS)


@given(st.lists(STREAMED | MARKED, max_size=20))
def test_every_byte_and_mark_comes_back_as_it_was_received(items: list[tuple[int, Any, Any]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "check.jsonl"
        with RecordingWriter(path, HEADER) as writer:
            for t_ns, source, data in items:
                writer.mark(t_ns, data) if source == "mark" else writer.stream(t_ns, source, data)
            sealed = writer.seal()
            assert writer.size == path.stat().st_size
        header, read = read_recording(path)
        back = list(read)
        raw = path.read_bytes()
    assert sealed == hashlib.sha256(raw).hexdigest()
    assert header.bench == "bench 1" and header.indicator == HEADER["indicator"] and header.fixture is None
    assert [(e.source, e.mark if e.source == "mark" else e.data) for e in back] == [(s, d) for _, s, d in items]
    latest = 0
    for line, (t_ns, _, _) in zip(back, items, strict=True):
        latest = max(latest, t_ns)
        assert line.t_ns == latest


def test_all_256_bytes_survive(tmp_path: Path) -> None:
    path = tmp_path / "all.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.stream(1, "indicator", bytes(range(256)))
    (line,) = lines(path)
    assert line.data == bytes(range(256))


def test_an_ascii_stream_stays_readable_on_disk(tmp_path: Path) -> None:
    path = tmp_path / "ascii.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.stream(20_000_000, "indicator", b"+1.234 mm\r\n")
        writer.stream(30_000_000, "indicator", b"\xb5")
    assert path.read_bytes().splitlines()[1:] == [
        rb'{"ns":20000000,"indicator":"+1.234 mm\r\n"}',
        '{"ns":30000000,"indicator":"µ"}'.encode(),
    ]


def test_a_note_that_is_no_proper_text_is_recorded_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "note.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.mark(1, {"note": "gr\udcfcn \N{GREEK SMALL LETTER MU}"})
    assert lines(path)[0].mark == {"note": "gr\udcfcn \N{GREEK SMALL LETTER MU}"}


def test_times_handed_over_out_of_order_never_decrease_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "order.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        assert writer.stream(50, "indicator", b"a") == 50
        assert writer.mark(40, {"note": "from another thread"}) == 50
        assert writer.stream(-1, "indicator", b"b") == 50
        assert writer.stream(60, "indicator", b"c") == 60
    assert [line.t_ns for line in lines(path)] == [50, 50, 50, 60]


def test_what_is_recorded_is_on_disk_before_the_recording_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "live.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.stream(1, "indicator", b"+0.001\r\n")
        assert [line.data for line in lines(path)] == [b"+0.001\r\n"]
        first = writer.seal()
        assert first == hashlib.sha256(path.read_bytes()).hexdigest()
        writer.stream(2, "indicator", b"+0.002\r\n")
        assert writer.seal() == hashlib.sha256(path.read_bytes()).hexdigest() != first


def test_a_recording_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "once.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.stream(1, "indicator", b"kept")
    before = path.read_bytes()
    with pytest.raises(RecordingError, match=r"once\.jsonl"):
        RecordingWriter(path, HEADER)
    assert path.read_bytes() == before


def test_a_missing_recording_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"cannot read .*none\.jsonl"):
        read_recording(tmp_path / "none.jsonl")


@given(st.integers(1, 200), st.binary(min_size=1, max_size=40))
def test_a_recording_cut_anywhere_in_its_last_line_warns_and_keeps_what_came_before(cut: int, data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cut.jsonl"
        with RecordingWriter(path, HEADER) as writer:
            writer.stream(1, "indicator", b"+1.000\r\n")
            writer.stream(2, "indicator", b"+1.001\r\n")
            start = writer.size
            writer.stream(3, "indicator", data)
            length = writer.size - start
        # At least one character of the line is left, and its closing bracket is not.
        path.write_bytes(path.read_bytes()[: start + 1 + cut % (length - 2)])
        with pytest.warns(RecordingWarning, match="line 4: cut off"):
            back = lines(path)
    assert [line.data for line in back] == [b"+1.000\r\n", b"+1.001\r\n"]


GOOD = '{"ns": 10, "indicator": "+1.000\\r\\n"}'


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('{"ns": 11, "indicator": "+1.0', "no JSON"),
        ("", "no JSON"),
        ("+1.000", "no JSON"),
        ("[" * 20_000, "no JSON"),
        ("\ufeff" + GOOD, "no JSON"),
        ('[11, "indicator", "a"]', "no object"),
        ("7", "no object"),
        ('{"indicator": "a"}', '"ns" is missing'),
        ('{"ns": null, "indicator": "a"}', '"ns" is missing'),
        ('{"ns": "11", "indicator": "a"}', "\"ns\" is '11', no whole number"),
        ('{"ns": 11.5, "indicator": "a"}', '"ns" is 11.5, no whole number'),
        ('{"ns": 1e2, "indicator": "a"}', '"ns" is 100.0, no whole number'),
        ('{"ns": true, "indicator": "a"}', '"ns" is True, no whole number'),
        ('{"ns": -1, "indicator": "a"}', '"ns" is -1, no whole number'),
        ('{"ns": 9, "indicator": "a"}', "time 9 is before 10"),
        ('{"ns": 9223372036854775808, "indicator": "a"}', "beyond 9223372036854775807 ns"),
        (f'{{"ns": {"9" * 5000}, "indicator": "a"}}', "a number has too many digits"),
        ('{"ns": 11}', "not exactly one of indicator, fixture, mark"),
        ('{"ns": 11, "indicator": "a", "fixture": "b"}', "not exactly one of indicator, fixture, mark"),
        ('{"ns": 11, "indicator": "a", "note": "b"}', "not exactly one of indicator, fixture, mark"),
        ('{"ns": 11, "indicator": "a", "indicator": "b"}', "a key is there twice"),
        ('{"ns": 11, "gauge": "a"}', "'gauge' is none of indicator, fixture, mark"),
        ('{"ns": 11, "indicator": 5}', "the bytes of the indicator are no text"),
        ('{"ns": 11, "fixture": {}}', "the bytes of the fixture are no text"),
        ('{"ns": 11, "indicator": "\u0100"}', "no byte 0 to 255"),
        ('{"ns": 11, "mark": "note"}', "a mark is no object"),
        ('{"ns": 11, "mark": {"note": NaN}}', "NaN is no number of JSON"),
    ],
)
def test_a_malformed_line_in_the_middle_is_an_error_that_names_it(tmp_path: Path, line: str, reason: str) -> None:
    path = written(tmp_path / "bad.jsonl", GOOD, line, '{"ns": 12, "indicator": "b"}')
    _, read = read_recording(path)
    assert next(read).t_ns == 10
    with pytest.raises(RecordingError, match=r"bad\.jsonl, line 3: .*expected such as") as caught:
        list(read)
    assert reason in str(caught.value)


def test_a_complete_last_line_that_is_malformed_is_an_error_too(tmp_path: Path) -> None:
    path = written(tmp_path / "end.jsonl", GOOD, '{"ns": 11}')
    with pytest.raises(RecordingError, match="line 3"):
        lines(path)


def test_bytes_that_are_no_utf_8_are_an_error_that_names_the_line(tmp_path: Path) -> None:
    path = tmp_path / "latin.jsonl"
    path.write_bytes(f"{FIRST}\n{GOOD}\n".encode() + b'{"ns":11,"indicator":"\xb5"}\n')
    with pytest.raises(RecordingError, match="line 3: no JSON"):
        lines(path)


def test_equal_times_are_no_error(tmp_path: Path) -> None:
    assert len(lines(written(tmp_path / "equal.jsonl", GOOD, GOOD))) == 2


@pytest.mark.parametrize(
    "line", ['{"ns": 9, "indicator": "a"}', '{"ns": 11}', "7", '{"ns": 11, "indicator": "a", "ns": 12}']
)
def test_a_last_line_that_is_whole_but_wrong_was_not_cut_off(tmp_path: Path, line: str) -> None:
    with pytest.raises(RecordingError, match="line 3"):
        lines(written(tmp_path / "whole.jsonl", GOOD, line, end=""))


def test_the_latest_time_is_what_64_bits_hold(tmp_path: Path) -> None:
    latest = f'{{"ns": {2**63 - 1}, "mark": {{"note": "late"}}}}'
    assert lines(written(tmp_path / "late.jsonl", GOOD, latest))[-1].t_ns == 2**63 - 1


def test_a_line_is_what_another_reader_of_json_reads(tmp_path: Path) -> None:
    # By Python's json alone: an object a line, as the form's description has it, with nothing of ours between.
    path = tmp_path / "told.jsonl"
    with RecordingWriter(path, HEADER) as writer:
        writer.stream(17_773_790, "indicator", b"+3.00 mm\r\n")
        writer.stream(17_773_800, "fixture", b'state "\\ \x00\xff')
        writer.mark(17_773_900, {"note": 'said "so"\n', "job": None})
    assert [json.loads(line) for line in path.read_text("utf-8").splitlines()] == [
        HEADER,
        {"ns": 17_773_790, "indicator": "+3.00 mm\r\n"},
        {"ns": 17_773_800, "fixture": 'state "\\ \x00\xff'},
        {"ns": 17_773_900, "mark": {"note": 'said "so"\n', "job": None}},
    ]


def test_a_whole_last_line_without_its_line_end_is_read(tmp_path: Path) -> None:
    assert len(lines(written(tmp_path / "open.jsonl", GOOD, GOOD, end=""))) == 2


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"recording": 1}, "recording"),
        ({"recording": 3}, "recording"),
        ({"recording": "2"}, "recording"),
        ({"recording": None}, "recording"),
        ({"started": None}, "started"),
        ({"started": "yesterday"}, "started"),
        ({"started": "2026-01-31T08:00:00"}, "started"),
        ({"bench": None}, "bench"),
        ({"bench": 4}, "bench"),
        ({"indicator": None}, "indicator"),
        ({"indicator": "line"}, "indicator"),
        ({"indicator": {}}, "driver"),
        ({"indicator": {"driver": 3}}, "driver"),
        ({"fixture": "none"}, "fixture"),
    ],
)
def test_a_header_that_is_wrong_is_an_error_that_names_line_1_and_the_key(
    tmp_path: Path, changes: dict[str, Any], named: str
) -> None:
    path = tmp_path / "header.jsonl"
    header = {key: value for key, value in (HEADER | changes).items() if value is not None}
    path.write_text(json.dumps(header) + "\n", encoding="utf-8")
    with pytest.raises(RecordingError, match=rf"header\.jsonl, line 1: .*{named}.*expected"):
        read_recording(path)


@pytest.mark.parametrize(
    "first", ["", "\n", "hello\n", "[1]\n", "3\n", FIRST[:-5], "[" * 20_000, FIRST.replace("{", '{"bench": "b", ', 1)]
)
def test_a_first_line_that_is_no_header_is_an_error(tmp_path: Path, first: str) -> None:
    path = tmp_path / "first.jsonl"
    path.write_text(first, encoding="utf-8")
    with pytest.raises(RecordingError, match=r"line 1: .*expected a header such as"):
        read_recording(path)


def test_a_recording_may_say_more_about_its_bench_than_is_needed(tmp_path: Path) -> None:
    path = tmp_path / "more.jsonl"
    header = HEADER | {"fixture": {"driver": "simulated"}, "calibrated": "2026-01-05"}
    with RecordingWriter(path, header):
        pass
    read, rest = read_recording(path)
    assert read.fixture == {"driver": "simulated"} and list(rest) == []


@given(st.binary(max_size=200))
def test_whatever_the_file_holds_it_is_read_or_refused_with_its_line(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fuzz.jsonl"
        path.write_bytes(f"{FIRST}\n".encode() + data + b"\n")
        try:
            assert all(line.t_ns >= 0 for line in lines(path))
        except RecordingError as error:
            assert "line " in str(error)
