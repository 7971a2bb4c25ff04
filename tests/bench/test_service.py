"""The systemd unit, and what the daemon tells a service manager (sd_notify(3))."""

from __future__ import annotations

import asyncio
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from capture.plumbing.sd_notify import notify_service, watchdog

ROOT = Path(__file__).resolve().parents[2]
UNITS = sorted((ROOT / "systemd").glob("*.service"))
TIMERS = sorted((ROOT / "systemd").glob("*.timer"))


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    # systemd-analyze asks that the program exists; where it will be installed is the one thing not true here.
    copies = []
    for unit in (*UNITS, *TIMERS):
        copies.append(tmp_path / unit.name.replace("@.", "@bay-1."))
        copies[-1].write_text(unit.read_text().replace("/usr/bin/strokelog", shutil.which("true") or "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", *map(str, copies)], capture_output=True, text=True)
    # Verifying also loads the host's own units, which are not ours to judge.
    ours = [line for line in (done.stdout + done.stderr).splitlines() if "strokelog" in line]
    assert ours == []


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_the_units_are_hardened(unit: Path) -> None:
    assert _exposure(unit) <= 1.5


def _exposure(unit: Path) -> float:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", str(unit)], capture_output=True, text=True, check=True
    )
    level = next(line for line in done.stdout.splitlines() if "Overall exposure level" in line)
    return float(level.split(":")[1].split()[0])


def test_real_time_is_given_by_a_part_of_the_bench_s_unit_that_costs_what_it_says(tmp_path: Path) -> None:
    bench, given = (UNITS[0].parent / name for name in ("strokelog@.service", "strokelog@.real-time.conf"))
    unit = tmp_path / bench.name
    unit.write_text(bench.read_text().replace("/usr/bin/strokelog", shutil.which("true") or "/bin/true"))
    # Read after the unit itself, as systemd does: systemd.unit(5), drop-ins.
    unit.write_text(unit.read_text() + given.read_text())
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    assert [line for line in (done.stdout + done.stderr).splitlines() if "strokelog" in line] == []
    assert _exposure(unit) <= 1.7
    assert "LimitRTPRIO=1" in given.read_text() and "1.7" in given.read_text()


def test_the_bench_and_what_keeps_its_recordings_are_one_user() -> None:
    """With another user, systemd would hand the files over under the bench (systemd.exec(5), DynamicUser)."""
    benches = [unit for unit in UNITS if "@" in unit.name]
    told = [dict(line.split("=", 1) for line in unit.read_text().splitlines() if "=" in line) for unit in benches]
    assert [one["User"] for one in told] == ["strokelog-%i"] * 4
    assert {one["StateDirectory"].split()[0] for one in told} == {"strokelog/%i"}


def test_every_timer_starts_a_unit_there_is() -> None:
    assert {timer.stem for timer in TIMERS} <= {unit.stem for unit in UNITS} and len(TIMERS) == 3


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> socket.socket:
    address = tmp_path / "notify"
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(address))
    listener.settimeout(60)
    monkeypatch.setenv("NOTIFY_SOCKET", str(address))
    return listener


def test_nothing_is_said_where_nobody_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify_service("READY=1")


async def test_the_watchdog_is_fed_only_while_the_bench_is_alive(
    manager: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", "20000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    alive = True
    feeding = asyncio.create_task(watchdog(lambda: alive))
    assert await asyncio.to_thread(manager.recv, 64) == b"WATCHDOG=1"
    alive = False
    manager.setblocking(False)
    # Two intervals later the last "alive" has been read and nothing more comes.
    await asyncio.sleep(0.05)
    while True:
        try:
            manager.recv(64)
        except BlockingIOError:
            break
    await asyncio.sleep(0.05)
    with pytest.raises(BlockingIOError):
        manager.recv(64)
    feeding.cancel()
    manager.close()


def test_the_command_says_ready_once_it_measures(manager: socket.socket, tmp_path: Path) -> None:
    sheet = ROOT / "fixtures" / "demo" / "workshop-forwarder.toml"
    command = [sys.executable, "-m", "capture.cli", "run", "--auto", "--sheet", str(sheet), "--driver", "line"]
    command += ["--port", str(tmp_path / "absent"), "--data-dir", str(tmp_path)]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert manager.recv(64) == b"READY=1"
        # A missing port is said in words, and the daemon waits for it rather than giving up.
        assert process.stdout is not None
        assert any("no such device" in line for line in process.stdout)
    finally:
        process.terminate()
        process.communicate(timeout=60)
    assert manager.recv(64) == b"STOPPING=1"
    manager.close()
