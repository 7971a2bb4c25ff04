"""Publishes strokes of many benches evenly and cheaply: each is one text with its own id, time and bench.

    python -m tests.load.stroke_sender PORT BENCHES STROKES_A_SECOND SECONDS

Prints how many the broker acknowledged. The benches share four connections.
"""

from __future__ import annotations

import sys
import threading
import time
from datetime import UTC, datetime
from uuid import uuid4

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from capture.mqtt.messages import StrokeMessage
from capture.mqtt.topics import stroke_topic
from tests.support.samples import stroke_message

CONNECTIONS = 4


def main(port: int, benches: int, a_second: int, seconds: float) -> int:
    """Publish, and wait until the broker has it all."""
    said = StrokeMessage.from_wire(stroke_message(1).payload)
    words = said.model_dump_json().replace(str(said.id), "ID").replace(said.at.isoformat().replace("+00:00", "Z"), "AT")
    words = words.replace(f'"{said.bench}"', '"BENCH"')
    assert all(words.count(f'"{one}"') == 1 for one in ("ID", "AT", "BENCH")), words
    topics = [(f"bay-{n}", stroke_topic(f"bay-{n}", said.pack)) for n in range(benches)]
    acknowledged = threading.Semaphore(0)
    clients = []
    for n in range(CONNECTIONS):
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"benches-{n}")
        client.max_inflight_messages_set(1000)
        client.on_publish = lambda *_: acknowledged.release()
        client.connect("127.0.0.1", port)
        client.loop_start()
        clients.append(client)
    begun, sent = time.monotonic(), int(a_second * seconds)
    for n in range(sent):
        wait = begun + n / a_second - time.monotonic()
        if wait > 0.002:  # a nap a stroke would cost more than the stroke
            time.sleep(wait)
        bench, topic = topics[n % benches]
        now = datetime.now(UTC).isoformat().replace("+00:00", "Z")
        payload = words.replace("ID", str(uuid4()), 1).replace("AT", now, 1).replace("BENCH", bench, 1)
        clients[n % benches % CONNECTIONS].publish(topic, payload, qos=1)
    for _ in range(sent):
        assert acknowledged.acquire(timeout=60), "the broker acknowledges nothing"
    for client in clients:
        client.disconnect()
        client.loop_stop()
    return sent


if __name__ == "__main__":
    port, benches, a_second = map(int, sys.argv[1:4])
    sys.stdout.write(str(main(port, benches, a_second, float(sys.argv[4]))))
