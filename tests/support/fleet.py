"""A fleet of benches in software for the collector to hear, collectors as processes, and what a database holds then.

The benches share a handful of connections, as a test cannot run five hundred processes. Their messages are real.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import paho.mqtt.client as mqtt
import sqlalchemy as sa
from paho.mqtt.enums import CallbackAPIVersion

from capture.collect import DatabaseSettings
from capture.collect.schema import strokes
from capture.mqtt.messages import BenchStatus, StrokeMessage, VerdictMessage, outgoing
from capture.mqtt.outgoing import Outgoing
from capture.mqtt.topics import status_topic
from tests.support.samples import stroke, verdict

ROOT = Path(__file__).parents[2]
#: How long a message is kept after the broker took it; longer than a broker of these tests takes to save it.
_KEPT_S = 3.0


class Shop:
    """Benches that apply a pack again and again. What the broker does not acknowledge is sent again."""

    def __init__(self, port: int, benches: int, connections: int = 4, prefix: str = "") -> None:
        self.benches = [f"bay-{n}" for n in range(1, benches + 1)]
        self.sent: list[str] = []
        self._prefix = f"{prefix}/" if prefix else ""
        self._jobs = {bench: uuid4() for bench in self.benches}
        self._n = dict.fromkeys(self.benches, 0)
        self._acknowledged = 0
        self._handed = 0
        self._lock = threading.Lock()
        self._kept: dict[mqtt.Client, deque[tuple[float, Outgoing]]] = {}
        self._clients = [self._connect(port) for _ in range(min(connections, benches))]

    def _connect(self, port: int) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"benches-{uuid4()}", clean_session=False)
        client.max_inflight_messages_set(20)
        client.reconnect_delay_set(1, 1)
        client.on_publish = self._on_publish
        client.on_connect = self._on_connect
        self._kept[client] = deque()
        client.connect_async("127.0.0.1", port)
        client.loop_start()
        return client

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        # A broker acknowledges before it saves. So a bench forgets a message only when its connection has held for a
        # while since; after a lost one it sends again whatever it has not forgotten.
        now = time.monotonic()
        with self._lock:
            kept = self._kept[client] = deque((now, message) for _at, message in self._kept[client])
            kept = kept.copy()
        for _at, message in kept:
            self._publish(client, message)

    def _on_publish(self, *_: Any) -> None:
        with self._lock:
            self._acknowledged += 1

    def _hand(self, bench: int, message: Outgoing) -> None:
        client = self._clients[bench % len(self._clients)]  # one connection a bench, so its order holds
        with self._lock:
            kept, now = self._kept[client], time.monotonic()
            kept.append((now, message))
            while client.is_connected() and kept[0][0] < now - _KEPT_S:
                kept.popleft()
        self._publish(client, message)

    def _publish(self, client: mqtt.Client, message: Outgoing) -> None:
        with self._lock:  # never held while paho works: it calls back under locks of its own
            self._handed += 1
        client.publish(self._prefix + message.topic, message.payload, qos=1, retain=message.retain)

    def apply(self, bench: int) -> str:
        """Publish the next stroke of a bench; return its id."""
        name = self.benches[bench]
        self._n[name] += 1
        message = StrokeMessage.of(
            stroke(self._n[name]),
            at=datetime.now(UTC),
            bench=name,
            job=self._jobs[name],
            pack="low",
            check=1,
            seat=False,
        )
        self.sent.append(str(message.id))
        self._hand(bench, outgoing(message))
        return str(message.id)

    def judge(self, bench: int) -> None:
        """Publish a verdict of a bench."""
        name = self.benches[bench]
        judged: dict[str, Any] = {"job": self._jobs[name], "pack": "low", "check": 1, "advice": ["Take one shim out."]}
        self._hand(
            bench,
            outgoing(
                VerdictMessage.of(verdict(), at=datetime.now(UTC), bench=name, recording_sha256="ab" * 32, **judged)
            ),
        )

    def report(self, bench: int) -> None:
        """Publish the status of a bench."""
        name = self.benches[bench]
        status = BenchStatus(at=datetime.now(UTC), bench=name, state="online", software_version="0.1.0")
        self._hand(bench, Outgoing(str(status.id), status_topic(name), status.model_dump_json(), retain=True))

    @contextmanager
    def applying(self, per_second: float) -> Iterator[None]:
        """Let the benches apply in turn, `per_second` strokes altogether, while the block runs."""
        stop = threading.Event()

        def work() -> None:
            begun = time.monotonic()
            for n in range(10**9):
                if stop.wait(max(0.0, begun + n / per_second - time.monotonic())):
                    return
                self.apply(n % len(self.benches))

        thread = threading.Thread(target=work)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()

    def wait_acknowledged(self, seconds: float = 60) -> None:
        """Wait until the broker has everything."""
        wait_until(lambda: self._acknowledged >= self._handed, seconds)

    def close(self) -> None:
        for client in self._clients:
            client.disconnect()
            client.loop_stop()


class CollectorProcess:
    """`strokelog collect --json`, and the lines it wrote."""

    def __init__(
        self, port: int, database: str, *options: str, name: str | None = "collector", **environment: str
    ) -> None:
        """`name` None: it gets none, and takes the host's."""
        command = [sys.executable, "-m", "capture.cli", "collect", "--json", "--database", database]
        command += ["--name", name] if name else []
        command += [*(["--broker", f"mqtt://127.0.0.1:{port}"] if port else []), *options]
        self.lines: list[dict[str, Any]] = []
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        )
        self.errors = ""
        self._readers = [threading.Thread(target=self._read), threading.Thread(target=self._read_errors)]
        for reader in self._readers:
            reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        self.lines.extend(json.loads(line) for line in self.process.stdout)

    def _read_errors(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.errors += line

    def link(self, what: str) -> dict[str, Any]:
        """The newest word on the broker or the database."""
        words = [line for line in self.lines if line["type"] == "link" and line["what"] == what]
        return words[-1] if words else {"state": "unknown", "reason": ""}

    def wait_up(self) -> None:
        wait_until(lambda: self.link("broker")["state"] == "up" and self.link("database")["state"] == "up")

    def kill(self) -> None:
        """kill -9."""
        self._end(signal.SIGKILL)

    def stop(self) -> dict[str, Any]:
        """SIGTERM; return its last word, the counts."""
        self._end(signal.SIGTERM)
        return self.lines[-1]

    def _end(self, number: signal.Signals) -> None:
        self.process.send_signal(number)
        self.process.wait(20)
        for reader in self._readers:
            reader.join()
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()


def wait_until(true: Callable[[], Any], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not within {seconds} s"
        time.sleep(0.05)  # what is asked is mostly a database, which should have time for its work


def read(database: str, query: sa.Select[Any]) -> list[Any]:
    """The first column of what a query gives; nothing as long as there are no tables. Takes no lock on SQLite."""
    engine = sa.create_engine(DatabaseSettings(url=database).address)
    try:
        with engine.connect() as connection:
            if not sa.inspect(connection).has_table(strokes.name):
                return []
            return list(connection.execute(query).scalars())
    finally:
        engine.dispose()


def stroke_ids(database: str) -> list[str]:
    """The ids of all strokes in a database, as they stand there: a repeat would be there twice."""
    return [str(one) for one in read(database, sa.select(strokes.c.id))]


def count_strokes(database: str) -> int:
    """How many strokes a database holds."""
    return sum(read(database, sa.select(sa.func.count()).select_from(strokes)))


def random_pause(most_s: float, seed: random.Random) -> None:
    """Let a random time pass before the next blow: the moment is the point, so there is nothing to wait for."""
    threading.Event().wait(seed.uniform(0, most_s))
