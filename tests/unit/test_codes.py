"""Codes that a scanner types: each means one thing, and a scan is never mistaken for keys, which could arm the air."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.plumbing.terminal.scanner import SCAN_GAP_NS, Key, KeyCollector, LostScan, Scan
from capture.sheet.sheet import load_sheet
from capture.unit.codes import NotUnderstood, PackChosen, PartFitted, StepChosen, TechnicianNamed, UnitNamed, read_scan

SHEET = load_sheet(Path(__file__).parents[2] / "fixtures" / "demo" / "workshop-forwarder.toml")
MS = 1_000_000


@pytest.mark.parametrize(
    ("line", "action"),
    [
        ("tech:Ana B.", TechnicianNamed("Ana B.")),
        ("unit:FW3-0042", UnitNamed("FW3-0042")),
        ("unit:A:7/b", UnitNamed("A:7/b")),
        ("pack:low", PackChosen("low")),
        ("step:3", StepChosen(2)),
        ("part:low/backing shim/3", PartFitted("low", 0, 3)),
        ("part:high/snap ring/3.20 mm", PartFitted("high", 0, 3_200_000)),
        # Code 39 (ISO/IEC 16388) has capitals, digits and - . space $ / + %, and no colon.
        ("PACK/REVERSE", PackChosen("reverse")),
        ("PART/HIGH/SNAP RING/3.20 MM", PartFitted("high", 0, 3_200_000)),
        # A symbology identifier, "]" and two characters (ISO/IEC 15424), and what may frame a code.
        ("]C1pack:low", PackChosen("low")),
        ("\x02step: 4\x03\r\n", StepChosen(3)),
    ],
)
def test_a_code_means_one_thing(line: str, action: object) -> None:
    assert read_scan(line, SHEET) == action


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("4006381333931", "no code; expected tech:NAME"),
        ("tech:", "no code"),
        ("pack:third", "no pack 'third'; there are: low, high, reverse"),
        ("step:5", "no step '5'; the sheet has steps 1 to 4"),
        ("step:0", "no step '0'"),
        ("step:two", "no step 'two'"),
        ("step:٣", "no step"),
        ("part:low/shim/3", "there are: low/backing shim, high/snap ring"),
        ("part:low/backing shim/6", "'6' is no count of backing shim, 0 to 5"),
        ("part:high/snap ring/3.30 mm", "no snap ring of 3.30 mm; there are: 2.80 mm, 3.00 mm"),
        ("part:high/snap ring/wide", "cannot be read as a length"),
    ],
)
def test_a_line_that_is_no_code_of_the_sheet_says_what_was_expected(line: str, why: str) -> None:
    found = read_scan(line, SHEET)
    assert isinstance(found, NotUnderstood) and why in found.why


@given(st.text(max_size=40))
def test_whatever_is_scanned_gives_an_action(line: str) -> None:
    read_scan(line, SHEET)
    read_scan(f"part:high/snap ring/{line}", SHEET)


def typed(keys: str, gap_ns: int, start_ns: int = 0, collector: KeyCollector | None = None) -> list[object]:
    """Type keys at an even pace, and then nothing for long."""
    collector = collector or KeyCollector()
    told: list[object] = []
    for n, key in enumerate(keys):
        told += collector.take(start_ns + n * gap_ns, key)
    due_ns = collector.due_ns
    return told + (collector.wait(due_ns) if due_ns is not None else [])


def test_fast_keys_and_enter_are_a_scan_and_slow_ones_are_keys() -> None:
    assert typed("step:3\r", 3 * MS) == [Scan("step:3")]
    assert typed("step:3\n", 20 * MS) == [Scan("step:3")]
    # A quick typist's keys are some 100 ms apart, 50 ms where two fingers roll (common practice).
    assert typed("step:3\r", 50 * MS) == [Key(key) for key in "step:3\r"]
    assert typed("aq", 5 * MS) == [Key("a"), Key("q")]


def test_the_line_feed_after_a_return_is_no_key_of_its_own() -> None:
    assert typed("step:3\r\nstep:4\r\n", 2 * MS) == [Scan("step:3"), Scan("step:4")]


def test_a_key_is_known_after_a_moment_without_another() -> None:
    collector = KeyCollector()
    assert collector.take(0, "a") == [] and collector.due_ns == SCAN_GAP_NS
    assert collector.wait(SCAN_GAP_NS - 1) == []
    assert collector.wait(SCAN_GAP_NS) == [Key("a")]
    assert collector.due_ns is None and collector.wait(10 * SCAN_GAP_NS) == []


def test_a_key_held_down_stays_keys() -> None:
    # Keyboards repeat some 30 times a second (common practice); a slow terminal may bunch them.
    assert typed("+" * 20, 1 * MS) == [Key("+")] * 20


def test_a_scan_that_breaks_off_is_lost_and_none_of_its_letters_acts_as_a_key() -> None:
    collector = KeyCollector()
    told = typed("tech:An", 2 * MS, 0, collector)
    told += typed("a\r", 2 * MS, 100 * MS, collector)
    assert told == [LostScan("tech:An")]
    # What comes after its Enter is new.
    assert typed("a", 0, 200 * MS, collector) == [Key("a")]


def test_a_code_framed_by_stx_is_a_scan_at_any_pace() -> None:
    assert typed("\x02tech:Ana\r", 60 * MS) == [Scan("tech:Ana")]
    assert typed("\x02te", 60 * MS) == [LostScan("te")]
    assert typed("a\x02step:3\r", 1 * MS) == [Key("a"), Scan("step:3")]


@given(st.lists(st.tuples(st.sampled_from("abq+\r\n\x02"), st.integers(0, 400 * MS)), max_size=30))
def test_no_key_is_told_twice_or_out_of_order(presses: list[tuple[str, int]]) -> None:
    collector = KeyCollector()
    told: list[object] = []
    at = 0
    for key, gap in presses:
        at += gap
        told += collector.take(at, key)
    told += collector.wait(at + 10**10)
    text = "".join(one.key if isinstance(one, Key) else one.text for one in told)  # type: ignore[attr-defined]
    rest = iter("".join(key for key, _ in presses))
    assert all(letter in rest for letter in text)
    if presses and all(gap >= SCAN_GAP_NS for _, gap in presses) and not any(key == "\x02" for key, _ in presses):
        assert told == [Key(key) for key, _ in presses]


@given(st.text(alphabet="abqstx:/0123456789", min_size=4, max_size=20), st.integers(0, SCAN_GAP_NS - 1))
def test_no_letter_of_a_fast_scan_is_ever_a_key(text: str, gap_ns: int) -> None:
    told = typed(text + "\r", gap_ns)
    assert told == [Scan(text)] or len(set(text)) == 1
