"""`strokelog demo`: the whole job on a simulated bench. A pack's physics speaks over a real pty through the production
drivers; an embedded broker carries the MQTT side, and a subscriber counts what arrives there.

The indicator, the valve and the technician are simulated; everything behind the port is what a real bench runs, and
everything behind the keyboard: the technician takes advice, signs steps and signs the unit off by key and badge.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import sys
import tempfile
import textwrap
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from socket import socketpair

from capture.bench.setup import BenchSetup
from capture.clearance.gauge.facts import MastersListed
from capture.clearance.gauge.master_check import REPEATS
from capture.clearance.gauge.masters import load_masters
from capture.clearance.gauge.standing import masters_of
from capture.cli.bench_run import is_terminal
from capture.config import load_config
from capture.mqtt.settings import BrokerSettings
from capture.plumbing.outlet import Outlet
from capture.plumbing.outward import say
from capture.plumbing.terminal.scanner import KeyCollector
from capture.record import RecordError, Store
from capture.recordings.stream import indicator_from
from capture.session.conduct import EXIT_GOOD, EXIT_NOT_GOOD
from capture.session.daemon import Way, run_daemon
from capture.session.faces.hall import Hall
from capture.session.faces.messages import Hello
from capture.session.faces.terminal import TerminalFace
from capture.session.session import Session
from capture.sheet.sheet import sheet_and_text
from capture.simulation.broker import demo_broker
from capture.simulation.pty_bench import PtyBench
from capture.simulation.scenario import (
    DEMO_BENCH,
    DEMO_CHECKS,
    DEMO_GAUGE,
    DEMO_INDICATOR,
    DEMO_MASTER,
    DEMO_SEED,
    DEMO_SLIDES,
    DEMO_STEPS,
    DEMO_TECHNICIAN,
    TROUBLED_BENCH,
    DemoCheck,
    troubled_checks,
)
from capture.simulation.simulated_bench import SimulatedBench as SimulatedBench
from capture.unit.gauge_identity import Gauge

_BENCH = "forest-1"
_PAUSE_S = 0.5
_CAUTION_S = 3.0
#: From key to key of a hand, and of a scanner.
_HAND_NS, _SCANNER_NS = 70_000_000, 2_000_000


def demo_data() -> Path:
    """Return the folder with the demo's build sheet: beside the package when installed, else in the checkout."""
    here = Path(__file__).resolve().parents[1]
    installed = here / "demo_data"
    return installed if installed.is_dir() else here.parent / "fixtures" / "demo"


@dataclass(slots=True)
class _Subscriber:
    """What the MQTT side saw."""

    strokes: int = 0
    verdicts: dict[str, str] = field(default_factory=dict)
    signed_by: str = ""
    news: asyncio.Event = field(default_factory=asyncio.Event)


def _settings(port: int) -> BrokerSettings:
    # The demo's broker speaks MQTT 3.1.1 alone, and waits for ever at a CONNECT of MQTT 5 with a last will.
    return BrokerSettings(url=f"mqtt://127.0.0.1:{port}", mqtt_version="3.1.1")


@asynccontextmanager
async def _subscribed(port: int) -> AsyncIterator[_Subscriber]:
    """Listen to the broker as a supervisor's board would."""
    from capture.mqtt.link import BrokerLink, Connection
    from capture.mqtt.messages import UnitMessage, VerdictMessage

    seen = _Subscriber()

    async def listen(connection: Connection) -> None:
        while True:
            message = await connection.arrival()
            if message.topic.endswith("/stroke"):
                seen.strokes += 1
            elif message.topic.endswith("/verdict"):
                verdict = VerdictMessage.from_wire(message.payload)
                seen.verdicts[verdict.pack] = verdict.verdict
            elif message.topic.endswith("/unit"):
                unit = UnitMessage.from_wire(message.payload)
                seen.signed_by = unit.signed_off_by or unit.demonstrated_by
            seen.news.set()

    async with BrokerLink(_settings(port), "the supervisor", "supervisor").connection() as link:
        await link.hear(["strokelog/v1/#"])
        task = asyncio.create_task(listen(link))
        try:
            yield seen
        finally:
            task.cancel()
            await asyncio.wait({task})


async def run_demo(*, speed: float, troubles: bool, as_json: bool, data_dir: Path | None) -> int:
    """Run the demo; return 0 when every pack ended good and its verdict arrived over MQTT too."""
    home = data_dir or load_config().data_dir / "demo"
    sheet_path = home / "build-sheet.toml"
    try:
        home.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(demo_data() / "workshop-forwarder.toml", sheet_path)
    except OSError as error:
        raise RecordError(f"cannot use the folder {home}: {error.strerror}; give another --data-dir") from error
    sheet, sheet_toml = sheet_and_text(sheet_path)
    _list_masters(home)
    driver, settings, _ = indicator_from(dict(DEMO_INDICATOR))
    bench = TROUBLED_BENCH if troubles else DEMO_BENCH
    # A pty has no baud to speak of, but the settings are those of a real port.
    with tempfile.TemporaryDirectory(prefix="strokelog-demo-") as folder:
        port = Path(folder) / "indicator"
        async with (
            demo_broker() as broker_port,
            _subscribed(broker_port) as seen,
            PtyBench(SimulatedBench(bench, DEMO_CHECKS[0].physics, DEMO_SEED), port, speed=speed) as simulated,
        ):
            setup = BenchSetup(
                bench=_BENCH,
                port=str(port),
                driver=driver,
                settings=settings,
                indicator=dict(DEMO_INDICATOR),
                sheet=sheet,
                sheet_toml=sheet_toml,
                unit_serial="FW3-0117",
                technician="",
                data_dir=home,
                record_path=home / "record.sqlite",
                gauge=Gauge(DEMO_GAUGE),
                broker=_settings(broker_port),
                speed=speed,
            )
            conductor = _Conductor(simulated, seen, speed, troubles)
            code = await _run(setup, conductor, _CAUTION_S / speed, as_json=as_json)
    if not as_json and conductor.session is not None:
        _tell(conductor.session, seen, home, sheet_path)
    return code


def _list_masters(home: Path) -> None:
    """Keep the demo's masters in its record, once. Raises RecordError."""
    with Store.open(home / "record.sqlite") as store:
        if not masters_of(store.gauge_facts()):
            masters = load_masters(demo_data() / "masters.toml")
            store.add_gauge_fact(MastersListed(tuple(masters), DEMO_TECHNICIAN), at=datetime.now(UTC))


async def _run(setup: BenchSetup, conductor: _Conductor, caution_s: float, *, as_json: bool) -> int:
    """Measure, with this terminal as a face of it if a person sits there."""
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    outlet = Outlet(gone=lambda: loop.call_soon_threadsafe(stop.set))
    ours, theirs = socketpair() if is_terminal() and not as_json else (None, None)

    def session(hall: Hall, _following: object) -> Session:
        say = outlet.line if ours is None else lambda text: None
        return Session(setup, say, as_json=as_json, attended=ours is not None, changed=hall.changed)

    measuring = asyncio.create_task(
        run_daemon(session, Way(conductor.conduct, link=theirs, caution_s=caution_s, follows=False), stop),
        name="measuring",
    )
    try:
        if ours is not None:
            await TerminalFace(ours, Hello(who="you"), lambda: None, began=True, restarts=False).run()
            if not measuring.done():  # the terminal is gone
                stop.set()
        return await measuring
    finally:
        stop.set()
        await asyncio.wait({measuring})
        outlet.close()
        if outlet.broken:
            raise BrokenPipeError


class _Hands:
    """The technician at keyboard and scanner: every key goes the way of a real one, at a hand's or a scanner's pace."""

    def __init__(self, session: Session, speed: float) -> None:
        self._session = session
        self._speed = speed
        self._collector = KeyCollector()
        self._t_ns = 0

    async def _key(self, key: str, after_ns: int) -> None:
        self._t_ns += after_ns
        for told in self._collector.take(self._t_ns, key):
            await self._session.take(told)

    async def press(self, *keys: str) -> None:
        """Press keys one by one."""
        for key in keys:
            await self._key("\r" if key == "enter" else key, _HAND_NS)
            for told in self._collector.wait(self._t_ns + _HAND_NS):
                await self._session.take(told)
            await asyncio.sleep(_HAND_NS / 1e9 / self._speed)

    async def type(self, text: str) -> None:
        """Type a line and end it."""
        await self.press(*text, "enter")

    async def scan(self, code: str) -> None:
        """Hold a code before the scanner."""
        self._t_ns += _HAND_NS
        for key in (*code, "\r"):
            await self._key(key, _SCANNER_NS)
        await asyncio.sleep(_PAUSE_S / self._speed)


class _Conductor:
    """Plays the technician's part: which pack is on the bench, when the air is applied, and what is done about it."""

    def __init__(self, simulated: PtyBench, seen: _Subscriber, speed: float, troubles: bool) -> None:
        self._simulated = simulated
        self._seen = seen
        self._speed = speed
        self._checks = troubled_checks() if troubles else DEMO_CHECKS
        self._wanted: dict[str, str] = {}
        self.session: Session | None = None
        """What it was conducted in, once it was."""

    async def conduct(self, session: Session) -> int:
        self.session = session
        hands = _Hands(session, self._speed)
        await hands.scan(f"tech:{DEMO_TECHNICIAN}")
        await self._check_gauge(session, hands)
        first = [number for number, step in enumerate(session.bench.setup.sheet.steps, 1) if step.before]
        await self._sign(hands, first)
        await hands.press("escape")
        for check in self._checks:
            await self._check(session, hands, check)
            await asyncio.sleep(_PAUSE_S / self._speed)
        await self._sign(hands, [number for number in DEMO_STEPS if number not in first])
        await hands.press("u", "enter")
        # Nothing here was measured on a unit, so whoever signs must say that it is a demonstration.
        await hands.type("to show how it works")
        await hands.press("enter")
        await asyncio.sleep(_PAUSE_S / self._speed)
        await hands.press("escape")
        # The last messages are on their way; a broker in this process takes milliseconds.
        unit = session.bench.unit
        signed = unit.now.standing.signed.fact.by if unit is not None and unit.now.standing.signed is not None else ""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(5):
                while self._seen.verdicts != self._wanted or self._seen.signed_by != signed:
                    self._seen.news.clear()
                    await self._seen.news.wait()
        arrived = self._seen.verdicts == self._wanted and self._seen.signed_by == signed
        return EXIT_GOOD if signed and arrived else EXIT_NOT_GOOD

    async def _sign(self, hands: _Hands, numbers: Sequence[int]) -> None:
        """Sign steps of the sheet, each with what is typed at it."""
        await hands.press("s")
        for number in numbers:
            await hands.scan(f"step:{number}")
            await hands.type(DEMO_STEPS[number])

    async def _check_gauge(self, session: Session, hands: _Hands) -> None:
        """The morning's first minute: the block under the tip and out again, three times."""
        bench = session.bench
        self._simulated.bench.load(DEMO_MASTER)
        await hands.press("g")
        slides = REPEATS
        while (made := bench.gauge.check) is not None and not made.measured:
            await self._simulated.run_check(DEMO_MASTER, slides, seated=True, technician=DEMO_SLIDES)
            slides = 1
        await bench.gauge.measured()
        await asyncio.sleep(_PAUSE_S / self._speed)
        await hands.press("enter")

    async def _check(self, session: Session, hands: _Hands, check: DemoCheck) -> None:
        bench = session.bench
        index = next(i for i, pack in enumerate(bench.state.packs) if pack.name == check.pack)
        if check.changed:
            await hands.press("c", "1")
            await asyncio.sleep(_PAUSE_S / self._speed)
            await hands.press("enter")
        # The pack goes on the bench before its check begins: setting up moves the plunger, and that is no stroke.
        self._simulated.bench.load(check.physics)
        await hands.press(str(index + 1))
        await self._simulated.run_check(check.physics, check.strokes, check.troubles)
        if check.abandoned:
            await bench.end_check()
            return
        while not bench.finished.is_set():
            # What was flagged must be made again, as a technician would.
            await self._simulated.run_check(check.physics, 1, seated=True)
            await asyncio.sleep(0)
        verdict = bench.view.packs[index].verdict
        if verdict is not None:
            self._wanted[check.pack] = verdict.verdict


def _tell(session: Session, seen: _Subscriber, home: Path, sheet_path: Path) -> None:
    """Say where everything is and how to look at it again."""

    verdicts = ", ".join(f"{pack} {word}" for pack, word in seen.verdicts.items())
    signed = f"; signed off as a demonstration by {seen.signed_by}" if seen.signed_by else ""
    say(f"Over MQTT: {seen.strokes} strokes, verdicts: {verdicts or 'none'}{signed}")
    say(f"Record: {home / 'record.sqlite'}, and its recordings in {home / 'recordings'}")
    job = session.bench.state.job_id
    _say_command(f"Look at it: strokelog show {job} --data-dir {home}")
    _say_command(f"Its steps:  strokelog unit steps {job} --data-dir {home}")
    _say_command(f"Prove it:   strokelog record verify {job} --data-dir {home}")
    _say_command(f"Report it:  strokelog report {job} --data-dir {home} --out {home}")
    recordings = sorted((home / "recordings" / f"job-{job:05d}").glob("*.jsonl"))
    if recordings:
        pack = session.bench.state.packs[session.bench.state.pack].name
        newest = next((path for path in reversed(recordings) if f"-{pack}-" in path.name), recordings[-1])
        _say_command(f"Replay it:  strokelog replay {newest} --sheet {sheet_path} --pack {pack} --explain")


def _say_command(line: str) -> None:
    """Say what to type; on a terminal that is too narrow for it, broken between words as a shell takes it."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else len(line)
    parts = textwrap.wrap(line, width - 4, break_long_words=False, break_on_hyphens=False)
    say(" \\\n  ".join(parts) if len(line) > width and max(map(len, parts)) <= width - 4 else line)
