"""Torques: written as shops write them, sent as wrenches send them, and exact by the published factor."""

from __future__ import annotations

import asyncio
import os
import threading
import tty
from collections.abc import Iterator
from contextlib import aclosing, contextmanager
from decimal import Decimal

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.torque import SILENCE_NS, Tightenings, TorqueReading, TorqueSettings, torque_decoder
from drivers.units import format_duration, format_torque, parse_duration, parse_torque, torque_unit, unm_per_unit
from drivers.wrench import tightenings

MS = 1_000_000


def test_a_pound_force_inch_is_the_published_torque() -> None:
    # NIST SP 811, appendix B.8: pound-force inch to newton metre, 1.129 848 E-01; pound-force foot 1.355 818 E+00;
    # kilogram-force metre 9.806 65 E+00, exact.
    assert unm_per_unit("lbf in") == pytest.approx(Decimal(112_984_8) / 10, rel=Decimal("1e-6"))
    assert parse_torque("1 lbf in") == 112_985
    assert parse_torque("1000 lbf ft") == pytest.approx(1_355_818_000, rel=1e-6)
    assert parse_torque("1 kgf m") == 9_806_650


@pytest.mark.parametrize(
    ("spelling", "by_pint"),
    [
        ("N m", "newton * meter"),
        ("lbf in", "force_pound * inch"),
        ("lbf ft", "force_pound * foot"),
        ("ozf in", "force_ounce * inch"),
        ("kgf cm", "kilogram_force * centimeter"),
        ("cN m", "centinewton * meter"),
    ],
)
def test_every_unit_is_what_pint_says(spelling: str, by_pint: str) -> None:
    # The independent reference is the units package Pint, pint.UnitRegistry, with its own table of factors.
    quantity = pint.UnitRegistry().Quantity(1.0, by_pint).to("newton * meter")
    per_unit = unm_per_unit(spelling)
    assert per_unit is not None and float(per_unit) == pytest.approx(1e6 * quantity.magnitude, rel=1e-12)


@pytest.mark.parametrize(
    "text",
    ["35 in_lb", "35 in-lb", "35 in lb", "35 lbf·in", "35 lbf*in", "35 lbf in", "35 inch-pounds", "35 in. lb.",
     "35inlbs", "35 IN-LB", "35 pound-force inches", "35.0 lb in"],
)  # fmt: skip
def test_inch_pounds_are_read_as_shops_write_them(text: str) -> None:
    assert parse_torque(text) == 3_954_469  # 35 times the factor of NIST SP 811, to a micronewton metre
    assert torque_unit(text) == "lbf in"


@pytest.mark.parametrize("text", ["4 N m", "4.0 N m", "4 Nm", "4 N·m", "4 N*m", "4 newton metres", "4 NM"])
def test_newton_metres_are_read_as_shops_write_them(text: str) -> None:
    assert parse_torque(text) == 4_000_000
    assert torque_unit(text) == "N m"


@pytest.mark.parametrize("text", [35, "35", "", "4 J", "4 mm", "4 N", "4 mN", "4 mNm", "1,2 N m", "4 N m m", "nan N m"])
def test_what_is_no_torque_is_refused_with_an_example(text: object) -> None:
    with pytest.raises(ValueError, match=r"'46 N m'") as caught:
        parse_torque(text)
    assert repr(text) in str(caught.value)


def test_more_than_any_bolt_takes_is_refused() -> None:
    with pytest.raises(ValueError, match="check the unit"):
        parse_torque("999999999 kN m")


@given(st.integers(0, 10**6), st.sampled_from(["N m", "lbf in", "lbf ft"]))
def test_a_torque_printed_to_the_last_digit_reads_back_the_same(hundredths: int, unit: str) -> None:
    text = f"{hundredths / 100:.2f} {unit}"
    shown = format_torque(parse_torque(text), unit)  # type: ignore[arg-type]
    assert parse_torque(shown) == parse_torque(text)


@pytest.mark.parametrize(
    ("text", "seconds", "shown"),
    [
        ("30 min", 1_800, "30 min"),
        ("90 s", 90, "1 min 30 s"),
        ("1 h 30 min", 5_400, "1 h 30 min"),
        ("24 hours", 86_400, "24 h"),
        ("2 hrs", 7_200, "2 h"),
        ("0.5 h", 1_800, "30 min"),
    ],
)
def test_times_are_read_and_shown(text: str, seconds: int, shown: str) -> None:
    assert parse_duration(text) == seconds * 10**9
    assert format_duration(seconds * 10**9) == shown


@pytest.mark.parametrize("text", ["overnight", "30", 30, "", "1 h and a bit", "1 mm", "-3 min", "9" * 40 + " h"])
def test_what_is_no_time_is_refused_with_an_example(text: object) -> None:
    with pytest.raises(ValueError, match="expected such as '30 min'"):
        parse_duration(text)


# -- what a wrench sends ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "torque"),
    [
        (b"TQ +35.2 in-lb", TorqueReading(3_977_066, "lbf in")),  # 35.2 times the factor of NIST SP 811
        (b"TQ,+35.2,lbf.in", TorqueReading(3_977_066, "lbf in")),
        (b"1:35.2 lbf*in", TorqueReading(3_977_066, "lbf in")),
        (b"4.0 N m", TorqueReading(4_000_000, "N m")),
        (b"4.0N\xb7m", TorqueReading(4_000_000, "N m")),  # a middle dot in latin-1
        (b"4.0N\xc2\xb7m", TorqueReading(4_000_000, "N m")),  # and in UTF-8
        (b"-3.5 Nm", TorqueReading(-3_500_000, "N m")),
    ],
)
def test_a_line_that_shows_a_torque(line: bytes, torque: TorqueReading) -> None:
    decoder = torque_decoder(TorqueSettings())
    assert decoder.feed(line + b"\r\n") == [torque] and decoder.skipped == 0


def test_a_line_without_a_unit_is_a_torque_only_where_the_settings_name_one() -> None:
    assert torque_decoder(TorqueSettings()).feed(b"35.2\r\n") == []
    assert torque_decoder(TorqueSettings(unit="lbf in")).feed(b"35.2\r\n") == [TorqueReading(3_977_066, "lbf in")]
    assert torque_decoder(TorqueSettings(decimal=",")).feed(b"4,5 Nm\r\n") == [TorqueReading(4_500_000, "N m")]


@pytest.mark.parametrize("line", [b"ER 05", b"35.2 mm", b"4.0 J", b"TQ", b"35.2 in", b"\xff\xfe", b"x" * 400])
def test_a_line_that_is_no_torque_is_skipped_and_counted(line: bytes) -> None:
    decoder = torque_decoder(TorqueSettings())
    assert decoder.feed(line + b"\r\n") == [] and decoder.skipped == len(line)


@given(st.binary(max_size=60), st.lists(st.integers(1, 20), max_size=5))
def test_any_bytes_cut_anywhere_give_the_same_torques(data: bytes, cuts: list[int]) -> None:
    stream = data + b"\r\nTQ +35.2 in-lb\r\n" + data
    whole = torque_decoder(TorqueSettings()).feed(stream)
    decoder, pieces, at = torque_decoder(TorqueSettings()), [], 0
    for cut in [*cuts, len(stream)]:
        pieces += decoder.feed(stream[at : at + cut])
        at += cut
    assert pieces == whole and TorqueReading(3_977_066, "lbf in") in whole


def test_a_peak_sent_once_is_a_tightening_and_a_stream_gives_its_highest() -> None:
    found = Tightenings(floor_unm=1_000_000)
    assert found.take(0, 4_000_000) == [] and found.wait(SILENCE_NS - 1) == []
    assert found.wait(SILENCE_NS) == [4_000_000]
    told: list[int] = []
    for n, torque in enumerate([0, 500_000, 1_500_000, 3_000_000, 4_100_000, 3_900_000, 1_900_000, 0, -600_000]):
        told += found.take(2 * SILENCE_NS + n * 50 * MS, torque)
    assert told == [4_100_000]
    assert found.wait(10 * SILENCE_NS) == []


def test_two_peaks_sent_from_bolt_to_bolt_are_two_and_loosening_is_none() -> None:
    found = Tightenings()
    assert found.take(0, 4_000_000) + found.take(3 * SILENCE_NS, 4_050_000) == [4_000_000]
    assert found.wait(5 * SILENCE_NS) == [4_050_000]
    assert found.take(6 * SILENCE_NS, -5_000_000) + found.wait(9 * SILENCE_NS) == []


@contextmanager
def pty() -> Iterator[tuple[int, str]]:
    end, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield end, os.ttyname(slave)
    finally:
        os.close(end)
        os.close(slave)


@contextmanager
def sent_over_and_over(end: int, data: bytes) -> Iterator[None]:
    """A wrench that sends its lines again and again, since what comes before the port is open is lost."""
    stop = threading.Event()

    def send() -> None:
        while not stop.is_set():
            os.write(end, data)
            stop.wait(0.05)

    hand = threading.Thread(target=send)
    hand.start()
    try:
        yield
    finally:
        stop.set()
        hand.join()


async def read(path: str, count: int, wait_s: float) -> list[int]:
    told: list[int] = []
    async with asyncio.timeout(30), aclosing(tightenings(path, TorqueSettings(), wait_s=wait_s)) as peaks:
        while len(told) < count:
            told.append(await anext(peaks))
    return told


def test_tightenings_come_from_a_real_port() -> None:
    pull = b"TQ +12.0 in-lb\r\nTQ +35.2 in-lb\r\nTQ +33.0 in-lb\r\nTQ +0.0 in-lb\r\n"
    with pty() as (end, path), sent_over_and_over(end, pull):
        assert asyncio.run(read(path, 2, wait_s=15)) == [3_977_066, 3_977_066]


def test_a_wrench_that_is_not_there_or_says_nothing_is_said_so() -> None:
    with pytest.raises(ConnectionError, match="no such device"):
        asyncio.run(read("/dev/nowhere", 1, wait_s=5))
    with pty() as (_, path), pytest.raises(ConnectionError, match="check that the wrench is on"):
        asyncio.run(read(path, 1, wait_s=0.3))
    with (
        pty() as (end, path),
        sent_over_and_over(end, b"35.2\r\n"),
        pytest.raises(ConnectionError, match=r"bytes that are no torque.*give the unit"),
    ):
        asyncio.run(read(path, 1, wait_s=1))
