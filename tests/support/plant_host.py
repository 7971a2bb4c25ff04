"""A plant's side of Sparkplug for tests: mosquitto's own clients, and payloads read by the protobuf library."""

from __future__ import annotations

import json
import subprocess
import threading
from dataclasses import dataclass
from typing import Any

from capture.mqtt.plant.sparkplug_b_pb2 import DataType, Payload


@dataclass(frozen=True, slots=True)
class Said:
    """One message as a host has it."""

    topic: str
    qos: int
    retain: bool
    raw: bytes

    @property
    def verb(self) -> str:
        return self.topic.split("/")[2]

    @property
    def payload(self) -> Payload:
        return Payload.FromString(self.raw)

    @property
    def names(self) -> list[str]:
        return [one.name for one in self.payload.metrics]

    def metric(self, name: str) -> Any:
        (found,) = [one for one in self.payload.metrics if one.name == name]
        return found

    def value(self, name: str) -> Any:
        """The value under a name, None where it is said to have none."""
        found = self.metric(name)
        field = found.WhichOneof("value")
        return None if field is None else getattr(found, field)


class PlantHost:
    """Hears everything below spBv1.0 by mosquitto_sub, and says things by mosquitto_pub."""

    def __init__(self, port: int, group: str, node: str) -> None:
        self.said: list[Said] = []
        self._port, self._commands = port, f"spBv1.0/{group}/NCMD/{node}"
        self._process = subprocess.Popen(
            [
                *f"stdbuf -oL mosquitto_sub -d -h 127.0.0.1 -p {port} -q 1 -t spBv1.0/{group}/#".split(),
                *("-F", "GOT\t%t\t%q\t%r\t%x"),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        self._subscribed = threading.Event()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        assert self._subscribed.wait(10)

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("Subscribed"):
                self._subscribed.set()
            if line.startswith("GOT\t"):
                _, topic, qos, retain, raw = line.rstrip("\n").split("\t")
                if "/NCMD/" not in topic:
                    self.said.append(Said(topic, int(qos), retain == "1", bytes.fromhex(raw)))

    def of(self, *verbs: str) -> list[Said]:
        return [one for one in list(self.said) if one.verb in verbs]

    def values(self, name: str) -> list[Any]:
        """What a metric of the node's was told to be, message by message."""
        return [one.value(name) for one in self.of("NDATA") if name in one.names]

    def say(self, topic: str, payload: bytes, *more: str) -> None:
        """Publish something, as whoever `more` says."""
        told = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(self._port), "-t", topic, "-s", *more]
        subprocess.run(told, input=payload, check=True, capture_output=True)

    def state(self, host: str, *, online: bool, timestamp: int) -> None:
        """Say whether the host is there, as it would."""
        self.say(
            f"spBv1.0/STATE/{host}", json.dumps({"online": online, "timestamp": timestamp}).encode(), "-r", "-q", "1"
        )

    def command(self, name: str, value: bool) -> None:
        """Write a Boolean of the node."""
        asked = Payload(timestamp=1)
        asked.metrics.add(name=name, boolean_value=value, datatype=DataType.Boolean, timestamp=1)
        self.say(self._commands, asked.SerializeToString())

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()
