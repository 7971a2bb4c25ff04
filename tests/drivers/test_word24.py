"""Three bytes a reading with nothing to mark where one starts: staying in phase, and finding it again."""

from __future__ import annotations

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drivers.indicators.registry import find_driver
from drivers.reading import Reading
from drivers.registry import make_settings


def frame(count: int, inch: bool = False) -> bytes:
    return (abs(count) | (count < 0) << 20 | inch << 23).to_bytes(3, "little")


def read(*chunks: bytes) -> tuple[list[Reading], int]:
    driver = find_driver("word24")
    decoder = driver.decoder(make_settings(driver, {}))
    readings = [reading for chunk in chunks for reading in decoder.feed(chunk)] + decoder.finish()
    return readings, decoder.skipped


def mm(*hundredths: int) -> list[Reading]:
    return [Reading(n * 10_000, "mm") for n in hundredths]


#: A stroke as a gauge shows it: rest, apply, hold with a little noise, release.
STROKE = [37, 37, 36, 37, 52, 90, 128, 141, 147, 149, 150, 150, 151, 150, 150, 118, 77, 45, 38, 37, 37, 36, 37, 37]


def test_each_bit_of_a_frame_means_what_the_wire_form_says() -> None:
    # Bits 0-19 magnitude, 20 negative, 23 inch; 0.01 mm or 0.0005 in (= 12 700 nm, NIST SP 811 app. B).
    assert read(b"\x01\x00\x00") == (mm(1), 0)
    assert read(b"\x00\x01\x00") == (mm(256), 0)
    assert read(b"\xff\xff\x0f") == (mm(1_048_575), 0)
    assert read(b"\x05\x00\x10") == (mm(-5), 0)
    assert read(b"\x00\x00\x10") == (mm(0), 0)
    assert read(b"\x03\x00\x80") == ([Reading(38_100, "in")], 0)
    assert read(b"\x03\x00\x90") == ([Reading(-38_100, "in")], 0)


@pytest.mark.parametrize("reserved", [0x20, 0x40, 0x60])
def test_a_set_reserved_bit_makes_it_no_frame(reserved: int) -> None:
    assert read(bytes((1, 0, reserved))) == ([], 3)


@settings(deadline=None)
@given(st.lists(st.integers(-(2**20) + 1, 2**20 - 1), min_size=1, max_size=4), st.booleans())
def test_a_few_frames_alone_are_all_read_whatever_they_show(counts: list[int], inch: bool) -> None:
    per_count, unit = (12_700, "in") if inch else (10_000, "mm")
    readings, skipped = read(b"".join(frame(count, inch) for count in counts))
    assert [(r.value_nm, r.unit) for r in readings] == [(count * per_count, unit) for count in counts]
    assert skipped == 0


def test_a_clean_stream_is_late_by_no_more_than_its_first_four_frames() -> None:
    driver = find_driver("word24")
    decoder = driver.decoder(make_settings(driver, {}))
    came = [len(decoder.feed(frame(count))) for count in STROKE]
    assert came == [0, 0, 0, 0, 5, *[1] * (len(STROKE) - 5)]


@pytest.mark.parametrize("at", range(15, 3 * len(STROKE) - 12))
@pytest.mark.parametrize("lost", [1, 2])
def test_phase_is_found_again_after_lost_bytes(at: int, lost: int) -> None:
    stream = b"".join(map(frame, STROKE))
    readings, _ = read(stream[:at] + stream[at + lost :])
    values = [reading.value_nm // 10_000 for reading in readings]
    # All before the loss, and the last of the stream, are right; where the loss shows at once, only what it hit is
    # lost. A low byte that does not change hides it until the reading moves again.
    assert values[: at // 3] == STROKE[: at // 3]
    assert values[-2:] == STROKE[-2:]
    assert sum(value not in range(36, 152) for value in values) <= 4


@pytest.mark.parametrize("at", range(15, 3 * len(STROKE) - 12))
@pytest.mark.parametrize("extra", [b"\x55", b"\xff\xff", b"\x25\x00", b"\x00"])
def test_phase_is_found_again_after_extra_bytes(at: int, extra: bytes) -> None:
    stream = b"".join(map(frame, STROKE))
    readings, _ = read(stream[:at] + extra + stream[at:])
    values = [reading.value_nm // 10_000 for reading in readings]
    assert values[: at // 3] == STROKE[: at // 3]
    assert values[-2:] == STROKE[-2:]
    assert sum(value not in range(36, 152) for value in values) <= 4


def test_a_stream_joined_in_the_middle_of_a_frame() -> None:
    stream = b"".join(map(frame, STROKE))
    for late in (1, 2):
        readings, skipped = read(stream[late:])
        assert readings == mm(*STROKE[1:])
        assert skipped == 3 - late


def test_a_wild_value_in_phase_is_passed_on() -> None:
    counts = [*STROKE[:10], 99_999, *STROKE[10:]]
    assert read(b"".join(map(frame, counts))) == (mm(*counts), 0)


@settings(deadline=None)
@given(st.integers(-900, 900), st.integers(-(2**20) + 1, 2**20 - 1), st.integers(1, 3))
def test_a_wild_value_is_passed_on_wherever_the_plunger_rests(rest: int, wild: int, times: int) -> None:
    counts = [*[rest] * 8, *[wild] * times, *[rest] * 8]
    assert read(b"".join(map(frame, counts))) == (mm(*counts), 0)


def test_one_frame_with_a_reserved_bit_set_is_skipped_and_no_other() -> None:
    frames = [frame(count) for count in STROKE]
    frames[8] = bytes((frames[8][0], frames[8][1], frames[8][2] | 0x40))
    assert read(b"".join(frames)) == (mm(*STROKE[:8], *STROKE[9:]), 3)


@settings(deadline=None)
@given(st.integers(-900, 900), st.integers(-900, 900), st.integers(5, 12), st.integers(1, 12))
def test_a_fast_genuine_move_survives(rest: int, applied: int, before: int, after: int) -> None:
    # A move of n times 2.56 mm from n times 0.01 mm is the same bytes as a lost byte, give or take noise.
    assume(all(abs(value) > 8 and abs(value) % 256 not in (0, 16) for value in (rest, applied)))
    counts = [*[rest] * before, *[applied] * after, *[rest] * before]
    assert read(b"".join(map(frame, counts))) == (mm(*counts), 0)


@pytest.mark.parametrize("hundredths", [3, 37, 150, 999, -37, -700])
def test_a_switch_of_unit_survives(hundredths: int) -> None:
    half_thous = round(hundredths * 10_000 / 12_700)
    stream = frame(hundredths) * 8 + frame(half_thous, inch=True) * 8 + frame(hundredths) * 8
    inches = [Reading(half_thous * 12_700, "in")] * 8
    assert read(stream) == ([*mm(*[hundredths] * 8), *inches, *mm(*[hundredths] * 8)], 0)
