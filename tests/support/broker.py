"""A real MQTT broker and an independent subscriber, each a process of its own on loopback."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


async def until(true: Callable[[], Any], seconds: float = 60) -> None:
    """Wait until `true()` is, by looking every few milliseconds."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not within {seconds} s"
        await asyncio.sleep(0.005)


class Mosquitto:
    """The broker. Sessions and retained messages survive `stop` and `start`."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.lines = ["allow_anonymous true"]
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        lines = [f"listener {self.port} 127.0.0.1", "persistence true", f"persistence_location {self._folder}/"]
        lines.append("max_queued_messages 0")  # by default it drops what is queued beyond 1000
        if os.geteuid() == 0:  # otherwise it would become user mosquitto, which cannot write here
            lines.append("user root")
        config = self._folder / "mosquitto.conf"
        config.write_text("\n".join([*lines, *self.lines, ""]))
        program = "/usr/sbin/mosquitto" if Path("/usr/sbin/mosquitto").exists() else "mosquitto"
        self._process = subprocess.Popen(
            [program, "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end = time.monotonic() + 10
        while not answers(self.port):
            assert self._process.poll() is None, f"mosquitto ended with {self._process.returncode}"
            assert time.monotonic() < end, "mosquitto does not answer"
            time.sleep(0.01)

    @property
    def pid(self) -> int:
        """The process of a broker that runs."""
        assert self._process is not None
        return self._process.pid

    def send_signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None

    def crash(self) -> None:
        """kill -9: whatever it has not saved is gone."""
        self.send_signal(signal.SIGKILL)
        assert self._process is not None
        self._process.wait(60)
        self._process = None


class Received(NamedTuple):
    retained: bool
    topic: str
    payload: dict[str, Any]
    at: float


class Peer:
    """mosquitto_sub on everything below `strokelog`, with a session the broker keeps while it is away."""

    def __init__(self, port: int, name: str) -> None:
        self.received: list[Received] = []
        self._process = subprocess.Popen(
            [
                *f"stdbuf -oL mosquitto_sub -d -h 127.0.0.1 -p {port} -q 1 -c -i {name}".split(),
                *("-t", "strokelog/#", "-F", "GOT %r %t\t%p"),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        self._subscribed = threading.Event()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def wait_subscribed(self) -> None:
        assert self._subscribed.wait(60), "mosquitto_sub could not subscribe"

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("Subscribed"):
                self._subscribed.set()
            if line.startswith("GOT "):
                topic, _, payload = line[6:].rstrip("\n").partition("\t")
                self.received.append(Received(line[4] == "1", topic, json.loads(payload), time.monotonic()))

    def of(self, kind: str) -> list[Received]:
        """What arrived of 'status', 'stroke' or 'verdict', in order, each message id once."""
        first: dict[str, Received] = {}
        for one in list(self.received):
            if one.topic.endswith("/" + kind):
                first.setdefault(one.payload["id"], one)
        return list(first.values())

    def newest_status(self, field: str) -> object:
        """A field of the newest status that arrived, None before the first."""
        arrived = self.of("status")
        return arrived[-1].payload[field] if arrived else None

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(60)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()
