"""A verdict on bytes from a file or a program is no measurement of a unit, and says so wherever it goes."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from capture.bench.origin import origin_now
from capture.custody.verify import verify
from capture.job.unit_on_record import FactRefused, UnitOnRecord
from capture.mqtt.messages import UnitMessage, VerdictMessage
from capture.record import Store
from capture.recordings.file import read_recording
from capture.recordings.playback import Playback
from capture.unit.facts import Override, SignedOff
from capture.unit.origin import not_measured_words, origin_words
from drivers.transport import Chunk, Opened
from tests.job.test_unit_on_record import AT, ROOT, SHEET, measured, open_job
from tests.support.command import run_command
from tests.support.proven_record import forge, tamper

RECORDING = ROOT / "fixtures" / "recordings" / "line-1000hz-mm-micron-short.jsonl"
LINE = {"kind": "line", "port": "/dev/ttyUSB0", "adapter": "A1B2", "host": "bay-pc", "boot": "b"}
PLAYED = {"kind": "recording", "port": "recording:good.jsonl", "adapter": None, "host": "bay-pc", "boot": "b"}


def strokelog(*words: str, code: int = 0) -> str:
    done = run_command(*words)
    said = (done.stdout + done.stderr).decode()
    assert done.returncode == code, said
    return said


def unit_with(tmp_path: Path, *origins: Mapping[str, Any] | None) -> tuple[Store, UnitOnRecord]:
    """A job whose packs are all good or let pass, its first pack checked once for each origin, in order."""
    store = Store.open(tmp_path / "record.sqlite")
    job = open_job(store, sheet_toml=SHEET)
    for origin in origins:
        found = measured(1_100_000, "good")
        check = store.start_check(
            job, pack="low", indicator={"driver": "line"}, recording_path="x.jsonl", low_nm=found.low_nm,
            high_nm=found.high_nm, strokes_wanted=5, seat_wanted=1, measure="held", origin=origin, at=AT,
        )  # fmt: skip
        store.finish_check(
            check, found, advice=[], recording_sha256="0" * 64, recording_bytes=1, software_version="0", at=AT
        )
    unit = UnitOnRecord(store, job, publishes=True)
    steps = [Override(None, n, "Di", "not of this test") for n in range(len(unit.sheet.steps))]
    packs = [Override(one.pack, None, "Di", "not of this test") for one in unit.now.packs if one.state != "good"]
    unit.add([*steps, *packs], at=AT)
    return store, unit


@pytest.mark.attack("a replay measured as it is")
def test_what_came_from_a_recording_is_signed_as_a_demonstration_or_not_at_all(tmp_path: Path) -> None:
    store, unit = unit_with(tmp_path, PLAYED)
    with store:
        (known,) = unit.now.standing.remarks
        assert known.code == "not_measured" and "a recording, recording:good.jsonl" in known.text
        with pytest.raises(FactRefused, match="not measured on a unit"):
            unit.add([SignedOff("Di")], at=AT)
        (written,) = unit.add([SignedOff("Di", "", (known,), "to show it")], at=AT)
        assert "signed off as a demonstration by Di" in written.text and "Released" not in written.text
        standing = unit.now.standing
        assert standing.demonstration and standing.signed is not None
        told = UnitMessage.of(unit.now, {}, at=AT, bench="b", job=unit.job.uuid, unit_serial="u")
        assert (told.signed_off_by, told.demonstrated_by) == ("", "Di")
    shown = json.loads(strokelog("jobs", "--json", "--data-dir", str(tmp_path)))
    assert shown["signed_off"]["demonstration"] is True and shown["checks"][0]["origin"] == PLAYED


def test_a_measured_unit_and_one_of_an_earlier_version_are_signed_as_ever(tmp_path: Path) -> None:
    for n, origins in enumerate([(LINE,), (None,), (PLAYED, LINE)]):
        (tmp_path / str(n)).mkdir()
        store, unit = unit_with(tmp_path / str(n), *origins)
        with store:
            assert unit.now.standing.remarks == ()
            unit.add([SignedOff("Di")], at=AT)
            told = UnitMessage.of(unit.now, {}, at=AT, bench="b", job=unit.job.uuid, unit_serial="u")
            assert (told.signed_off_by, told.demonstrated_by) == ("Di", "")


def test_the_newest_check_of_a_pack_decides(tmp_path: Path) -> None:
    store, unit = unit_with(tmp_path, LINE, PLAYED)
    with store:
        assert [one.code for one in unit.now.standing.remarks] == ["not_measured"]


@pytest.mark.attack("a program that plays an indicator")
@pytest.mark.parametrize("kind", ["this-machine", "pseudo-terminal", "recording", "unknown", "something newer"])
def test_only_a_line_and_another_machine_s_line_measure(kind: str) -> None:
    assert not_measured_words(LINE | {"kind": kind})
    assert not not_measured_words(LINE | {"kind": "network"}) and not not_measured_words(LINE)
    assert origin_words(LINE) == "a port of this computer, /dev/ttyUSB0, adapter A1B2, on bay-pc"


@pytest.mark.attack("a replay measured as it is")
@pytest.mark.attack("figures typed that no dial showed")
def test_figures_that_were_typed_are_told_with_who_typed_them() -> None:
    typed = {"kind": "typed", "by": "Aino", "port": "keyboard:"}
    assert origin_words(typed) == "typed by Aino" and not not_measured_words(typed)


@pytest.mark.timeout(120)
def test_a_recording_played_at_the_port_is_proven_and_no_measurement(tmp_path: Path) -> None:
    command = [
        sys.executable, "-m", "capture.cli", "run", "--sheet", str(ROOT / "fixtures/demo/workshop-forwarder.toml"),
        "--port", f"recording:{RECORDING}", "--driver", "line", "--json", "--set", "resolution=0.001 mm",
        "--pack", "low", "--data-dir", str(tmp_path),
    ]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["type"] == "stroke"
    process.terminate()
    process.communicate(timeout=90)
    with Store.open_to_read(tmp_path / "record.sqlite") as store:
        (check,) = store.job(1).checks
    assert check.origin is not None and check.origin["kind"] == "recording"
    header, lines = read_recording(tmp_path / check.recording_path)
    assert list(lines)
    assert header.model_extra == {"origin": check.origin}
    assert "readings: a recording, recording:" in strokelog("show", "1", "--data-dir", str(tmp_path))
    # Whoever calls it measured in entry and row, and chains everything anew, is found by the recording's own header.
    record = tmp_path / "record.sqlite"
    forge(record, check.started_number, origin=LINE)
    tamper(record, ("UPDATE checks SET origin = ?", (json.dumps(LINE),)))
    mismatch = verify(record).mismatch
    assert mismatch is not None and "where the readings came from, in its recording" in mismatch.what


async def test_nothing_of_a_recording_is_played_before_somebody_measures() -> None:
    async with Playback(RECORDING, speed=50) as port:
        first = asyncio.ensure_future(anext(port))
        for _ in range(5):
            await asyncio.sleep(0)
        assert not first.done()
        port.begin()
        assert isinstance(await first, Opened) and isinstance(await anext(port), Chunk)


def test_what_is_kept_tells_this_running_of_this_computer() -> None:
    one, other = origin_now("/dev/nowhere"), origin_now("/dev/none")
    assert one["host"] == other["host"] != "" and one["boot"] == other["boot"]
    assert Path("/proc/sys/kernel/random/boot_id").read_text().strip() == one["boot"]


@pytest.mark.attack("measured under a wrong clock")
def test_a_clock_that_was_set_is_an_entry_and_told_when_the_record_is_proven(tmp_path: Path) -> None:
    store, _ = unit_with(tmp_path)
    with store:
        jump = {"seen": "running", "from": "2025-11-25T09:00:00+00:00", "to": "2025-11-25T08:00:00+00:00"}
        number = store.add_clock_jump("bay-1", jump | {"jumped_ns": -3_600_000_000_000}, at=AT)
    told = strokelog("record", "verify", "--data-dir", str(tmp_path))
    assert f"Entry {number}: the clock of bay-1 was set from 2025-11-25T09:00:00+00:00" in told and "PROVEN" in told


def test_the_message_of_a_verdict_says_where_the_readings_came_from(tmp_path: Path) -> None:
    store, unit = unit_with(tmp_path, PLAYED)
    with store:
        check = store.start_check(
            unit.job.id, pack="low", indicator={"driver": "line"}, recording_path="y.jsonl", low_nm=800_000,
            high_nm=1_400_000, strokes_wanted=5, seat_wanted=1, measure="held", origin=PLAYED, at=AT,
        )  # fmt: skip
        found = measured(1_100_000, "good")
        pack = unit.sheet.pack("low")
        unit.keep_verdict(check, pack, found, [], recording_sha256="0" * 64, recording_bytes=1, at=AT)
        waiting = [one.message.payload for one in store.outbox_after(0, 100) if one.message.topic.endswith("/verdict")]
    assert VerdictMessage.from_wire(waiting[-1].encode()).not_measured == "a recording, recording:good.jsonl"
