"""The reference firmware, built for its processor and run in an emulator: what it obeys, and when it shuts by itself.

An emulated processor counts every clock cycle, so times here are the processor's own and the same on any machine. The
processor's registers, times and limits are those of its maker's data sheet (from memory).
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drivers.wirings.ascii import line, words_of
from drivers.wirings.conformance import check_fixture
from tests.air.test_control import strike
from tests.support.avr import Happened, built_firmware, stepped
from tests.support.firmware import AsciiFirmware
from tests.support.pty_fixture import EmulatedFixture

MS = 1_000_000
#: A byte at 115200 baud, of which the emulator makes eleven bits in place of ten.
BYTE_NS = 93_750
GUIDE = Path(__file__).parents[2] / "capture" / "guide" / "hooking-up.md"


def wait(milliseconds: float) -> str:
    return f"run {round(milliseconds * MS)}"


def hear(*words: str) -> str:
    return "hear " + b"".join(map(line, words)).hex()


def moves(happened: Iterable[Happened]) -> list[tuple[bool, float]]:
    """When the valve's pin was driven and let go, ms."""
    return [(one.driven, one.t_ns / MS) for one in happened if one.what == "valve"]


def resets(happened: Iterable[Happened]) -> list[float]:
    return [one.t_ns / MS for one in happened if one.what == "reset"]


def said(happened: Iterable[Happened]) -> list[tuple[str, float]]:
    """The lines that were sent, each with when it began, ms."""
    lines: list[tuple[str, float]] = []
    text, began_ms = b"", 0.0
    for one in happened:
        if one.what == "reset":
            text = b""  # what it was about to send is gone
        if one.what != "sent":
            continue
        for at, byte in enumerate(one.data):
            if not text:
                began_ms = (one.t_ns - (len(one.data) - at) * BYTE_NS) / MS
            text += bytes((byte,))
            if byte == 0x0A:
                words = words_of(text[:-1])
                assert words is not None, text
                lines.append((words, began_ms))
                text = b""
    return lines


# By the bench's own test, and by its faults


async def test_the_firmware_passes_every_point_of_the_test_of_a_fixture(tmp_path: Path) -> None:
    async with EmulatedFixture(tmp_path / "air") as fixture:

        def obey(wish: str) -> None:
            if wish.startswith("Press"):
                fixture.press()
            else:
                fixture.release()

        results = await check_fixture(str(fixture.path), "ascii", {}, ask=obey)
    assert [result for result in results if result.passed is not True] == []
    assert {"greeting", "checksum", "valve opens", "shuts by itself", "button"} <= {result.name for result in results}


@pytest.mark.timeout(300)
async def test_faults_in_applies_end_with_the_firmwares_valve_shut_in_time(tmp_path: Path) -> None:
    """One of each; `python -m tests.load.fault_storm --firmware` strikes as many as one likes."""
    took = await strike(tmp_path, 8, 7, fixture_of=EmulatedFixture)
    assert [len(times) for times in took.values()] == [1] * 8


# When it hangs

HANGS = {
    # How the program hangs, from the letter that the build for tests takes: why the valve shuts, and within what.
    "x": ("reset", 250),
    "d": ("reset", 250),  # with every interrupt off
    "f": ("second clock", 510),  # in a loop that feeds the watchdog
}


@pytest.mark.parametrize("how", HANGS)
def test_a_program_that_hangs_shuts_the_valve_and_leaves_it_shut(how: str) -> None:
    why, within_ms = HANGS[how]
    begin = [wait(20), hear("shut"), wait(5), hear("open"), wait(100), hear("open"), wait(5)]
    again = [one for _ in range(8) for one in (hear("open"), wait(100))]
    happened = stepped(
        built_firmware("TEST_HANGS"), [*begin, hear(f"hang {how}"), *again, hear("shut", "open"), wait(20)]
    )
    hung_ms = 135 if why == "reset" else 130  # from when the watchdog was fed, and from the last command
    (opened, _), (shut, shut_ms), *later = moves(happened)
    assert opened and not shut
    # The watchdog's oscillator is its own, and may be a tenth off (data sheet, from memory).
    assert 0.8 * within_ms < shut_ms - hung_ms < 1.1 * within_ms + 5, f"{shut_ms - hung_ms:.1f} ms"
    assert len(resets(happened)) == (1 if why == "reset" else 0)
    if why == "reset":
        ((reopened, _),) = later
        assert reopened, "only after `shut`"
        assert next(words for words, at_ms in said(happened) if at_ms > shut_ms).startswith("fixture 1 ")
    else:
        assert later == []


def test_what_makes_it_hang_is_in_no_build_that_is_used() -> None:
    ordinary = [wait(20), hear("shut"), wait(5), hear("open"), wait(20), hear("hang x", "hang d", "hang f"), wait(100)]
    happened = stepped(built_firmware(), [*ordinary, hear("shut"), wait(20)])
    assert [driven for driven, _ in moves(happened)] == [True, False] and resets(happened) == []


# Board and pins


def test_no_pin_moves_before_the_first_command_and_silence_shuts() -> None:
    happened = stepped(
        built_firmware(),
        [wait(400), hear("open"), wait(100), hear("shut"), wait(50), hear("open"), wait(700), hear("open"), wait(50)],
    )
    (opened, opened_ms), (shut, shut_ms) = moves(happened)
    assert opened and not shut
    assert 550 < opened_ms < 553
    assert 499 < shut_ms - opened_ms < 501
    words = [words for words, _ in said(happened)]
    assert words[0] == "fixture 1 bench" and "fault no command for 500 ms, valve shut" in words


def test_contacts_that_bounce_are_one_press() -> None:
    bouncing = [step for level in (1, 0) for bounce in (level, 1 - level) * 4 for step in (f"button {bounce}", wait(2))]
    pressed, let_go = bouncing[:16], bouncing[16:]
    happened = stepped(
        built_firmware(),
        [wait(100), *pressed, "button 1", wait(60), *let_go, "button 0", wait(60), "button 1", wait(8)],
    )
    down = [words.split()[2] for words, _ in said(happened) if words.startswith("state")]
    assert [one for one, before in zip(down, ["", *down], strict=False) if one != before] == ["up", "down", "up"]


@pytest.mark.parametrize("millivolts", [500, 510, 1060, 1500, 3300, 4500, 4700])
def test_the_sensors_voltage_is_a_pressure(millivolts: int) -> None:
    # Ratiometric sensors give a tenth of their supply at none and nine tenths at full scale (common practice).
    (*_, (words, _)) = said(stepped(built_firmware(), [f"millivolts {millivolts}", wait(100)]))
    wanted_pa = (millivolts - 500) / 4000 * 1_000_000
    assert abs(int(words.split()[3]) - wanted_pa) <= 1_000_000 / (0.8 * 1023)  # a step of the converter


@pytest.mark.parametrize("millivolts", [0, 200, 4800, 5000])
def test_a_broken_wire_to_the_sensor_is_no_pressure(millivolts: int) -> None:
    (*_, (words, _)) = said(stepped(built_firmware(), [f"millivolts {millivolts}", wait(100)]))
    assert words == "state shut up -"


def test_the_guide_says_what_the_firmware_takes() -> None:
    used = {}
    for text in subprocess.run(
        ["avr-size", "-A", str(built_firmware())], capture_output=True, text=True, check=True
    ).stdout.splitlines():
        if found := re.match(r"(\.\w+)\s+(\d+)", text):
            used[found[1]] = int(found[2])
    busy = [hear("shut", "hello"), wait(3), hear("open"), wait(60), "hear " + (b"x" * 300 + b"\n").hex(), wait(600)]
    (stack,) = (one.count for one in stepped(built_firmware(), [*busy, "stack"]) if one.what == "stack")
    flash, data = used[".text"] + used[".data"], used[".data"] + used[".bss"]
    stated = re.search(
        r"([\d,]+) bytes of flash of 32,768, and of 2,048 bytes of RAM ([\d,]+) for data and ([\d,]+) for the stack",
        " ".join(GUIDE.read_text(encoding="utf-8").split()),
    )
    assert stated, "the guide states flash, data and stack"
    for found_bytes, words in zip((flash, data, stack), stated.groups(), strict=True):
        # Compilers differ by a little. What is stated is rounded up.
        assert 0.9 <= found_bytes / int(words.replace(",", "")) <= 1, (flash, data, stack)


# The twin, which the demo and most tests use, does what the firmware does

commands = st.sampled_from([line(words) for words in ("shut", "open", "hello")])
not_commands = st.one_of(
    st.sampled_from(
        [line("shout"), line("hang x"), line("state shut up 0"), b"open 58\n", b"OPEN 59\n", b"\n", b"\r\n"]
    ),
    st.binary(max_size=100).map(lambda data: b"#" + data),
    st.integers(70, 90).map(lambda count: b"x" * count + b" 00\n"),
)
heard = st.one_of(
    commands,
    commands,
    commands.map(lambda data: data.replace(b"\n", b"\r\n")),
    st.tuples(commands, st.integers(1, 8)).map(lambda cut: cut[0][: cut[1]]),
    not_commands,
)
steps = st.lists(
    st.one_of(
        st.tuples(st.just("hear"), heard),
        st.tuples(st.just("button"), st.booleans()),
        st.tuples(st.just("air"), st.sampled_from([500, 1060, 3300])),
        st.tuples(st.just("wait"), st.sampled_from([1, 7, 30, 90, 240, 480, 700])),
    ),
    max_size=30,
)


@settings(deadline=None, max_examples=60)
@given(steps)
def test_the_twin_answers_as_the_firmware_does(taken: list[tuple[str, object]]) -> None:
    scripted = [wait(20)]
    twin = AsciiFirmware(name="bench")
    t_ms, millivolts = 0, 500
    answered = b""
    twin_said: list[tuple[str, float]] = []

    def pass_time(milliseconds: int) -> None:
        nonlocal t_ms, answered
        for _ in range(milliseconds):
            t_ms += 1
            answered += twin.tick(t_ms * MS, (millivolts - 500) * 250)
            *whole, answered = answered.split(b"\n")
            twin_said.extend((words_of(one) or "?", float(t_ms)) for one in whole)

    pass_time(20)
    obeyed_ms = button_ms = -1000
    for kind, value in taken:
        if kind == "hear":
            assert isinstance(value, bytes)
            # Where a command comes within a hair of the time at which silence shuts, either may be first.
            assume(not 485 < t_ms - obeyed_ms < 515)
            obeyed_ms = t_ms
            scripted.append(f"hear {value.hex()}")
            took_ms = len(value) * BYTE_NS // MS + 2
            assume(not 6 < t_ms + took_ms - button_ms < 16)  # likewise, of when the button is believed
            scripted.append(wait(took_ms))
            pass_time(took_ms - 1)
            twin.receive(t_ms * MS, value)
            pass_time(1)
        elif kind == "button":
            assume(not 4 < t_ms - button_ms < 16)  # and of what is a bounce
            button_ms = t_ms
            twin.pressed = bool(value)
            scripted.append(f"button {value:d}")
        elif kind == "air":
            assert isinstance(value, int)
            millivolts = value
            scripted.append(f"millivolts {value}")
        else:
            assert isinstance(value, int)
            scripted.append(wait(value))
            pass_time(value)
    scripted.append(wait(100))
    pass_time(100)
    happened = stepped(built_firmware(), scripted)
    assert news(said(happened)) == news(twin_said)
    assert abs(len(said(happened)) - len(twin_said)) <= 1 + len(twin_said) / 50, "as often"
    for (words, at_ms), (_, twin_ms) in zip(first(said(happened)), first(twin_said), strict=True):
        assert abs(at_ms - twin_ms) < 12, words
    assert [driven for driven, _ in moves(happened)] == [move.open for move in twin.moves]
    for (_, at_ms), move in zip(moves(happened), twin.moves, strict=True):
        assert abs(at_ms - move.t_ns / MS) < 4


def first(lines: list[tuple[str, float]]) -> list[tuple[str, float]]:
    """Leave out lines that only say again what the one before said, the pressure apart, which sensors read finely."""
    found: list[tuple[str, float]] = []
    for words, at_ms in lines:
        bare = " ".join(words.split()[:3]) if words.startswith("state") else words
        if bare.startswith("fixture") or not found or found[-1][0] != bare:
            found.append((bare, at_ms))
    return found


def news(lines: list[tuple[str, float]]) -> list[str]:
    return [words for words, _ in first(lines)]
