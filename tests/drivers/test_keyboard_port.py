"""An indicator that types its values as keys: which bytes those are, and the port at the edge of evdev."""

from __future__ import annotations

import asyncio
import errno
import os
import struct
from collections import namedtuple
from collections.abc import Iterator
from contextlib import aclosing
from pathlib import Path

import evdev
import pytest
from evdev import ecodes

from drivers import keyboard_port
from drivers.identify import how_it_sends, listen_live, survey
from drivers.indicators.registry import find_driver
from drivers.keyboard_port import KeyboardPort, KeysWritten, keyboards
from drivers.port_events import Chunk, Lost, Opened
from drivers.port_origin import origin_of_port
from drivers.registry import make_settings
from tests.support.broker import until

#: `struct input_event` without its time: type, code, value (linux/input.h).
EVENT = struct.Struct("HHi")
Read = namedtuple("Read", "type code value")
NAMES = {".": "DOT", "-": "MINUS", " ": "SPACE", "\r": "ENTER", ",": "COMMA"}


def pressed(text: str, keypad: bool = False) -> list[tuple[int, int, int]]:
    """Return the events of a hand, or an instrument, that types this: each key down, held and up again."""
    events = []
    for letter in text:
        name = f"KEY_{NAMES.get(letter, letter.upper())}"
        if keypad:
            name = f"KEY_KP{NAMES.get(letter, letter)}"
        code = getattr(ecodes, name)
        events += [(ecodes.EV_MSC, 4, code), (ecodes.EV_KEY, code, 1), (ecodes.EV_SYN, 0, 0)]
        events += [(ecodes.EV_KEY, code, 2), (ecodes.EV_KEY, code, 0)]
    return events


@pytest.mark.parametrize("keypad", [False, True])
def test_digits_point_and_enter_are_what_they_write_on_keyboard_and_keypad(keypad: bool) -> None:
    assert KeysWritten().feed(pressed("-12.345\r", keypad)) == b"-12.345\r"


def test_shift_writes_the_other_sign_of_a_key_for_as_long_as_it_is_down() -> None:
    shift, plus = ecodes.KEY_LEFTSHIFT, ecodes.KEY_EQUAL
    events = [(1, shift, 1), (1, plus, 1), (1, plus, 0), (1, shift, 0), (1, plus, 1)]
    assert KeysWritten().feed(events) == b"+="


def test_every_key_that_writes_is_the_kernels_key_of_that_name() -> None:
    """Against evdev's own table of linux/input-event-codes.h."""
    for code, (plain, _) in keyboard_port._WRITES.items():
        names = ecodes.KEY[code]
        name = (names if isinstance(names, str) else names[0]).removeprefix("KEY_").removeprefix("KP")
        if plain.isalnum():
            assert name == plain.upper()


class Wire:
    """A fake input device at the library's edge: events are written into a pipe, and read from it as evdev does."""

    def __init__(self, path: str) -> None:
        self.path, self.grabbed, self.closed = path, False, False
        self.fd, self.other_end = os.pipe()
        os.set_blocking(self.fd, False)

    def grab(self) -> None:
        self.grabbed = True

    def read(self) -> Iterator[Read]:
        data = os.read(self.fd, 64 * EVENT.size)
        if not data:
            raise OSError(errno.ENODEV, "No such device")
        return (Read(*one) for one in EVENT.iter_unpack(data))

    def close(self) -> None:
        self.closed = True
        os.close(self.fd)

    def type(self, text: str) -> None:
        os.write(self.other_end, b"".join(EVENT.pack(*one) for one in pressed(text)))


@pytest.fixture
def wires(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Wire]]:
    made: list[Wire] = []

    def device(path: str) -> Wire:
        made.append(Wire(path))
        return made[-1]

    monkeypatch.setattr(evdev, "InputDevice", device)
    monkeypatch.setattr(keyboard_port, "_RETRY_S", 0.01)
    yield made
    for wire in made:
        os.close(wire.other_end)


async def test_what_is_typed_comes_out_as_bytes_and_goes_nowhere_else(wires: list[Wire]) -> None:
    async with KeyboardPort("input:/dev/input/by-id/dial") as port:
        assert isinstance(await anext(port), Opened)
        (wire,) = wires
        assert wire.grabbed and wire.path == "/dev/input/by-id/dial"
        wire.type("0.0405\r")
        event = await anext(port)
        assert isinstance(event, Chunk) and event.data == b"0.0405\r"
    assert wire.closed


async def test_a_keyboard_that_is_pulled_out_is_said_and_comes_back_by_itself(wires: list[Wire]) -> None:
    async with KeyboardPort("input:/dev/dial") as port:
        assert isinstance(await anext(port), Opened)
        os.close(wires[0].other_end)
        wires[0].other_end = os.open(os.devnull, os.O_WRONLY)
        lost = await anext(port)
        assert isinstance(lost, Lost) and "stopped answering" in lost.reason
        assert isinstance(await anext(port), Opened)
        wires[1].type("1.10\r")
        event = await anext(port)
        assert isinstance(event, Chunk) and event.data == b"1.10\r"


@pytest.mark.parametrize(
    ("number", "what_to_do"),
    [(errno.ENOENT, "ls /dev/input/by-id"), (errno.EACCES, "group input"), (errno.EBUSY, "another program")],
)
async def test_a_keyboard_that_does_not_open_says_why_once(
    monkeypatch: pytest.MonkeyPatch, number: int, what_to_do: str
) -> None:
    tries: list[str] = []

    def refused(path: str) -> Wire:
        tries.append(path)
        raise OSError(number, "no")

    monkeypatch.setattr(evdev, "InputDevice", refused)
    monkeypatch.setattr(keyboard_port, "_RETRY_S", 0.001)
    port = KeyboardPort("input:/dev/dial")
    lost = await anext(port)
    assert isinstance(lost, Lost) and what_to_do in lost.reason
    await until(lambda: len(tries) > 2)
    await port.close()
    with pytest.raises(StopAsyncIteration):
        await anext(port)


async def test_listening_at_a_keyboard_names_the_form_of_what_it_types(wires: list[Wire]) -> None:
    async def type_soon() -> None:
        await until(lambda: bool(wires))
        for text in ("0.00\r", "1.10\r", "0.01\r", "1.11\r"):
            wires[0].type(text)

    typing = asyncio.create_task(type_soon())
    (heard,) = await survey("input:/dev/dial", [9600, 1200], 0.2)
    await typing
    assert heard.fits[0].driver == "line" and heard.data == b"0.00\r1.10\r0.01\r1.11\r"
    driver = find_driver("line")
    async with aclosing(listen_live("input:/dev/dial", driver, make_settings(driver, {}))) as live:
        following = asyncio.create_task(anext(live))
        await until(lambda: len(wires) > 1)
        wires[1].type("1.10\r")
        assert (await following)[2][0].value_nm == 1_100_000


def times(*pauses_s: float) -> list[int]:
    at, found = 0.0, [0]
    for pause in pauses_s:
        at += pause
        found.append(round(at * 1e9))
    return found


@pytest.mark.parametrize(
    ("at_ns", "sends"),
    [
        (times(1.1, 0.8, 1.9), "on-press"),
        (times(0.002, 1.1, 0.002, 0.8, 0.001), "on-press"),  # each value comes in two parts
        (times(1.0, 1.01, 1.0, 0.99), "stream"),  # once a second, by a clock
        (times(*[0.1] * 12), "stream"),
        (times(0.1, 0.3, 0.1), "stream"),
        (times(0.9), "stream"),  # too few to tell
        ([5], "stream"),
    ],
)
def test_a_hand_at_a_key_is_told_from_a_clock_by_its_pauses(at_ns: list[int], sends: str) -> None:
    assert how_it_sends(at_ns) == sends


def test_keyboards_are_listed_by_the_names_that_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("usb-dial-event-kbd", "usb-mouse-event-mouse"):
        (tmp_path / name).touch()
    monkeypatch.setattr(keyboard_port, "BY_ID", tmp_path)
    assert keyboards() == [f"input:{tmp_path}/usb-dial-event-kbd"]


def test_a_file_that_is_no_keyboard_is_no_origin_of_measurements(tmp_path: Path) -> None:
    (tmp_path / "kbd").touch()
    assert origin_of_port(f"input:{tmp_path}/kbd").kind == "unknown"
    assert origin_of_port("input:/dev/null").kind == "unknown"
    assert origin_of_port("keyboard:").kind == "typed"
