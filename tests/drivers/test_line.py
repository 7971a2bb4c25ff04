"""Lines of text as indicators send them: what is a reading, what is none, and what a line costs."""

from __future__ import annotations

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.indicators.registry import find_driver
from drivers.reading import CUT_SHORT, TOO_MANY_DIGITS, Reading
from drivers.registry import make_settings


def read(data: bytes, driver: str = "line", **values: object) -> tuple[list[Reading], int]:
    found = find_driver(driver)
    decoder = found.decoder(make_settings(found, values))
    readings = [*decoder.feed(data), *decoder.finish()]
    return readings, decoder.skipped


# Lengths in nanometres: 1 in = 25.4 mm exactly (NIST SP 811 app. B). The spellings are common practice.
@pytest.mark.parametrize(
    ("line", "value_nm", "unit"),
    [
        (b"+0.0235", 23_500, "mm"),
        (b"A:+00.123 mm", 123_000, "mm"),
        (b"01A+00012.345", 12_345_000, "mm"),
        (b"CH1 0.123in", 3_124_200, "in"),
        (b"CH1-0.123in", -3_124_200, "in"),
        (b"CH 1 0.5", 500_000, "mm"),
        (b"1,+0.1234,in", 3_134_360, "in"),
        (b"1 0.250", 250_000, "mm"),
        (b"1, -3", -3_000_000, "mm"),
        (b"- 0.123", -123_000, "mm"),
        (b'.250"', 6_350_000, "in"),
        (b"0.123mm", 123_000, "mm"),
        (b"0.123 MM", 123_000, "mm"),
        (b"1 inch", 25_400_000, "in"),
        (b"12um", 12_000, "mm"),
        (b"12 \xb5m", 12_000, "mm"),  # micro sign in latin-1
        (b"12 \xc2\xb5M", 12_000, "mm"),  # micro sign in UTF-8
        (b"12\xce\xbcm", 12_000, "mm"),  # Greek mu in UTF-8
        (b"  \t 1.50 \t", 1_500_000, "mm"),
        (b"\x02+1.50\x03", 1_500_000, "mm"),
        (b"\0\0-1.50\0", -1_500_000, "mm"),
        (b"-0.000", 0, "mm"),
        (b"A:5", 5_000_000, "mm"),
        (b"A 5 um", 5_000, "mm"),
        (b"0.00005 in", 1_270, "in"),
        (b"0.00000001 in", 0, "in"),  # 0.254 nm
        (b"0.0000005", 0, "mm"),  # half a nanometre rounds to even
        (b"0.0000015", 2, "mm"),
    ],
)
@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_a_line_that_shows_a_length(line: bytes, value_nm: int, unit: str, end: bytes) -> None:
    assert read(line + end) == ([Reading(value_nm, unit)], 0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "line",
    [
        *(b"Err", b"Err 5", b"Error: 5.5", b"ERR+0.5", b"E 05", b"----", b"--0.1", b"+-0.1", b"+", b".", b"-."),
        *(b"1.2.3", b"0,123", b"0.1 mm x", b"0.1 0.2 0.3", b"0.1kg", b"0.1 m", b"in", b"mm 3", b"1-0.5", b"1 2"),
        *(b"A0.5", b"0x12", b"1e5", b"nan", b"inf", b"OL", b"\xff0.1", b"0.1\xff", b"1234567890.0", b"1\0002"),
        *("٣.٥".encode(), b"NO SIGNAL", b"0.1;", b"1:", b"A:", b"0.1 in mm"),
    ],
)
def test_a_line_that_shows_none_is_counted_and_never_made_into_a_reading(line: bytes) -> None:
    assert read(b"0.25\r\n" + line + b"\r\n0.50\r\n") == (
        [Reading(250_000, "mm"), Reading(500_000, "mm")],
        len(line),
    )


def test_a_line_without_an_end_is_no_reading() -> None:
    assert read(b"0.25\r0.5") == ([Reading(250_000, "mm")], 3)


def test_blank_lines_count_for_nothing() -> None:
    assert read(b"\r\n\n\r \r\n\0\r\x02\x03\r\n") == ([], 0)


def test_noise_without_a_line_end_is_dropped_up_to_the_next() -> None:
    assert read(b"0" * 300 + b"0.25\r0.50\r") == ([Reading(500_000, "mm")], 304)
    assert read(b" " * 300 + b"0.25\r0.50\r") == ([Reading(500_000, "mm")], 304)


@pytest.mark.parametrize(
    ("line", "value_nm"),
    [
        *((b"+0,123", 123_000), (b"1,5 mm", 1_500_000), (b"1 2,3", 2_300_000), (b"1,+2,3", 2_300_000)),
        *((b"A: 2,3", 2_300_000), (b",5", 500_000)),
    ],
)
def test_a_decimal_comma(line: bytes, value_nm: int) -> None:
    assert read(line + b"\r", decimal=",") == ([Reading(value_nm, "mm")], 0)


@pytest.mark.parametrize("line", [b"0.123", b"1,2,3", b"1.234,5"])
def test_with_a_decimal_comma_a_point_or_a_second_comma_is_no_length(line: bytes) -> None:
    assert read(line + b"\r", decimal=",") == ([], len(line))


def test_the_settings_name_the_unit_of_a_stream_that_does_not() -> None:
    assert read(b"0.0005\r0.1 mm\r", unit="in")[0] == [Reading(12_700, "in"), Reading(100_000, "mm")]


@settings(deadline=None)
@given(lines=st.lists(st.from_regex(rb"[^\r\n]{0,40}", fullmatch=True), max_size=20))
def test_every_byte_of_a_line_is_a_reading_or_blank_or_counted(lines: list[bytes]) -> None:
    readings, skipped = read(b"".join(line + b"\n" for line in lines))
    alone = [read(line + b"\n") for line in lines]
    assert readings == [reading for found, _ in alone for reading in found]
    assert skipped == sum(count for _, count in alone)
    for line, (found, count) in zip(lines, alone, strict=True):
        assert count == (0 if found or not line.strip(b" \t\0\x02\x03") else len(line))
        assert not found or any(byte in b"0123456789" for byte in line)


@pytest.mark.parametrize(("asked", "sent"), [("?\\r", b"?\r"), ("?\r", b"?\r"), ("\\x02R\\\\\\n", b"\x02R\\\n")])
def test_the_request_is_the_text_that_the_settings_give(asked: str, sent: bytes) -> None:
    driver = find_driver("polled-line")
    settings = make_settings(driver, {"request": asked, "rate": 4})
    assert driver.request(settings) == sent
    assert driver.poll_interval_ns(settings) == 250_000_000


def test_ten_times_a_second_a_question_mark_unless_told_otherwise() -> None:
    driver = find_driver("polled-line")
    settings = make_settings(driver, {})
    assert (driver.request(settings), driver.poll_interval_ns(settings)) == (b"?\r", 100_000_000)


@pytest.mark.parametrize("values", [{"request": "\\q"}, {"request": ""}, {"request": "\\x4"}, {"request": "→"}])
def test_a_request_that_cannot_be_sent_is_refused(values: dict[str, str]) -> None:
    with pytest.raises(ValidationError, match="request"):
        make_settings(find_driver("polled-line"), values)


def test_an_echo_of_the_request_is_no_reading_and_does_no_harm() -> None:
    assert read(b"?\r0.25\r\n?\r0.50\r\n", "polled-line") == (
        [Reading(250_000, "mm"), Reading(500_000, "mm")],
        2,
    )
    assert read(b"R0.25\r", "polled-line", request="R")[0] == [Reading(250_000, "mm")]


@pytest.mark.parametrize("size", [1 << 14, 19])
def test_a_line_costs_microseconds(size: int) -> None:
    # 4 kHz of readings is the most a serial line at 115200 baud brings; that must leave a small computer idle.
    driver = find_driver("line")
    decoder = driver.decoder(make_settings(driver, {}))
    lines = [b"%+09.4f mm\r\n" % (abs(n % 4000 - 2000) / 1000) for n in range(20_000)]
    data = b"".join(lines)
    started = time.process_time()
    count = sum(len(decoder.feed(data[at : at + size])) for at in range(0, len(data), size))
    spent_us = (time.process_time() - started) * 1e6 / count
    assert count == len(lines)
    assert spent_us < 10, f"{spent_us:.2f} us a reading"


def flags_of(data: bytes) -> list[tuple[str, ...]]:
    return [reading.flags for reading in read(data, unit="in")[0]]


def test_a_line_that_lost_a_digit_is_marked_and_what_comes_after_is_not() -> None:
    flags = flags_of(b"0.2565\r\n" * 16 + b"0.565\r\n0.2565\r\n.2565\r\n-0.256\r\n-0.2565\r\n")
    assert [at for at, each in enumerate(flags) if each == (CUT_SHORT,)] == [16, 18, 19]


def test_a_line_that_lost_the_digit_before_its_mark_is_no_plunger_that_jumped_to_zero() -> None:
    readings = read(b"+6.01\r\n" * 4 + b"+.01\r\n" + b"+6.01\r\n" * 4 + b"+.02\r\n+6.01\r\n", resolution="0.01 mm")[0]
    assert [at for at, reading in enumerate(readings) if reading.flags == (CUT_SHORT,)] == [4, 9]


def test_a_display_that_leaves_out_the_zero_before_the_mark_is_believed_from_the_second_line_on() -> None:
    flags = flags_of(b"+1.0005\r\n" * 16 + (b"+.9995\r\n" * 3 + b"+1.0005\r\n" * 20) * 3)
    assert [at for at, each in enumerate(flags) if each] == [16]


def test_a_digit_lost_soon_after_the_stream_began_is_known_by_the_decimals_of_the_display_s_step() -> None:
    """Four lines of 0.0001 in are enough, where sixteen are without that; an early one must not undo it."""
    data = b"0.2051\r\n" * 4 + b"0.245\r\n" + b"0.2047\r\n" * 2 + b"0.249\r\n0.2046\r\n0.250\r\n0.251\r\n"
    readings = read(data, unit="in", resolution="0.0001 in")[0]
    assert [at for at, reading in enumerate(readings) if reading.flags == (CUT_SHORT,)] == [4, 7, 9]


def test_a_line_that_was_given_a_digit_is_marked_and_believed_from_the_second_on() -> None:
    flags = flags_of(b"+0.1000\r\n" * 16 + b"+0.15000\r\n+0.1000\r\n" + b"+0.10005\r\n" * 3)
    assert [at for at, each in enumerate(flags) if each == (TOO_MANY_DIGITS,)] == [16, 18]


def test_a_display_that_leaves_out_zeros_at_the_end_is_believed_from_the_second_line_on() -> None:
    flags = flags_of(b"0.2565\r\n" * 16 + b"0.25\r\n" * 3 + b"0.2565\r\n0.256\r\n")
    assert [at for at, each in enumerate(flags) if each] == [16]


def test_more_decimals_after_a_change_of_unit_are_no_lost_digits() -> None:
    flags = flags_of(b"6.51 mm\r\n" * 16 + b"0.2565 in\r\n" * 16 + b"6.51 mm\r\n" * 2)
    assert not any(flags)
