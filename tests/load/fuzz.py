"""Gives what nobody ever sent to everything that reads: `python -m tests.load.fuzz [--inputs N] [--kind KIND ...]`.

A kind draws from what is right, damages it, and lets the product read it. It may refuse in words, by the exception that
its docstring promises; any other exception is a fault, and so is one case that takes more than a second of the
processor. An input is what one call takes: a piece of a stream with its finder behind it, a key, a line of a face, a
message, a whole file. A fault is told with the seed that draws it again (`--kind KIND --seed SEED --inputs 300`).

    decoders     pieces of every recorded wire form to a decoder and its finder, a fixture's word beside it
    codecs       pieces of every wiring's stream and of a torque wrench's to their codecs
    keys         bytes of a terminal, and their pace, to what tells keys from scans
    faces        lines of a face to a bench's hall, over its socket
    messages     payloads and topics to the board and to the collector
    settings     settings files
    sheets       build sheets
    recordings   recorded files, to their reader
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import re
import socket
import sys
import tempfile
import time
import traceback
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from pydantic import ValidationError

from capture.board.floor import Floor
from capture.collect.rows import Arrived, NoMessage, row_of
from capture.config import ConfigError, load_config
from capture.mqtt.outgoing import Outgoing
from capture.plumbing.terminal.keys import KeyParser
from capture.plumbing.terminal.scanner import KeyCollector
from capture.recordings.file import RecordedLine, RecordingError, read_recording
from capture.recordings.stream import FixtureStream, IndicatorStream, indicator_from
from capture.session.faces.hall import Hall
from capture.session.faces.messages import Asks, Ended, Hello, Keyed
from capture.sheet.sheet import SheetError, parse_sheet
from drivers.registry import make_settings
from drivers.torque import TorqueSettings, torque_decoder
from drivers.wirings.ascii import line
from drivers.wirings.registry import find_driver as find_fixture
from tests.drivers.test_wirings import rtu
from tests.support.attacked_bench import WIRINGS
from tests.support.samples import gauge_message, stroke_message, verdict_message

__all__ = ["KINDS", "Fuzzed", "fuzz"]

_ROOT = Path(__file__).resolve().parents[2]
_FIXTURES = _ROOT / "fixtures"
MOST_S = 1.0
#: How a kind's share of all inputs is drawn: what reads a whole file takes a thousand times as long as a key.
KINDS: dict[str, tuple[float, Callable[[random.Random], Iterator[int]]]] = {}

_ODD_BYTES = (b"\0", b"\xff", b"\r", b"\n", b"\r\n", b"+", b"-", b".", b" ", b"\x1b[", b"\x80", b"9" * 40, b"\x7f")
_ODD_VALUES = (
    "0", "-1", "1e999", "nan", "inf", "true", '""', '"\\u0000"', '"\\ud800"', "[]", "{}", "[[[]]]", '"1 mm"', '"µm"',
    '"1 furlong"', '"-0 in"', '"1e400 mm"', '"0.0000000001 um"', "1979-05-27", "9" * 400, '"' + "9" * 5000 + ' mm"',
    "[" * 40 + "]" * 40, '"%s{}"', '"../../x"', '["1 mm", "2 mm"]', '["2 mm", "1 mm"]', "'a\tb'", '"1/3 in"',
    '"1 mm" # ', "0x10", "1_000",
)  # fmt: skip


def _kind(name: str, share: float) -> Callable[[Callable[[random.Random], Iterator[int]]], None]:
    def known(draw: Callable[[random.Random], Iterator[int]]) -> None:
        KINDS[name] = share, draw

    return known


def _damaged(data: bytes, dice: random.Random, other: bytes = b"") -> bytes:
    """Return bytes with one thing done to them: most damages are small, since those get furthest."""
    at = dice.randrange(len(data) + 1)
    match dice.randrange(8):
        case 0 if data:
            at %= len(data)
            return data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]
        case 1:
            return data[:at] + data[at + dice.choice((1, 1, 1, 2, 9)) :]
        case 2:
            return data[:at] + dice.choice(_ODD_BYTES) + data[at:]
        case 3:
            return data[:at] + dice.randbytes(dice.choice((1, 1, 2, 20))) + data[at:]
        case 4:
            return data[:at] + other[dice.randrange(len(other) + 1) :]
        case 5:
            end = at + dice.choice((1, 4, 30))
            return data[:end] + data[at:end] * dice.choice((1, 1, 1, 30)) + data[end:]
        case 6:
            return dice.randbytes(dice.choice((0, 1, 7, 64)))
    return data[:at]


# -- streams ---------------------------------------------------------------------------------------------


@cache
def _recordings() -> list[tuple[dict[str, object], list[RecordedLine]]]:
    found = []
    for path in sorted((_FIXTURES / "recordings").glob("*[!d].jsonl")):
        if ".expected." not in path.name:
            header, lines = read_recording(path)
            found.append((dict(header.indicator), [one for one in lines if one.source == "indicator"]))
    return found


@_kind("decoders", 0.4)
def _decoders(dice: random.Random) -> Iterator[int]:
    header, lines = dice.choice(_recordings())
    other = dice.choice(_recordings())[1]
    driver, settings, _ = indicator_from(header)
    name = dice.choice(("ascii", "registers", "lines"))
    codec = find_fixture(name)
    fixture = FixtureStream(codec, make_settings(codec, WIRINGS[name][1]), dice.choice((None, (300_000, 500_000))))
    stream = IndicatorStream(driver, settings, dice.choice(("peak", "held")), fixture)
    t_ns, harm = 0, dice.choice((0.02, 0.2, 1.0))
    begin = dice.randrange(len(lines))
    for before, one in zip(lines[begin:], lines[begin + 1 : begin + 300], strict=False):
        t_ns += max(0, one.t_ns - before.t_ns) if dice.random() > harm / 20 else dice.choice((0, -5, 10**6, 10**10))
        data = _damaged(one.data, dice, dice.choice(other).data) if dice.random() < harm else one.data
        if dice.random() < 0.1:
            stream.feed_fixture(t_ns, _damaged(dice.choice(_WORDS), dice))
        if dice.random() < 0.002:
            stream.lost(t_ns)
        stream.feed(t_ns, data)
        yield 1
    stream.finish(t_ns)


#: What the wirings say, each right by itself.
_WORDS = (
    line("fixture 1 bench"), line("state open down 140000"), line("state shut up -"), line("fault supply low"),
    line("open"), b"rts=1\n", b"cts=0\n", b"cts=1\n", rtu(1, 0x81, 2), rtu(1, 1, 1, 1), rtu(1, 2, 1, 0),
    rtu(1, 4, 2, 1, 144), rtu(1, 5, 0, 0, 0xFF, 0),
)  # fmt: skip


@_kind("codecs", 0.33)
def _codecs(dice: random.Random) -> Iterator[int]:
    name = dice.choice(("ascii", "registers", "lines", "torque"))
    if name == "torque":
        torque = torque_decoder(TorqueSettings(unit="N m"))
        for _ in range(200):
            torque.feed(_damaged(b"%8.2f Nm\r\n" % dice.uniform(-5, 400), dice, b"12 ft lb\r\n"))
            yield 1
        torque.finish()
        return
    driver = find_fixture(name)
    codec = driver.codec(make_settings(driver, WIRINGS[name][1]))
    for _ in range(200):
        if dice.random() < 0.3:  # an answer is read as the answer to what was asked
            codec.command(dice.random() < 0.5)
            codec.poll()
        codec.feed(_damaged(dice.choice(_WORDS), dice, dice.choice(_WORDS)))
        yield 1
    codec.finish()


@_kind("keys", 0.223)
def _keys(dice: random.Random) -> Iterator[int]:
    parser, collector, t_ns = KeyParser(), KeyCollector(), 0
    whole = (
        b"\x1b[A",
        b"\x1b[200~",
        b"\x1b[201~",
        b"\x1b[15~",
        b"\x02U-4711\r",
        b"tech:mira\r",
        b"a",
        b"\xc3\xa9",
        b"\x1b",
        b"\r",
        b"\x7f",
        b"\x1b]0;x\x07",
    )
    for _ in range(200):
        data = dice.choice(whole)
        for key in parser.feed(_damaged(data, dice, dice.choice(whole)) if dice.random() < 0.5 else data):
            collector.take(t_ns, key)
        t_ns += dice.choice((0, 1, 10**6, 2 * 10**7, 10**9, -3))
        if dice.random() < 0.1:
            collector.wait(t_ns)
        yield 1
    for key in parser.flush():
        collector.take(t_ns, key)
    collector.wait(t_ns + 10**10)


# -- texts -----------------------------------------------------------------------------------------------


def _damaged_text(text: str, dice: random.Random) -> str:
    """Return TOML or JSON with a value, a key or a line of it damaged, seldom more than a few."""
    for _ in range(dice.choice((1, 1, 1, 2, 5))):
        match dice.randrange(5):
            case 0 | 1:
                values = [*re.finditer(r'(?<=[=:,\[] )("[^"\n]*"|[\w.+-]+)|(?<=[:,\[])("[^"\n]*"|[\w.+-]+)', text)]
                if values:
                    one = dice.choice(values)
                    text = text[: one.start()] + dice.choice(_ODD_VALUES) + text[one.end() :]
            case 2:
                lines = text.split("\n")
                at = dice.randrange(len(lines))
                lines[at : at + 1] = dice.choice(
                    ([], [lines[at]] * 2, [dice.choice(lines)], [lines[at][: len(lines[at]) // 2]])
                )
                text = "\n".join(lines)
            case 3:
                text = _damaged(text.encode("utf-8", "replace"), dice).decode("utf-8", "replace")
            case _:
                names = [*re.finditer(r"\w+(?= =|\":)", text)]
                if names:
                    one = dice.choice(names)
                    text = text[: one.start()] + dice.choice(("x", "name", "unit", "", "é")) + text[one.end() :]
    return text


_SETTINGS = """
technician = "M. Okoye"
sheet = "sheet.toml"
[indicator]
driver = "line"
port = "/dev/ttyUSB0"
resolution = "0.01 mm"
max_error = "0.02 mm"
range = "25 mm"
[fixture]
driver = "ascii"
port = "/dev/ttyUSB1"
button = "press"
[broker]
url = "mqtts://broker.workshop.example:8883"
username = "bay-1"
keepalive = 20
[wrench]
port = "/dev/ttyUSB2"
unit = "Nm"
serial = "T-7"
[gauge]
serial = "DI-12"
calibrated = 2026-03-01
due = 2027-03-01
[faces]
group = "dialout"
web = "127.0.0.1:8710"
[retention]
"""


@_kind("settings", 0.004)
def _settings(dice: random.Random) -> Iterator[int]:
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:  # noqa: PTH112
        path = Path(folder) / "settings.toml"
        for _ in range(20):
            text = _damaged_text(_SETTINGS, dice).encode("utf-8", "surrogatepass")
            path.write_bytes(_damaged(text, dice) if dice.random() < 0.1 else text)
            try:
                load_config(path)
            except ConfigError as error:
                assert str(error)
            yield 1


@cache
def _sheets() -> list[str]:
    folders = (_FIXTURES / "sheets", _FIXTURES / "demo")
    texts = [path.read_text(encoding="utf-8") for folder in folders for path in sorted(folder.glob("*.toml"))]
    return [text for text in texts if "[[packs]]" in text]


@_kind("sheets", 0.004)
def _sheets_read(dice: random.Random) -> Iterator[int]:
    for _ in range(10):
        text = _damaged_text(dice.choice(_sheets()), dice)
        try:
            parse_sheet(text, "a sheet")
        except SheetError as error:
            assert str(error)
        yield 1


@cache
def _files() -> list[bytes]:
    return [path.read_bytes()[:20_000] for path in sorted((_FIXTURES / "recordings").glob("*[!d].jsonl"))]


@_kind("recordings", 0.004)
def _recordings_read(dice: random.Random) -> Iterator[int]:
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:  # noqa: PTH112
        path = Path(folder) / "one.jsonl"
        for _ in range(10):
            whole = dice.choice(_files())
            data = whole[: dice.choice((300, 1_000, 4_000))]
            for _ in range(dice.choice((1, 1, 3))):
                data = _damaged(data, dice, dice.choice(_files()))[:8_000]
            if dice.random() < 0.4:
                data = _damaged_text(data.decode("utf-8", "replace"), dice).encode("utf-8", "replace")
            path.write_bytes(data)
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # a torn end is told as a warning
                    header, lines = read_recording(path)
                    stream = IndicatorStream(*indicator_from(header.indicator)[:2])
                    for one in lines:
                        if one.source == "indicator":
                            stream.feed(one.t_ns, one.data)
                    stream.finish(0)
            except (RecordingError, LookupError, ValidationError):
                pass
            yield 1


@cache
def _messages() -> list[Outgoing]:
    return [stroke_message(3), verdict_message(), gauge_message(), stroke_message(1, "reverse", "bay-7")]


@_kind("messages", 0.015)
def _messages_read(dice: random.Random) -> Iterator[int]:
    now = datetime(2026, 11, 28, 9, tzinfo=UTC)
    floor = Floor(now)
    for _ in range(50):
        one = dice.choice(_messages())
        topic, payload = one.topic, _damaged_text(one.payload, dice).encode("utf-8", "replace")
        if dice.random() < 0.1:
            payload = _damaged(payload, dice)
        if dice.random() < 0.1:
            topic = _damaged(topic.encode(), dice).decode("utf-8", "replace")
        floor.feed(topic, payload, dice.random() < 0.5, now)
        try:
            row_of(Arrived(topic, payload, now))
        except NoMessage as error:
            assert str(error)
        yield 1
    floor.rows(now)


@_kind("faces", 0.02)
def _faces(dice: random.Random) -> Iterator[int]:
    right = [
        Hello(who="mira at pts/3").model_dump_json(),
        Keyed(type="key", text="a").model_dump_json(),
        Keyed(type="scan", text="unit:TX-2201").model_dump_json(),
        Asks().model_dump_json(),
    ]
    lines = []
    for _ in range(100):
        said = [right[0], *dice.choices(right, k=3)]
        for _ in range(dice.choice((1, 1, 2))):
            at = dice.randrange(4)
            said[at] = _damaged_text(said[at], dice)
        text = "\n".join(said).encode("utf-8", "replace") + b"\n"
        lines.append(_damaged(text, dice) if dice.random() < 0.3 else text)
    asyncio.run(_tell_a_hall(lines))
    yield 4 * len(lines)


async def _tell_a_hall(lines: list[bytes]) -> None:
    failed: list[BaseException] = []
    asyncio.get_running_loop().set_exception_handler(
        lambda _loop, context: failed.append(context.get("exception") or RuntimeError(context["message"]))
    )
    hall = Hall()
    for data in lines:
        ours, theirs = socket.socketpair()
        with ours:
            ours.setblocking(False)
            ours.send(data)
            ours.shutdown(socket.SHUT_WR)
            await hall.attach(theirs)
            await asyncio.gather(*hall._tasks)
    await hall.close(Ended(0))
    if failed:
        raise failed[0]


# -- counting --------------------------------------------------------------------------------------------


@dataclass
class Fuzzed:
    """What came of it."""

    inputs: defaultdict[str, int] = field(default_factory=lambda: defaultdict(int))
    slowest_s: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    """The longest that the processor worked on an input, by kind."""
    faults: dict[str, str] = field(default_factory=dict)
    """What went wrong, each once, and how to draw it again."""

    def __str__(self) -> str:
        told = [
            f"{name:11} {count:9,} inputs, slowest {1e3 * self.slowest_s[name]:6.1f} ms"
            for name, count in self.inputs.items()
        ]
        total = f"{sum(self.inputs.values()):,} inputs, {len(self.faults)} faults"
        return "\n".join([*told, total, *(f"{what}: {again}" for what, again in self.faults.items())])


def _batch(kind: str, seed: int, found: Fuzzed, most: int) -> None:
    """Draw one batch of a kind; what it raises or takes too long for is written down."""
    dice, count = random.Random(f"{kind} {seed}"), 0
    again = f"`--kind {kind} --seed {seed} --inputs 300`"
    began_s = time.thread_time()
    try:
        for step in KINDS[kind][1](dice):
            count += step
            now_s = time.thread_time()
            took_s, began_s = (now_s - began_s) / step, now_s
            found.slowest_s[kind] = max(found.slowest_s[kind], took_s)
            if took_s > MOST_S:
                found.faults.setdefault(f"{kind}: an input that takes more than {MOST_S} s", again)
            if count >= most:
                break
    except Exception as raised:
        error = raised.__cause__ or raised  # a StopIteration leaves a generator as another error
        where = traceback.extract_tb(error.__traceback__)[-1]
        found.faults.setdefault(
            f"{kind}: {type(error).__name__} at {where.filename}:{where.lineno}", f"{error!s:.200} {again}"
        )
        count += 1
    found.inputs[kind] += count


def fuzz(inputs: int, seed: int, kinds: list[str] | None = None) -> Fuzzed:
    """Try so many inputs, shared among the kinds."""
    found = Fuzzed()
    chosen = kinds or [*KINDS]
    for kind in chosen:  # what is read once is no input's time
        for known in (_recordings, _sheets, _files, _messages):
            known()
        wanted = round(inputs * KINDS[kind][0] / sum(KINDS[one][0] for one in chosen)) or 1
        number = seed
        while found.inputs[kind] < wanted:
            _batch(kind, number, found, wanted - found.inputs[kind])
            number += 1
    return found


def main() -> None:
    """Try, count, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=5_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", action="append", choices=[*KINDS])
    options = parser.parse_args()
    found = fuzz(options.inputs, options.seed, options.kind)
    sys.stdout.write(f"{found}\n")
    raise SystemExit(1 if found.faults else 0)


if __name__ == "__main__":
    main()
