"""Modbus RTU registers, with pymodbus at the other end; and bcd13, the other wire form with a fixed frame."""

from __future__ import annotations

import asyncio
import os
import tty
from typing import Any

import pytest
from pymodbus.framer import FramerRTU, FramerType
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.indicators.registry import find_driver
from drivers.port_events import Chunk
from drivers.reading import Reading
from drivers.registry import make_settings
from drivers.transport import Transport

REGISTERS = find_driver("registers")
FRAMER = FramerRTU(DecodePDU(is_server=True))


def read(data: bytes, driver: str = "registers", **values: Any) -> tuple[list[Reading], int]:
    found = find_driver(driver)
    decoder = found.decoder(make_settings(found, values))
    return [*decoder.feed(data), *decoder.finish()], decoder.skipped


def answer(*registers: int, device: int = 1, function: int = 3) -> bytes:
    kind = ReadHoldingRegistersResponse if function == 3 else ReadInputRegistersResponse
    return FRAMER.buildFrame(kind(registers=list(registers), dev_id=device))


def test_the_crc_is_that_of_the_standard() -> None:
    # Modbus over serial line V1.02, CRC example (from memory): 02 07 gives 0x1241, and the low byte 0x41 goes first.
    assert FramerRTU.compute_CRC(b"\x02\x07").to_bytes(2, "big") == bytes((0x41, 0x12))


def test_the_request_is_laid_out_as_the_standard_says() -> None:
    # Modbus Application Protocol V1.1b3, 6.4: function 4, first register and count, high bytes first.
    settings = make_settings(
        REGISTERS, {"device": 17, "function": "input", "register": 8, "words": 2, "scale": "1 um", "rate": 20}
    )
    request = REGISTERS.request(settings)
    assert request[:-2] == bytes((17, 4, 0, 8, 0, 2))
    assert FramerRTU.check_CRC(request[:-2], int.from_bytes(request[-2:], "big"))
    assert REGISTERS.poll_interval_ns(settings) == 50_000_000


@pytest.mark.parametrize(
    ("registers", "values", "value_nm"),
    [
        ([0x04D2], {"scale": "1 um"}, 1_234_000),
        ([0xFFFF], {"scale": "1 um"}, -1_000),
        ([0xFFFF], {"scale": "1 um", "signed": False}, 65_535_000),
        ([0xFFFF], {"scale": "-1 um"}, 1_000),
        ([0x0001, 0x0002], {"scale": "1 um", "words": 2}, 65_538_000),
        ([0x0002, 0x0001], {"scale": "1 um", "words": "2", "word_order": "little"}, 65_538_000),
        ([0xFFFF, 0xFFFE], {"scale": "0.0005 in", "words": 2}, -25_400),
    ],
)
def test_registers_become_a_length(registers: list[int], values: dict[str, Any], value_nm: int) -> None:
    assert read(answer(*registers), **values) == ([Reading(value_nm, "mm")], 0)


def test_what_is_no_answer_to_the_request_is_skipped() -> None:
    settings = make_settings(REGISTERS, {"scale": "1 um"})
    good = answer(5)
    broken = bytes((*good[:-1], good[-1] ^ 1))
    exception = FRAMER.buildFrame(ExceptionResponse(3, exception_code=2, device_id=1))
    for noise in (
        broken,
        exception,
        REGISTERS.request(settings),  # a two-wire line hears its own request
        answer(5, device=2),
        answer(5, function=4),
        answer(5, 6),
        good[:4],
        b"\x01\x83",
    ):
        assert read(good + noise + good, scale="1 um") == ([Reading(5_000, "mm")] * 2, len(noise))


@pytest.mark.parametrize("values", [{"device": 0}, {"device": 248}, {"register": 65536}, {"words": 3}, {"rate": 0}])
def test_settings_outside_the_standard_are_refused(values: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=next(iter(values))):
        make_settings(REGISTERS, {"scale": "1 um", **values})


async def test_a_real_server_on_a_serial_line_is_polled_and_read() -> None:
    ours, theirs = os.openpty(), os.openpty()
    for pair in (ours, theirs):
        for end in pair:
            tty.setraw(end)
            os.set_blocking(end, False)
    loop = asyncio.get_running_loop()

    # Two pseudo-terminals joined back to back are a null-modem cable between the bench and the instrument.
    def join(source: int, sink: int) -> None:
        loop.add_reader(source, lambda: os.write(sink, os.read(source, 4096)))

    join(ours[0], theirs[0])
    join(theirs[0], ours[0])
    device = SimDevice(7, simdata=[SimData(100, values=[0xFFFF, 0xFB2E], datatype=DataType.REGISTERS)])
    server = ModbusSerialServer(device, framer=FramerType.RTU, port=os.ttyname(theirs[1]), baudrate=19200)
    serving = asyncio.create_task(server.serve_forever())
    settings = make_settings(
        REGISTERS,
        {"device": 7, "function": "input", "register": 100, "words": 2, "scale": "1 um", "rate": 50, "baud": 19200},
    )
    decoder = REGISTERS.decoder(settings)
    readings: list[Reading] = []
    try:
        async with (
            asyncio.timeout(20),
            Transport(
                os.ttyname(ours[1]),
                baud=settings.baud,
                framing=settings.framing,
                request=REGISTERS.request(settings),
                poll_interval_ns=REGISTERS.poll_interval_ns(settings),
            ) as transport,
        ):
            async for event in transport:
                if isinstance(event, Chunk):
                    readings += decoder.feed(event.data)
                    if len(readings) >= 5:
                        break
    finally:
        await server.shutdown()
        await asyncio.wait([serving])
        for end in (ours[0], theirs[0]):
            loop.remove_reader(end)
        for end in (*ours, *theirs):
            os.close(end)
    # 0xFFFFFB2E is -1234 in two's complement.
    assert set(readings) == {Reading(-1_234_000, "mm")}
    assert decoder.skipped == 0


# bcd13: digits 1-4 0xF; 5 sign, 0 plus, 8 minus; 6-11 value; 12 decimals; 13 unit, 0 mm, 1 in.
@pytest.mark.parametrize(
    ("text", "value_nm", "unit"),
    [
        ("FFFF000123420", 12_340_000, "mm"),
        ("FFFF800123420", -12_340_000, "mm"),
        ("FFFF000123441", 3_134_360, "in"),  # 0.1234 in (NIST SP 811 app. B)
        ("FFFF099999900", 999_999_000_000, "mm"),
        ("FFFF000000161", 25, "in"),  # 0.000001 in is 25.4 nm
        ("FFFF800000060", 0, "mm"),
    ],
)
def test_bcd13_as_bytes_and_as_hex_characters(text: str, value_nm: int, unit: str) -> None:
    packed = bytes(int(digit, 16) for digit in text)
    wanted = Reading(value_nm, unit)  # type: ignore[arg-type]
    for sent in (packed, text.encode(), text.lower().encode(), packed + b"\r\n", text.encode() + b"\r"):
        assert read(sent * 3, "bcd13") == ([wanted] * 3, 0)


@pytest.mark.parametrize(
    "text",
    ["FFFE000123420", "FFFF100123420", "FFFF0A0123420", "FFFF000123470", "FFFF000123422", "FFFF00012342"],
)
def test_bcd13_with_a_digit_that_cannot_be_is_no_frame(text: str) -> None:
    good = "FFFF000123420"
    readings, skipped = read((good + text + good).encode(), "bcd13")
    assert readings == [Reading(12_340_000, "mm")] * 2
    assert skipped == len(text)


def test_bcd13_slides_to_the_next_preamble() -> None:
    assert read(b"F0420" + b"F" + b"FFFF000123420" + b"FFF", "bcd13") == ([Reading(12_340_000, "mm")], 9)
