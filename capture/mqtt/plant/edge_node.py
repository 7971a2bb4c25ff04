"""A bench as an edge node of Sparkplug: its names, its numbers, and each of its messages. Pure.

Theory. A session is what lies between an MQTT CONNECT, whose will is the node's death (NDEATH), and the end of that
connection. Birth and death of one session carry the same `bdSeq`, by which a host knows a late death from the one of
the session that lives; it grows by one with every CONNECT, from 255 to 0. Within a session every message but the death
carries `seq`, from 0 at the node's birth, by which a host finds out that one was lost (Sparkplug 3.0, 5.4 and 6.4.5).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from capture.mqtt.plant.metrics import BD_SEQ, REBIRTH, Kind, Metric, payload

NAMESPACE: Final = "spBv1.0"
_NUMBERS: Final = 256


@dataclass(frozen=True, slots=True)
class PlantMessage:
    """A message ready to be sent."""

    topic: str
    payload: bytes


class EdgeNode:
    """One node of `group`. `bd_seq` is the number of its last session, -1 before the first."""

    def __init__(self, group: str, node: str, bd_seq: int) -> None:
        self._group, self._node = group, node
        self.bd_seq = bd_seq
        self._seq = 0

    @property
    def commands(self) -> str:
        """The topic of what a host commands the node."""
        return self._topic("NCMD")

    def connects(self) -> None:
        """A new MQTT session begins: its death, which is its will, gets the next number."""
        self.bd_seq = (self.bd_seq + 1) % _NUMBERS

    def death(self, at: datetime) -> PlantMessage:
        """Return the death of this session."""
        return PlantMessage(self._topic("NDEATH"), payload([self._session(at)], at=at, seq=None, typed=True))

    def birth(self, metrics: Iterable[Metric], at: datetime) -> PlantMessage:
        """Return the node's birth, which begins the sequence; `metrics` are all that it will ever tell."""
        self._seq = -1
        told = [*metrics, self._session(at), Metric(REBIRTH, Kind.YES_NO, False, at)]
        return self._say("NBIRTH", told, at, typed=True)

    def data(self, metrics: Iterable[Metric], at: datetime, *, historical: bool = False) -> PlantMessage:
        """Return what changed of the node, or what happened earlier."""
        return self._say("NDATA", metrics, at, historical=historical)

    def device_birth(self, device: str, metrics: Iterable[Metric], at: datetime) -> PlantMessage:
        """Return the birth of a device; `metrics` are all that it will ever tell."""
        return self._say("DBIRTH", metrics, at, device, typed=True)

    def device_data(self, device: str, metrics: Iterable[Metric], at: datetime) -> PlantMessage:
        """Return what changed of a device."""
        return self._say("DDATA", metrics, at, device)

    def device_death(self, device: str, at: datetime) -> PlantMessage:
        """Return that a device does not answer any more."""
        return self._say("DDEATH", (), at, device)

    def _session(self, at: datetime) -> Metric:
        return Metric(BD_SEQ, Kind.WHOLE, self.bd_seq, at)

    def _say(
        self,
        verb: str,
        metrics: Iterable[Metric],
        at: datetime,
        device: str = "",
        *,
        typed: bool = False,
        historical: bool = False,
    ) -> PlantMessage:
        self._seq = (self._seq + 1) % _NUMBERS
        told = payload(metrics, at=at, seq=self._seq, typed=typed, historical=historical)
        return PlantMessage(self._topic(verb, device), told)

    def _topic(self, verb: str, device: str = "") -> str:
        levels = (NAMESPACE, self._group, verb, self._node, *([device] if device else []))
        return "/".join(levels)
