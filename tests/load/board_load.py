"""How much of a processor a busy board takes: `python -m tests.load.board_load [--benches 500] [--web]`.

Benches are one paho client in a process of its own; the broker is a real mosquitto; the board is `strokelog board` in a
real terminal of 200 by 60 (tmux), or its web page with one reader. Prints how many messages there were and the share of
one core that the board's process used, as the kernel counts it (/proc/PID/stat: user and system time).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.support.broker import Mosquitto
from tests.support.terminal import Terminal, until

__all__ = ["busy_s", "publish_shift"]

ROOT = Path(__file__).resolve().parents[2]
EVERY_S = 4.0


def busy_s(pid: int) -> float:
    """Return the processor time a process has used, user and system, in seconds (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def publish_shift(port: int, benches: int, seconds: float, every_s: float = EVERY_S) -> int:
    """Publish a shift for so long, evenly: a stroke of every bench each `every_s`. Returns how many messages."""
    import paho.mqtt.client as mqtt

    from tests.support.shop import shift

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = 0
    info = None
    begun = time.monotonic()
    for number, messages in enumerate(shift(benches)):
        for index, message in enumerate(messages):
            due = begun + every_s * (number + index / len(messages))
            if due - begun >= seconds:
                break
            wait = due - time.monotonic()
            if wait > 0:
                time.sleep(wait)
            info = client.publish(message.topic, message.payload, qos=1, retain=message.retain)
            sent += 1
        else:
            continue
        break
    if info is not None:
        info.wait_for_publish(30)
    client.disconnect()
    client.loop_stop()
    return sent


def _measure(pid: int, port: int, benches: int, seconds: float) -> None:
    code = f"from tests.load import board_load; print(board_load.publish_shift({port}, {benches}, {seconds}))"
    before, begun = busy_s(pid), time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    wall = time.monotonic() - begun
    used = busy_s(pid) - before
    print(f"messages            {int(done.stdout)} in {wall:.1f} s ({int(done.stdout) / wall:.0f}/s)")  # noqa: T201
    print(f"board's processor   {used:.2f} s: {used / wall:.1%} of one core (bound: 50 %)")  # noqa: T201
    peak = next(line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(f"board's memory      {int(peak.split()[1]) / 1024:.0f} MiB at its largest")  # noqa: T201
    assert used / wall < 0.5, "the board takes more than half a core"


async def _read_events(url: str) -> None:
    import aiohttp

    forever = aiohttp.ClientTimeout(total=None)
    async with aiohttp.ClientSession(timeout=forever) as session, session.get(url + "events") as response:
        while await response.content.readany():
            pass


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--benches", type=int, default=500)
    words.add_argument("--seconds", type=float, default=60)
    words.add_argument("--web", action="store_true")
    chosen = words.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        url = f"mqtt://127.0.0.1:{broker.port}"
        try:
            if chosen.web:
                _web(url, broker.port, chosen.benches, chosen.seconds)
            else:
                with Terminal(200, 60) as terminal:
                    terminal.run("capture.cli", "board", "--broker", url)
                    terminal.wait_for("No bench has been heard yet.")
                    _measure(terminal.children()[0], broker.port, chosen.benches, chosen.seconds)
                    until(lambda: f"{chosen.benches} benches" in terminal.text(), terminal.text)
                    print(terminal.text())  # noqa: T201
                    terminal.keys("q")
                    terminal.wait_for_shell()
        finally:
            broker.stop()


def _web(url: str, port: int, benches: int, seconds: float) -> None:
    board = subprocess.Popen(
        [sys.executable, "-m", "capture.cli", "board", "--broker", url, "--web", "--listen", "127.0.0.1:0"],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert board.stderr is not None
    page = board.stderr.readline().split("at ")[1].split()[0]
    code = f"import asyncio; from tests.load import board_load; asyncio.run(board_load._read_events({page!r}))"
    reader = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT)
    try:
        _measure(board.pid, port, benches, seconds)
    finally:
        reader.terminate()
        reader.wait()
        board.terminate()
        board.wait()
        board.stderr.close()


if __name__ == "__main__":
    main()
