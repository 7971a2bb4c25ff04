"""The board as a supervisor has it: a real broker, real terminals and pipes, and real benches."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractContextManager, asynccontextmanager, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from capture.bench.bench import Bench
from capture.board.floor import Floor
from capture.board.needs import RECONNECT
from capture.board.run import local_now
from capture.board.subscriber import BoardSubscriber
from capture.mqtt.settings import BrokerSettings
from tests.air.test_control import arm, simulated_ports
from tests.bench.test_live import GOOD, setup_for, simulated
from tests.load.board_load import busy_s, publish_shift
from tests.support.air_bench import setup_of
from tests.support.broker import Mosquitto, Peer, until
from tests.support.shop import PACKS, Sent, job_of, status, stroke_of, troubled, verdict_of
from tests.support.terminal import Terminal
from tests.support.terminal import until as until_shown

ROOT = Path(__file__).resolve().parents[2]
HOSTILE = "<script>document.title='owned'</script>"
MARKUP = "[bold red]loud[/] <b>bold</b>"
ESCAPES = "\x1b[31mred\x1b]0;owned\x07\x9b2Jend"


def publish(port: int, *sent: Sent) -> None:
    """Publish as benches do, with a client that is not ours."""
    for one in sent:
        words = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", one.topic]
        words += ["-s" if one.payload else "-n", *(["-r"] if one.retain else [])]
        subprocess.run(words, input=one.payload.encode(), check=True, timeout=60)


def hostile_bench() -> list[Sent]:
    """A bench, unit, pack and technician whose names want to be more than text."""
    about: dict[str, Any] = {"job": job_of(HOSTILE), "unit_serial": MARKUP, "technician": ESCAPES}
    pack = "<img src=x onerror=alert(1)>"
    return [
        status(HOSTILE, state="measuring", pack=pack, needs=f"{MARKUP} {ESCAPES}", **about),
        stroke_of(HOSTILE, 1, pack=pack),
    ]


# -- in a terminal -------------------------------------------------------------------------------------------


@contextmanager
def on_terminal(columns: int, lines: int, port: int, **environment: str) -> Iterator[Terminal]:
    with Terminal(columns, lines, **environment) as terminal:
        terminal.run("capture.cli", "board", "--broker", f"mqtt://127.0.0.1:{port}")
        terminal.wait_for("No bench has been heard yet.")
        until_shown(lambda: "No broker yet" not in terminal.text(), terminal.text)
        yield terminal


def wait_for_all(terminal: Terminal, *words: str) -> str:
    """Wait until the terminal shows all of `words`: a frame may be on its way. Returns what it shows."""
    until_shown(lambda: all(one in " ".join(terminal.text().split()) for one in words), terminal.text)
    return terminal.text()


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (200, 60)])
def test_a_supervisor_sees_every_bench_and_what_needs_a_person(mosquitto: Mosquitto, columns: int, lines: int) -> None:
    with on_terminal(columns, lines, mosquitto.port) as terminal:
        publish(mosquitto.port, *troubled(datetime.now(UTC)))
        kinds = ["OUT OF AIR", "NO READINGS", "INCONCLUSIVE", "TIGHT", "LOOSE", "OFFLINE"]
        bay_6 = ["▲▲ bay 6", "HX-2362", "1.085 mm", "Tech 3", "Turn the regulator down."]
        shown = wait_for_all(terminal, "12 benches, 7 need a person, 1 gauge to see to", *kinds, *bay_6, "bay 9")
        assert shown.index("bay 6") < shown.index("bay 10") < shown.index("bay 5")
        terminal.keys("n")
        until_shown(lambda: "bay 9" not in terminal.text(), terminal.text)
        terminal.keys("n", "/", "b", "a", "y", "Space", "1", "2", "Enter")
        until_shown(lambda: "bay 12" in terminal.text() and "bay 6" not in terminal.text(), terminal.text)
        terminal.keys("Escape", "s")
        shown = wait_for_all(terminal, "sort: bench", "bay 1 ", "bay 2 ", "bay 3 ")
        assert shown.index("bay 1 ") < shown.index("bay 2 ") < shown.index("bay 3 ")
        terminal.keys("q")
        terminal.wait_for_shell()
        assert terminal.format("#{alternate_on}") == "0"
        assert {"icanon", "echo"} <= set(terminal.settings())


def test_names_are_text_on_a_terminal(mosquitto: Mosquitto) -> None:
    with on_terminal(200, 60, mosquitto.port) as terminal:
        title = terminal.format("#{pane_title}")
        publish(mosquitto.port, *hostile_bench())
        # What comes through of the escapes is their harmless letters, in the style of the column.
        wait_for_all(terminal, "<script>document.t", "[bold red]loud", "<img src=x onerr", "[31mred")
        assert "owned" not in terminal.format("#{pane_title}") and terminal.format("#{pane_title}") == title
        assert "\x1b[31mred" not in terminal.text(styled=True)


def test_a_lost_broker_is_told_and_the_board_comes_back_by_itself(mosquitto: Mosquitto) -> None:
    with on_terminal(80, 24, mosquitto.port) as terminal:
        publish(mosquitto.port, status("bay 1", job=job_of("bay 1")))
        terminal.wait_for("1 bench, nobody is needed")
        mosquitto.stop()
        wait_for_all(terminal, "BROKER LOST. All below is old.", "bay 1")
        mosquitto.start()
        until_shown(lambda: "BROKER" not in terminal.text(), terminal.text)
        publish(mosquitto.port, status("bay 1", job=job_of("bay 1"), indicator="down"))
        terminal.wait_for("1 bench, 1 needs a person")


async def test_a_broker_that_is_stopped_makes_no_bench_vanish(mosquitto: Mosquitto) -> None:
    """The real broker sends the wills of its clients as it ends; this client's is a bench's."""
    floor = Floor(local_now())
    settings = BrokerSettings(url=f"mqtt://127.0.0.1:{mosquitto.port}")
    listening = asyncio.create_task(
        BoardSubscriber(
            settings,
            lambda topic, payload, retained: (floor.feed(topic, payload, retained, local_now()), None)[1],
            lambda link, reason: floor.link(link, reason, local_now()),
        ).run()
    )
    await until(lambda: floor.broker.link == "up")
    now = datetime.now(UTC)
    will = status("bay 1", at=now, state="offline", vanished=True)
    words = (
        f"stdbuf -oL mosquitto_sub -d -h 127.0.0.1 -p {mosquitto.port} -t nothing --will-qos 1 --will-retain".split()
    )
    bench = await asyncio.create_subprocess_exec(
        *words,
        "--will-retain",
        "--will-topic",
        will.topic,
        "--will-payload",
        will.payload,
        stdout=asyncio.subprocess.PIPE,
    )
    try:
        assert bench.stdout is not None
        while b"Subscribed" not in await asyncio.wait_for(bench.stdout.readline(), 10):
            pass
        await asyncio.to_thread(publish, mosquitto.port, status("bay 1", at=now, state="measuring", pack=PACKS[0]))
        await until(lambda: [row.state for row in floor.rows(local_now())] == ["measuring"])
        await asyncio.to_thread(mosquitto.stop)
        await until(lambda: floor.broker.link == "down")
        bench.kill()
        await asyncio.to_thread(mosquitto.start)
        await until(lambda: floor.broker.link == "up")
        await until(lambda: floor.repeats + floor.late > 0 or floor.messages > 2)  # the will, retained
        (row,) = floor.rows(local_now())
        assert [need.kind for need in row.needs] == ["not heard"] and row.pack == PACKS[0]
        (row,) = floor.rows(local_now() + RECONNECT)
        assert [need.kind for need in row.needs] == ["offline"]
    finally:
        with contextlib.suppress(ProcessLookupError):
            bench.kill()
        await bench.wait()
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


def test_a_terminal_without_blocks_and_colours_tells_the_same(mosquitto: Mosquitto) -> None:
    with on_terminal(80, 24, mosquitto.port, LANG="C", LC_ALL="C", PYTHONIOENCODING="ascii") as terminal:
        publish(mosquitto.port, status("bay 1", job=job_of("bay 1")), verdict_of("bay 1", "loose"))
        terminal.wait_for("<> loose")


# -- in a pipe -----------------------------------------------------------------------------------------------


def board(port: int, *words: str) -> AbstractContextManager[subprocess.Popen[str]]:
    """A board on the broker at `port`, its output in pipes."""
    return running("--broker", f"mqtt://127.0.0.1:{port}", *words)


@contextmanager
def running(*words: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "capture.cli", "board", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=60)


def line_with(process: subprocess.Popen[str], words: str) -> str:
    """Return the next line that holds `words`."""
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return line
    raise AssertionError(f"the board ended without {words!r}")


def test_pipes_get_one_object_a_change(mosquitto: Mosquitto) -> None:
    with board(mosquitto.port, "--json") as process:
        assert json.loads(line_with(process, '"link": "up"'))["change"] == "broker"
        publish(mosquitto.port, *hostile_bench())
        told = json.loads(line_with(process, '"travel": "1.10'))
        assert (told["change"], told["bench"], told["unit"]) == ("bench", HOSTILE, MARKUP)
        assert "\x1b" not in told["technician"] and told["needs"][0]["kind"] == "asks"
        publish(mosquitto.port, Sent("strokelog/v1/x/status", "no JSON", False))
        assert "1 unreadable message" in json.loads(line_with(process, "warning"))["text"]
        publish(mosquitto.port, Sent(hostile_bench()[0].topic, "", True))
        assert json.loads(line_with(process, '"gone"'))["bench"] == HOSTILE
        process.send_signal(signal.SIGINT)
        assert process.wait(5) == 0


def test_a_reader_that_leaves_ends_the_board_quietly(mosquitto: Mosquitto) -> None:
    command = f"{shlex.quote(sys.executable)} -m capture.cli board --json --broker mqtt://127.0.0.1:{mosquitto.port}"
    done = subprocess.run(
        ["bash", "-c", f"{command} | head -n 1"], cwd=ROOT, capture_output=True, text=True, timeout=90
    )
    assert done.stderr == ""
    assert json.loads(done.stdout)["change"] == "broker"


def test_a_log_gets_plain_lines_and_the_board_itself_publishes_nothing(
    mosquitto: Mosquitto, peer: Callable[[int], Peer]
) -> None:
    subscriber = peer(mosquitto.port)
    with board(mosquitto.port) as process:
        line_with(process, "broker up")
        publish(mosquitto.port, status("bay 1", job=job_of("bay 1"), technician="Tech 7\x1b[2J"))
        publish(mosquitto.port, verdict_of("bay 1", "tight"))
        line = line_with(process, "tight")
        assert "bay 1: tight; " in line and "tech Tech 7[2J" in line and "NEEDS A PERSON: tight: C1 forward" in line
        until_shown(lambda: len(subscriber.received) == 2, lambda: str(subscriber.received))


def test_a_board_that_is_not_let_in_says_why(mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.stop()
    passwords = tmp_path / "passwords"
    passwords.write_text("board:right\n")
    passwords.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", passwords], check=True)
    mosquitto.lines = ["allow_anonymous false", f"password_file {passwords}"]
    mosquitto.start()
    secret, config = tmp_path / "secret", tmp_path / "config.toml"
    config.write_text(f'[broker]\nurl = "mqtt://x"\nusername = "board"\npassword_file = "{secret}"\n')
    with board(mosquitto.port, "--json", "--config", str(config)) as process:
        assert "cannot read the file that password_file names" in line_with(process, '"link": "down"')
        secret.write_text("wrong\n")
        assert "refused this board: Not authorized" in line_with(process, "refused")
        secret.write_text("right\n")
        line_with(process, '"link": "up"')


def test_the_board_comes_in_over_tls_only_with_the_shop_s_certificate(mosquitto: Mosquitto, tmp_path: Path) -> None:
    mosquitto.stop()
    certificate, key = tmp_path / "shop.crt", tmp_path / "shop.key"
    request = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=broker"
    subject = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run([*request.split(), *subject], check=True, capture_output=True)
    mosquitto.lines += [f"certfile {certificate}", f"keyfile {key}"]
    mosquitto.start()
    config = tmp_path / "config.toml"
    for trusted, words in (("", "the broker's certificate"), (f'ca_file = "{certificate}"\n', '"link": "up"')):
        config.write_text(f'[broker]\nurl = "mqtts://127.0.0.1:{mosquitto.port}"\n{trusted}')
        with running("--json", "--config", str(config)) as process:
            line_with(process, words)


# -- from a bench itself -------------------------------------------------------------------------------------


@asynccontextmanager
async def listening(port: int) -> AsyncIterator[Floor]:
    """A floor that hears the broker."""
    floor = Floor(local_now())
    subscriber = BoardSubscriber(
        BrokerSettings(url=f"mqtt://127.0.0.1:{port}"),
        lambda topic, payload, retained: void(floor.feed(topic, payload, retained, local_now())),
        lambda link, reason: floor.link(link, reason, local_now()),
    )
    task = asyncio.create_task(subscriber.run())
    try:
        yield floor
    finally:
        task.cancel()
        await asyncio.wait({task})
        assert floor.unreadable == floor.late == 0


def void(_: object) -> None:
    """Drop a result."""


def needs_of(floor: Floor) -> list[str]:
    return [need.kind for row in floor.rows(local_now()) for need in row.needs]


async def test_a_real_bench_tells_the_board_what_it_needs(tmp_path: Path, mosquitto: Mosquitto) -> None:
    url = f"mqtt://127.0.0.1:{mosquitto.port}"
    async with simulated(tmp_path / "port") as fixture, listening(mosquitto.port) as floor:
        bench = Bench(setup_for(tmp_path, url))
        at_work = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await bench.start_check(0)
        while not bench.finished.is_set():
            await fixture.run_check(GOOD, 6)
        await until(lambda: [row.verdict for row in floor.rows(local_now())] == ["good"])
        (row,) = floor.rows(local_now())
        assert (row.bench, row.unit_serial, row.technician) == ("bay-2", "FW3-0042", "first shift")
        assert row.last_travel_nm == bench.view.strokes[-1].stroke.peak_travel_nm
        assert row.last_stroke_at is not None and row.needs == ()
        assert (floor.today(local_now()).packs, floor.today(local_now()).good_first) == (1, 1)
        # A board that comes now learns the last travel from what is retained.
        async with listening(mosquitto.port) as late:
            await until(lambda: [one.last_travel_nm for one in late.rows(local_now())] == [row.last_travel_nm])
        fixture.unplug()
        await until(lambda: needs_of(floor) == ["no readings"])
        fixture.replug()
        await until(lambda: needs_of(floor) == [])
        at_work.cancel()
        await asyncio.wait({at_work})
        await until(lambda: [one.state for one in floor.rows(local_now())] == ["offline"])
        assert needs_of(floor) == []  # it was ended in order
        assert floor.rows(local_now())[0].unit_serial == "FW3-0042"


async def test_a_real_fixture_s_fault_is_on_the_board(tmp_path: Path, mosquitto: Mosquitto) -> None:
    fixture, indicator = simulated_ports(tmp_path)
    setup = replace(setup_of(tmp_path, "hold"), broker=BrokerSettings(url=f"mqtt://127.0.0.1:{mosquitto.port}"))
    async with fixture, indicator, listening(mosquitto.port) as floor:
        bench = Bench(setup)
        at_work = asyncio.create_task(bench.run())
        await bench.ready.wait()
        await arm(bench)
        await until(lambda: len(floor) == 1 and needs_of(floor) == [])
        fixture.over_pressure(900_000)
        await until(lambda: needs_of(floor) == ["out of air"])
        assert "Turn the regulator down." in floor.rows(local_now())[0].needs[0].words
        at_work.cancel()
        await asyncio.wait({at_work})


# -- load ----------------------------------------------------------------------------------------------------


def test_a_busy_shop_takes_less_than_half_a_core(mosquitto: Mosquitto) -> None:
    """A short form of `python -m tests.load.board_load`: 500 benches, a stroke each every 4 s, drawn at 200 by 60."""
    with on_terminal(200, 60, mosquitto.port) as terminal:
        pid = terminal.children()[0]
        before, begun = busy_s(pid), time.monotonic()
        publish_shift(mosquitto.port, 500, 4)
        used = (busy_s(pid) - before) / (time.monotonic() - begun)
        terminal.wait_for("500 benches")
        assert PACKS[0] in terminal.text()
    assert used < 0.5
