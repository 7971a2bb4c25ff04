"""What holds for every wire form: cut anywhere, fed anything, recovered after noise, exact both ways."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse

from drivers.indicators.protocol import Decoder, scaled_nm
from drivers.indicators.registry import driver_names, find_driver
from drivers.reading import CUT_SHORT, OFF_GRID, OUT_OF_RANGE, Reading
from drivers.registry import make_settings

# 1 in = 25.4 mm exactly (NIST SP 811 app. B).
MM_NM = 1_000_000
INCH_NM = 25_400_000


@dataclass(frozen=True)
class Form:
    """A wire form with the settings of a test, and a sender written from its description alone."""

    name: str
    values: dict[str, Any]
    send: Callable[[int], bytes]
    """The bytes that show so many hundredths of a millimetre."""
    noise_end: bytes = b""
    """What ends a stretch of noise for certain, so that a reading can be found after it."""

    def decoder(self, **more: Any) -> Decoder:
        driver = find_driver(self.name)
        return driver.decoder(make_settings(driver, {**self.values, **more}))


def _send_bcd13(hundredths: int) -> bytes:
    digits = [15, 15, 15, 15, 8 if hundredths < 0 else 0, *map(int, f"{abs(hundredths):06d}"), 2, 0]
    return bytes(digits)


def _send_word24(hundredths: int) -> bytes:
    return (abs(hundredths) | (1 << 20 if hundredths < 0 else 0)).to_bytes(3, "little")


def _send_registers(hundredths: int) -> bytes:
    # pymodbus is the other end of the wire: it builds the answers that are decoded here.
    high, low = struct.unpack(">HH", struct.pack(">i", hundredths))
    answer = ReadHoldingRegistersResponse(registers=[high, low], dev_id=7)
    return FramerRTU(DecodePDU(is_server=True)).buildFrame(answer)


FORMS = [
    Form("line", {}, lambda n: f"A:{n / 100:+.2f} mm\r\n".encode(), b"\n"),
    Form("polled-line", {}, lambda n: f"{n / 100:+.2f}\r".encode(), b"\r"),
    Form("counts", {"scale": "0.01 mm"}, lambda n: f"{n:+d}\n".encode(), b"\n"),
    Form("bcd13", {}, _send_bcd13),
    Form("word24", {}, _send_word24),
    Form("registers", {"device": 7, "words": 2, "scale": "0.01"}, _send_registers),
]
every_form = pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)

#: A plunger's travel: it starts somewhere and moves by short steps, as word24 must assume.
travels = st.tuples(st.integers(-2000, 2000), st.lists(st.integers(-40, 40), max_size=30)).map(
    lambda start: [start[0] + sum(start[1][:n]) for n in range(len(start[1]) + 1)]
)


def decode(decoder: Decoder, *chunks: bytes) -> list[Reading]:
    return [reading for chunk in chunks for reading in decoder.feed(chunk)] + decoder.finish()


def cut(data: bytes, marks: list[int]) -> list[bytes]:
    edges = [0, *sorted(mark % (len(data) + 1) for mark in marks), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def test_there_is_a_driver_for_every_wire_form() -> None:
    assert {form.name for form in FORMS} <= set(driver_names())


@every_form
@settings(deadline=None)
@given(travel=travels)
def test_what_is_sent_is_what_is_read(form: Form, travel: list[int]) -> None:
    decoder = form.decoder()
    stream = b"".join(map(form.send, travel))
    assert decode(decoder, stream) == [Reading(n * MM_NM // 100, "mm") for n in travel]
    assert decoder.skipped == 0


@every_form
@settings(deadline=None)
@given(travel=travels, noise=st.binary(max_size=300), marks=st.lists(st.integers(0, 2000), max_size=12))
def test_how_the_stream_is_cut_makes_no_difference(
    form: Form, travel: list[int], noise: bytes, marks: list[int]
) -> None:
    frames = [form.send(n) for n in travel]
    half = len(frames) // 2
    data = b"".join([*frames[:half], noise, *frames[half:]])
    whole, cut_up, bytewise = form.decoder(), form.decoder(), form.decoder()
    readings = decode(whole, data)
    assert decode(cut_up, *cut(data, marks)) == readings
    assert decode(bytewise, *(data[n : n + 1] for n in range(len(data)))) == readings
    assert cut_up.skipped == bytewise.skipped == whole.skipped


@every_form
@settings(deadline=None, max_examples=300)
@given(chunks=st.lists(st.binary(max_size=400), max_size=8))
def test_no_bytes_make_a_decoder_fail(form: Form, chunks: list[bytes]) -> None:
    decoder = form.decoder()
    readings = decode(decoder, *chunks)
    assert all(isinstance(reading.value_nm, int) for reading in readings)
    assert 0 <= decoder.skipped <= sum(map(len, chunks))
    assert decode(decoder, form.send(123)) == [Reading(1_230_000, "mm")], "as new after finish"


@every_form
@settings(deadline=None)
@given(noise=st.binary(max_size=600), travel=travels.filter(lambda travel: 0 not in travel))
def test_readings_after_noise_are_recovered(form: Form, noise: bytes, travel: list[int]) -> None:
    # word24 has no marks to find a frame by; what it can do after lost bytes is in test_word24.py.
    if form.name == "word24":
        noise = noise[: len(noise) // 3 * 3]
    decoder = form.decoder()
    readings = decode(decoder, noise + form.noise_end + b"".join(map(form.send, travel)))
    wanted = [Reading(n * MM_NM // 100, "mm") for n in travel]
    if form.name == "word24":
        assert len(readings) >= len(travel) - 6
    else:
        # Noise may end in what opens a frame, which then takes the place of the first one.
        assert readings[len(readings) - len(travel) + 1 :] == wanted[1:]


@every_form
def test_memory_is_bounded_on_a_stream_that_never_frames(form: Form) -> None:
    decoder = form.decoder()
    for _ in range(100):
        decoder.feed(b"\x60\x60\x61" * 400)
    held = sum(len(v) for v in vars(decoder).values() if isinstance(v, bytes))
    assert held <= 256
    decoder.finish()
    assert decoder.skipped == 120_000


@every_form
def test_a_value_outside_the_plungers_range_is_flagged(form: Form) -> None:
    decoder = form.decoder(range=["-1 mm", "12.7 mm"])
    flags = [reading.flags for reading in decode(decoder, form.send(-100), form.send(1270), form.send(1271))]
    assert flags == [(), (), (OUT_OF_RANGE,)]


@every_form
def test_a_value_off_the_stated_resolution_is_flagged(form: Form) -> None:
    decoder = form.decoder(resolution="0.02 mm")
    assert [r.flags for r in decode(decoder, form.send(10), form.send(11))] == [(), (OFF_GRID,)]


@every_form
def test_no_resolution_stated_means_no_grid_to_be_off(form: Form) -> None:
    assert [r.flags for r in decode(form.decoder(), form.send(11))] == [()]


@every_form
def test_the_settings_survive_being_written_into_a_recording(form: Form) -> None:
    driver = find_driver(form.name)
    made = make_settings(driver, form.values)
    own = {key: value for key, value in made.model_dump(mode="json").items() if key in form.values}
    assert make_settings(driver, own) == made


@settings(deadline=None)
@given(digits=st.integers(0, 10**9), decimals=st.integers(0, 12), per_unit=st.sampled_from([MM_NM, INCH_NM, 1000]))
def test_a_length_is_exact_and_rounds_half_to_even(digits: int, decimals: int, per_unit: int) -> None:
    # The outside source is Python's decimal arithmetic, at 60 digits.
    exact = Decimal(digits).scaleb(-decimals) * per_unit
    assert scaled_nm(digits, decimals, per_unit) == int(exact.quantize(Decimal(1), ROUND_HALF_EVEN))


@pytest.mark.parametrize(
    ("name", "value", "length_nm"),
    [
        ("0.0005 in", {}, 12_700),
        ("1 um", {}, 1_000),
        ("0.001", {"unit": "in"}, 25_400),
        (0.0005, {"unit": "in"}, 12_700),
        ("-0.01", {}, -10_000),
        ("1e-3", {}, 1_000),
        (".5 mm", {}, 500_000),
    ],
)
def test_a_scale_is_a_length_or_a_number_in_the_streams_unit(
    name: object, value: dict[str, Any], length_nm: int
) -> None:
    driver = find_driver("counts")
    decoder = driver.decoder(make_settings(driver, {"scale": name, **value}))
    assert [r.value_nm for r in decode(decoder, b"1\n-3\n")] == [length_nm, -3 * length_nm]


def test_a_scale_finer_than_a_nanometre_is_exact_until_it_is_multiplied() -> None:
    # A microinch is 25.4 nm (NIST SP 811 app. B): 10 counts are 254 nm, 5 counts 127 nm, one rounds to 25 nm.
    driver = find_driver("counts")
    decoder = driver.decoder(make_settings(driver, {"scale": "0.000001 in", "unit": "in"}))
    assert [r.value_nm for r in decode(decoder, b"10\n5\n1\n")] == [254, 127, 25]


@pytest.mark.parametrize("scale", ["", "0 mm", "fast", "1 kPa", "1 mm mm", None, True])
def test_a_scale_that_is_no_length_is_refused(scale: object) -> None:
    with pytest.raises(ValidationError):
        make_settings(find_driver("counts"), {"scale": scale})


def test_counts_need_a_scale() -> None:
    with pytest.raises(ValidationError, match="scale"):
        make_settings(find_driver("counts"), {})


@pytest.mark.parametrize(
    ("lines", "damaged"),
    [
        (b"+3001\n+3000\n+3001\n+3\r001\n+3000\n", [4]),  # a byte came between, and tore one in two
        (b"+3001\n+3000\n+3001\n+300\r0\n+3000\n", [4]),
        (b"-1\n+1\n+2\n-1\n7\n8\n9\n", [4]),  # another indicator, from its second line on
        (b"+1\n+2\n+1\n0\n0\n+1\n0\n", [3]),  # one that says no plus before zero
        (b"3001\n3000\n3001\n3\r001\n3000\n", []),
        (b"-1\n-2\n-1\n1\n", []),
    ],
)
def test_where_counts_say_plus_one_without_a_sign_is_the_end_of_a_torn_line(lines: bytes, damaged: list[int]) -> None:
    driver = find_driver("counts")
    for size in (1, 4, len(lines)):
        decoder = driver.decoder(make_settings(driver, {"scale": "1 um"}))
        readings = [r for at in range(0, len(lines), size) for r in decoder.feed(lines[at : at + size])]
        assert [at for at, reading in enumerate(readings) if CUT_SHORT in reading.flags] == damaged


@pytest.mark.parametrize("line", [b"1.5", b"12 mm", b"A:12", b"+-1", b"1 2", b"0x10", b"1" * 13])
def test_only_a_whole_number_is_a_count(line: bytes) -> None:
    driver = find_driver("counts")
    decoder = driver.decoder(make_settings(driver, {"scale": "1 um"}))
    assert decode(decoder, line + b"\r\n") == []
    assert decoder.skipped == len(line)
