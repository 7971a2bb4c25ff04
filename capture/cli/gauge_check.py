"""Runs a check against masters, live or from a recording; keeps it, and says what came of it."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic_ns
from typing import Any, Final

from capture.bench.origin import origin_now
from capture.clearance.gauge.masters import Master
from capture.clearance.gauge.standing import standing_of
from capture.cli.gauge_files import GaugePort, gauge_serial, new_or_old_record, room_of, signer
from capture.cli.people import signed_way
from capture.config import Config
from capture.job.gauge_now import gauge_check_told, gauge_checked, place_for_check, recording_of_check
from capture.mqtt.outgoing import Outgoing
from capture.recordings.file import RecordingError, RecordingWriter, open_recording
from capture.recordings.master_strokes import MastersLed, MastersMeasured, measure_masters
from capture.recordings.playback import open_port
from drivers.port_events import Chunk, Lost

#: Nobody slides masters for longer than this.
_LONGEST_S: Final = 600.0


@dataclass(frozen=True, slots=True)
class CheckDone:
    """A check that was made, and how the gauge stands after it."""

    measured: MastersMeasured
    gauge: str
    entry: int
    """Its number in the ledger; 0 where it is not kept."""
    sha256: str
    text: str
    """How the gauge stands now, in a line; empty where the check is not kept."""
    not_kept: str
    """Why it is not kept, in words; empty where it is."""
    alarm: bool


def run_check(
    port: GaugePort,
    masters: Sequence[Master],
    *,
    settled: Config,
    data_dir: Path | None,
    gauge: str | None,
    bench: str | None,
    as_left: bool,
    by: str | None,
    room_c: float | None,
    tell: Callable[[str], None],
) -> CheckDone:
    """Check a gauge against masters. `tell` is given the next step. Raises RecordingError and RecordError."""
    home = data_dir or settled.data_dir
    serial = gauge_serial(gauge, settled)
    made = port.recording or _live(port, masters, home, serial, by or "", bench or settled.bench, tell)
    room = room_of(room_c, settled)
    measured = measure_masters(made, masters, room)
    signed = by is not None or port.recording is None
    if not serial or not signed:
        why = "no serial number: give --gauge SERIAL" if not serial else "nobody signs it: give --by NAME"
        return CheckDone(measured, serial, 0, "", "", f"Not kept: {why}.", False)
    place = made if port.recording is None else _copied(made, home, serial, measured.header.started)
    name = signer(by, settled)
    fact = gauge_checked(
        place,
        home,
        masters,
        gauge=serial,
        bench=bench or measured.header.bench,
        by=name,
        signed=signed_way(name, "gauge-check", settled, data_dir),
        as_left=as_left,
        origin=origin_now(port.url),
        room=room,
    )
    now = datetime.now(UTC)
    with new_or_old_record(settled, data_dir) as store:
        before = store.gauge_facts()

        def told(head: tuple[int, str]) -> list[Outgoing]:
            return [gauge_check_told(before, fact, now, head)] if settled.broker is not None else []

        number = store.add_gauge_fact(fact, at=now, messages=told)
        entries = store.gauge_facts()
    hashed = next(one.sha256 for one in entries if one.number == number)
    standing = standing_of(entries, serial, fact.bench, now)
    alarm = standing.entry == number and standing.word == "out of control"
    return CheckDone(measured, serial, number, hashed, standing.text, "", alarm)


def _copied(made: Path, home: Path, serial: str, at: datetime) -> Path:
    """Copy a recording into the data folder, where the record's own are."""
    place = place_for_check(home, serial, at)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        with open_recording(made) as file, place.open("xb") as copy:
            shutil.copyfileobj(file, copy)
    except OSError as error:
        raise RecordingError(f"cannot keep the recording {made} as {place}: {error.strerror}") from error
    return place


def _live(
    port: GaugePort,
    masters: Sequence[Master],
    home: Path,
    serial: str,
    by: str,
    bench: str,
    tell: Callable[[str], None],
) -> Path:
    recording = recording_of_check(
        home,
        serial,
        masters,
        bench=bench,
        by=by,
        at=datetime.now(UTC),
        indicator=port.indicator,
        origin=origin_now(port.url),
    )

    async def follow() -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(_LONGEST_S):
                await _follow(port, masters, recording, tell)

    try:
        asyncio.run(follow())
        recording.seal()
    finally:
        recording.close()
    return recording.path


async def _follow(
    port: GaugePort, masters: Sequence[Master], recording: RecordingWriter, tell: Callable[[str], None]
) -> None:
    """Record and measure what the port brings until every master was slid under as often as it takes."""
    assert port.driver is not None and port.settings is not None
    driver, settings = port.driver, port.settings
    led, began_ns = MastersLed(driver, settings, masters, recording), monotonic_ns()
    guided, told = led.guided, 0
    transport = open_port(
        port.url,
        baud=settings.baud,
        framing=settings.framing,
        request=driver.request(settings),
        poll_interval_ns=driver.poll_interval_ns(settings),
        speed=1.0,
    )
    tell(guided.next_step)
    async with transport:
        async for event in transport:
            if isinstance(event, Chunk):
                led.feed(max(0, event.t_ns - began_ns), event.data)
            elif isinstance(event, Lost):
                tell(event.reason)
                led.lost(max(0, event.t_ns - began_ns))
            if len(guided.strokes) > told:
                told = len(guided.strokes)
                tell(guided.next_step)
            if guided.done:
                return


def check_json(done: CheckDone) -> dict[str, Any]:
    """Return a check as one JSON object."""
    found, line = done.measured.check, done.measured.linearity
    return {
        "type": "gauge_check",
        "gauge": done.gauge or None,
        "masters": [asdict(one) for one in found.masters],
        "result": found.result,
        "refused": None if found.refusal is None else asdict(found.refusal),
        "remarks": list(found.remarks),
        "spread_nm": found.spread.sd,
        "spread_dof": found.spread.dof,
        "max_error_nm": done.measured.settings.max_error_nm,
        "linearity": None if line is None else asdict(line),
        "entry": done.entry or None,
        "sha256": done.sha256 or None,
        "standing": done.text or None,
    }


def check_lines(done: CheckDone) -> list[str]:
    """Return what came of a check, for people."""
    found = done.measured.check
    lines = [
        f"{one.serial}: reads {one.error_nm / 1000:+.1f} um at {one.value_nm / 1e6:.4g} mm, U "
        f"{one.expanded_uncertainty_nm / 1000:.1f} um, {one.repeats} times: {one.result}"
        for one in found.masters
    ]
    if found.refusal is not None:
        lines.append(f"Refused: {found.refusal.text}")
    if not done.measured.settings.max_error_nm:
        lines.append("No max_error is given under [indicator], so nothing can be proven against it.")
    lines += found.remarks
    if (line := done.measured.linearity) is not None:
        lines.append(line.spoken)
    return [*lines, done.text] if done.text else [*lines, done.not_kept]
