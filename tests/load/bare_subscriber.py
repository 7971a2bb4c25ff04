"""The least that could take strokes from a broker into PostgreSQL in batches: what a collector's cost is held against.

No check of what arrives, no lease, no refusals, one kind of message. As a collector it takes at QoS 1, keeps a session,
acknowledges after the commit, and leaves what is there already alone. Ends at SIGTERM.
"""

from __future__ import annotations

import json
import sys
import time
from typing import Any

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.support.samples import stroke_message

TABLE = "bare_strokes"
BATCH, GATHER_S = 500, 0.05
NAMES = [name for name in json.loads(stroke_message(1).payload) if name != "schema_version"]
LISTS = ("flags",)


def create() -> str:
    """Return the statement that makes its table: a column a field, keyed by the message's id."""
    kinds = {int: "BIGINT", bool: "BOOLEAN", list: "JSONB", str: "TEXT", type(None): "BIGINT"}
    said = json.loads(stroke_message(1).payload)
    columns = ", ".join(f'"{name}" {kinds[type(said[name])]}' for name in NAMES)
    return f"CREATE TABLE {TABLE} ({columns}, received_at TIMESTAMPTZ DEFAULT now(), PRIMARY KEY (id))"


def insert() -> str:
    names = ", ".join(f'"{name}"' for name in NAMES)
    return f"INSERT INTO {TABLE} ({names}) VALUES ({', '.join(['%s'] * len(NAMES))}) ON CONFLICT DO NOTHING"


def main(port: int, database: str) -> None:
    """Subscribe, and insert until told to stop."""
    arrived: list[mqtt.MQTTMessage] = []
    with psycopg.connect(database) as connection:
        statement = insert()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
        )
        client.on_message = lambda _client, _data, message: arrived.append(message)
        wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wanted.SessionExpiryInterval, wanted.ReceiveMaximum = 3600, 2 * BATCH
        client.connect("127.0.0.1", port, clean_start=False, properties=wanted)
        client.subscribe("strokelog/v1/+/+/stroke", qos=1)
        since = None
        while True:
            client.loop(GATHER_S)
            since = since or (time.monotonic() if arrived else None)
            if since is None or (len(arrived) < BATCH and time.monotonic() - since < GATHER_S):
                continue
            rows = [_row(json.loads(one.payload)) for one in arrived]
            with connection.cursor() as cursor:
                cursor.executemany(statement, rows)
            connection.commit()
            for one in arrived:
                client.ack(one.mid, one.qos)
            arrived.clear()
            since = None


def _row(said: dict[str, Any]) -> list[Any]:
    for name in LISTS:
        said[name] = json.dumps(said[name])
    return [said[name] for name in NAMES]


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
