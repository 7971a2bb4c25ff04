"""Finding out what an unknown indicator sends, from its bytes alone and from a real port."""

from __future__ import annotations

import asyncio
import os
import random
import tty
from collections.abc import Callable, Iterator
from contextlib import aclosing, contextmanager, suppress

import pytest

from drivers import identify as listen
from drivers.indicators.registry import find_driver
from drivers.reading import Reading
from drivers.registry import make_settings

#: A plunger that rests, is pushed 1.2 mm and comes back, in hundredths of a millimetre.
TRAVEL = [*[12] * 6, 30, 62, 98, 121, 130, 132, *[132] * 8, 118, 70, 31, 15, *[12] * 6] * 2


def word24(count: int) -> bytes:
    return (abs(count) | (count < 0) << 20).to_bytes(3, "little")


def bcd13(count: int) -> bytes:
    return bytes([15] * 4 + [8 if count < 0 else 0, *map(int, f"{abs(count):06d}"), 2, 0])


STREAMS: list[tuple[str, Callable[[int], bytes]]] = [
    ("line", lambda n: f"{n / 100:+.2f}\r\n".encode()),
    ("line", lambda n: f"A: {n / 2540:.4f} in\r".encode()),
    ("line", lambda n: f"{n / 100:+.2f}\r\n".replace(".", ",").encode()),
    ("counts", lambda n: f"{n:d}\r\n".encode()),
    ("bcd13", bcd13),
    ("bcd13", lambda n: bcd13(n).hex()[1::2].encode() + b"\r"),
    ("word24", word24),
]


@pytest.mark.parametrize(("driver", "send"), STREAMS)
@pytest.mark.parametrize("late", range(4))
def test_the_wire_form_that_sent_it_leads(driver: str, send: Callable[[int], bytes], late: int) -> None:
    ranked = listen.fits(b"".join(map(send, TRAVEL))[late:-2])
    fit = listen.best(ranked)
    assert fit is not None
    assert fit.driver == driver
    # Nothing tells where a frame of word24 starts until it moves, so one joined inside a frame is less sure.
    doubtful = driver == "counts" or (driver == "word24" and late % 3)
    assert fit.confidence >= (0.6 if doubtful else 0.95)
    assert fit.explained > 0.9
    assert fit.readings >= len(TRAVEL) - 2
    assert fit.sample[-1].value_nm == (120_000 if "in" not in send(0).decode("latin-1") else 119_380)
    assert [fit.confidence for fit in ranked] == sorted((fit.confidence for fit in ranked), reverse=True)


def test_a_decimal_comma_is_among_the_settings_found() -> None:
    fit = listen.best(listen.fits(b"".join(STREAMS[2][1](n) for n in TRAVEL)))
    assert fit is not None
    assert fit.settings == {"decimal": ","}


def test_the_length_of_a_count_cannot_be_told_from_its_bytes() -> None:
    fit = listen.best(listen.fits(b"".join(STREAMS[3][1](n) for n in TRAVEL)))
    assert fit is not None
    assert "scale" in fit.settings
    assert fit.confidence < 0.95


@pytest.mark.parametrize("data", [b"", b"\r\n\r\n", b"\xff" * 2000, b"\0", b"hello world\r\n" * 50, b"Err\r\n" * 50])
def test_what_no_wire_form_explains_is_said_to_be_so(data: bytes) -> None:
    assert listen.best(listen.fits(data)) is None


@pytest.mark.parametrize("seed", range(30))
def test_noise_fits_nothing(seed: int) -> None:
    assert listen.best(listen.fits(random.Random(seed).randbytes(3000))) is None


def test_a_value_that_never_changes_leaves_a_doubt() -> None:
    for data in (bytes(900), word24(12) * 300):
        assert all(fit.confidence < 0.95 for fit in listen.fits(data))


def heard_at(data: bytes, sent_baud: int, heard_baud: int) -> bytes:
    """Return what a receiver at another baud makes of `data`: 8N1 sampled mid-bit (start bit 0, stop bit 1)."""
    bits = "".join("0" + f"{byte:08b}"[::-1] + "1" for byte in data)
    line = "1" * 20 + bits + "1" * 20
    got = bytearray()
    at = 0.0
    step = sent_baud / heard_baud
    while (start := line.find("0", int(at))) >= 0:
        samples = [int(start + (n + 0.5) * step) for n in range(10)]
        if samples[-1] >= len(line):
            break
        got.append(int("".join(line[n] for n in samples[8:0:-1]), 2))
        at = max(samples[-1], start + 1)
    return bytes(got)


@pytest.mark.parametrize(("driver", "send"), STREAMS)
@pytest.mark.parametrize("heard", [1200, 2400, 4800, 19200, 38400, 57600, 115200])
def test_the_wrong_baud_fits_worse_than_the_right_one(driver: str, send: Callable[[int], bytes], heard: int) -> None:
    data = b"".join(map(send, TRAVEL))
    assert heard_at(data, 9600, 9600) == data
    right, wrong = listen.fits(data), listen.fits(heard_at(data, 9600, heard))
    assert not wrong or wrong[0].confidence < min(0.95, right[0].confidence)


@contextmanager
def sending(data: bytes) -> Iterator[str]:
    """An instrument on a pseudo-terminal that sends `data` over and over; yields the path of the port."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    os.set_blocking(ours, False)
    loop = asyncio.get_running_loop()
    lines = data.splitlines(keepends=True)

    def send(n: int) -> None:
        nonlocal timer
        with suppress(BlockingIOError):  # nobody listens yet; an instrument goes on sending all the same
            os.write(ours, lines[n % len(lines)])
        timer = loop.call_later(0.005, send, n + 1)

    timer = loop.call_soon(send, 0)
    try:
        yield os.ttyname(theirs)
    finally:
        timer.cancel()
        os.close(ours)
        os.close(theirs)


async def test_a_survey_of_a_port_stops_at_the_baud_that_leaves_no_doubt() -> None:
    # A pseudo-terminal has no baud: the first one heard is already the right one.
    with sending(b"".join(STREAMS[0][1](n) for n in TRAVEL)) as port:
        async with asyncio.timeout(20):
            heard = await listen.survey(port, seconds_each=0.5)
    assert [one.baud for one in heard] == [9600]
    fit = listen.best(heard[0].fits)
    assert fit is not None
    assert fit.driver == "line"
    assert heard[0].confidence >= 0.95


async def test_a_survey_of_a_silent_port_tries_every_baud_and_claims_nothing() -> None:
    ours, theirs = os.openpty()
    try:
        async with asyncio.timeout(20):
            heard = await listen.survey(os.ttyname(theirs), (9600, 4800), seconds_each=0.05)
    finally:
        os.close(ours)
        os.close(theirs)
    assert {one.baud for one in heard} == {9600, 4800}
    assert all(one.data == b"" and one.fits == () and one.confidence == 0 for one in heard)


async def test_a_port_that_does_not_open_says_what_to_do() -> None:
    with pytest.raises(ConnectionError, match="check the cable"):
        await listen.survey("/dev/tty-that-is-not-there", seconds_each=0.05)
    driver = find_driver("line")
    with pytest.raises(ConnectionError, match="check the cable"):
        await anext(listen.listen_live("/dev/tty-that-is-not-there", driver, make_settings(driver, {})))


async def test_listening_live_gives_the_bytes_and_what_they_mean() -> None:
    driver = find_driver("line")
    settings = make_settings(driver, {})
    data, readings, stamps = b"", [], []
    with sending(b"0.10\r\n0.20\r\n") as port:
        async with asyncio.timeout(20), aclosing(listen.listen_live(port, driver, settings)) as live:
            async for t_ns, received, decoded in live:
                data += received
                readings += decoded
                stamps.append(t_ns)
                if len(readings) >= 6:
                    break
    assert set(readings) == {Reading(100_000, "mm"), Reading(200_000, "mm")}
    assert data.count(b"\n") == len(readings)
    assert stamps == sorted(stamps)
