"""A bench as an edge node of Eclipse Sparkplug 3.0, at a real broker with mosquitto's own clients as the host: held
against the specification's own statements, each by its name there (tck-id-...)."""

from __future__ import annotations

import asyncio
import contextlib
import re
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.mqtt.plant.edge_node import EdgeNode
from capture.mqtt.plant.metrics import Kind, Metric, asks_for_rebirth
from capture.mqtt.plant.plant_publisher import PlantPublisher
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.plant.primary_host import PrimaryHost
from capture.mqtt.plant.sparkplug_b_pb2 import DataType, Payload
from capture.record.plant_mark import RecordForPlant
from capture.unit.facts import SignedOff
from tests.mqtt.test_publisher import Bench, status
from tests.support.broker import Mosquitto, until
from tests.support.make_plant_schema import PLANT, protoc
from tests.support.plant_host import PlantHost, Said
from tests.support.samples import AT, finish_check, open_job, start_check, stroke

BIRTHS = ("NBIRTH", "DBIRTH")
DATA = ("NDATA", "DDATA")
HOST = "planning"


@dataclass
class Session:
    """What a host heard of one bench over a day, part by part, and the broker's log."""

    said: list[Said] = field(default_factory=list)
    before_host: int = 0
    """Messages told before the primary host was there."""
    live: list[Said] = field(default_factory=list)
    back: list[Said] = field(default_factory=list)
    """From when the host had been away."""
    asked: list[Said] = field(default_factory=list)
    """From a rebirth request on."""
    late_state: list[Said] = field(default_factory=list)
    """After an old offline message of the host."""
    taken: list[Said] = field(default_factory=list)
    """After the broker lost the bench."""
    end: list[Said] = field(default_factory=list)
    older_mqtt: list[Said] = field(default_factory=list)
    """A session over MQTT 3.1.1, its end with it."""
    log: str = ""
    made_ms: float = field(default_factory=lambda: datetime.now(UTC).timestamp() * 1000)

    def of(self, *verbs: str) -> list[Said]:
        return [one for one in self.said if one.verb in verbs]


async def a_day(folder: Path) -> Session:
    day = Session()
    broker = Mosquitto(folder)
    broker.lines += [f"log_dest file {folder / 'log'}", "log_type all"]
    broker.start()
    bench = Bench(folder / "record.sqlite")
    job = open_job(bench.store)
    check = start_check(bench.store, job)
    strokes = iter(range(1, 100))

    def keep() -> None:
        bench.store.add_stroke(check, stroke(next(strokes)), seat=False, at=AT + timedelta(seconds=1))

    keep()  # before the plant was ever told of: it does not hear of it
    host = PlantHost(broker.port, "forestry", "bench 4")
    settings = {"url": f"mqtt://127.0.0.1:{broker.port}", "group": "forestry", "primary_host": HOST}
    states: list[tuple[str, str]] = []
    up = status(indicator="up", gauge_serial="DI-0413")

    def publishing(**changes: str) -> PlantPublisher:
        return PlantPublisher(
            PlantSettings.model_validate(settings | changes), RecordForPlant(bench.store), bench.run, up,
            lambda link, why: states.append((link, why)),
        )  # fmt: skip

    async def arrived(*verbs: str, count: int = 1) -> list[Said]:
        """What came since the last part, once it has so many of these."""
        await until(lambda: len([one for one in host.said[len(day.said) :] if one.verb in verbs]) >= count)
        part = host.said[len(day.said) :]
        day.said += part
        return part

    try:
        async with publishing() as plant:
            await until(lambda: states[-1:] and "planning is away" in states[-1][1])
            day.before_host = len(host.said)
            host.state(HOST, online=True, timestamp=1000)
            day.live += await arrived("DBIRTH")
            keep()
            plant.notify()
            day.live += await arrived("NDATA")
            plant.set_status(up.model_copy(update={"technician": "Tech 12"}))
            day.live += await arrived("NDATA")
            plant.set_status(up.model_copy(update={"technician": "Tech 12", "last_travel_nm": -5}))
            day.live += await arrived("DDATA")
            plant.set_status(up.model_copy(update={"indicator": "down"}))
            day.live += await arrived("DDEATH", "NDATA", count=2)
            plant.set_status(up)
            day.live += await arrived("DBIRTH")

            host.command("Node Control/Rebirth", False)
            host.say("spBv1.0/forestry/NCMD/bench 4", b"\xff no payload")
            host.command("Node Control/Rebirth", True)
            day.asked += await arrived("DBIRTH")

            host.state(HOST, online=False, timestamp=500)
            keep()
            plant.notify()
            day.late_state += await arrived("NDATA")

            host.state(HOST, online=False, timestamp=1000)
            day.back += await arrived("NDEATH")
            keep()
            bench.store.add_stroke(check, stroke(50, flags=()), seat=True, at=AT)
            finish_check(bench.store, check)
            bench.store.add_fact(job, SignedOff("Tech 12"), at=AT)
            plant.notify()
            host.state(HOST, online=True, timestamp=2000)
            day.back += await arrived("NDATA", count=6)

            # A second client of its name: the broker ends the first's connection, and publishes its will.
            host.say("elsewhere", b"-", "-i", "strokelog-plant-bench 4", "-V", "mqttv5")
            day.taken += await arrived("NDATA", count=6)
        await asyncio.sleep(0)
        day.end += await arrived("NDEATH", count=2)
        async with publishing(mqtt_version="3.1.1", primary_host=""):
            day.older_mqtt += await arrived("DBIRTH")
        day.older_mqtt += await arrived("NDEATH")
        host.say("spBv1.0/forestry/end", b"-")  # whatever the broker still had to deliver is before it
        await until(lambda: host.said[-1].topic.endswith("/end"))
        day.older_mqtt += host.said[len(day.said) : -1]
        day.said += host.said[len(day.said) : -1]
    finally:
        host.stop()
        bench.store.close()
        bench.thread.shutdown()
        broker.stop()
    day.log = (folder / "log").read_text()
    return day


@pytest.fixture(scope="module")
def day() -> Iterator[Session]:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        patched.setattr("capture.mqtt.plant.plant_publisher._HOST_ANSWERS_S", 0.05)
        yield asyncio.run(a_day(Path(folder)))


Check = Callable[[Session], bool]


def every(*verbs: str, so: Callable[[Said], object]) -> Check:
    """Holds for every message of these verbs, of which there are some."""
    return lambda day: bool(day.of(*verbs)) and all(so(one) for one in day.of(*verbs))


def topic(verb: str, device: str = "") -> Check:
    wanted = f"spBv1.0/forestry/{verb}/bench 4{device}"
    return every(verb, so=lambda one: one.topic == wanted)


def qos_0(*verbs: str) -> Check:
    return every(*verbs, so=lambda one: one.qos == 0)


def not_retained(*verbs: str) -> Check:
    return every(*verbs, so=lambda one: not one.retain)


def qos_0_not_retained(verb: str) -> Check:
    return every(verb, so=lambda one: one.qos == 0 and not one.retain)


def timed(*verbs: str) -> Check:
    """Milliseconds since 1970, UTC: of this day, whatever the machine's own zone."""
    return lambda day: every(*verbs, so=lambda one: abs(one.payload.timestamp - day.made_ms) < 600_000)(day)


def numbered(day: Session) -> bool:
    """One more than the message before, 0 at a birth of the node, and after 255."""
    told = [one for one in day.said if one.verb != "NDEATH"]
    return told[0].payload.seq == 0 and all(
        after.payload.seq == (0 if after.verb == "NBIRTH" else (before.payload.seq + 1) % 256)
        for before, after in pairwise(told)
    )


def session_numbers(day: Session) -> bool:
    """0, 1, 2 with every connection, though births are repeated within one."""
    births = [one.value("bdSeq") for one in day.of("NBIRTH")]
    return births[0] == 0 and births == sorted(births) and set(births) == set(range(max(births) + 1)) and births[1] == 0


def deaths_match(day: Session) -> bool:
    """Every death has the number of the births before it."""
    newest, right = None, True
    for one in day.of("NBIRTH", "NDEATH"):
        number = one.value("bdSeq")
        right = right and (one.verb == "NBIRTH" or number == newest)
        newest = number if one.verb == "NBIRTH" else newest
    return right and bool(day.of("NDEATH"))


def told_before_in_birth(data: str, birth: str) -> Check:
    def holds(day: Session) -> bool:
        known: set[str] = set()
        for one in day.of(data, birth):
            if one.verb == birth:
                known = set(one.names)
            elif not set(one.names) <= known:
                return False
        return bool(day.of(data))

    return holds


def valued(one: Said) -> bool:
    return all(
        metric.name and metric.datatype and (metric.WhichOneof("value") is None) == metric.is_null
        for metric in one.payload.metrics
    )


def devices_after_node(day: Session) -> bool:
    """Born right after the node, before data; one that comes back later is born then."""
    return all(
        after.verb == "DBIRTH" for before, after in pairwise(day.said) if before.verb == "NBIRTH"
    ) and told_before_in_birth("NDATA", "NBIRTH")(day)


def changes_only(day: Session) -> bool:
    """A technician who came is told alone; so is a travel."""
    data = [one for one in day.live if one.verb in DATA and not one.names[0].startswith("stroke/")]
    return [one.names for one in data[:2]] == [["technician"], ["last_travel_nm"]]


def chronological(*verbs: str) -> Check:
    def ordered(one: Said) -> bool:
        times = [metric.timestamp for metric in one.payload.metrics if not metric.is_historical]
        return times == sorted(times)

    return every(*verbs, so=ordered)


def rebirth_metric(one: Said) -> bool:
    metric = one.metric("Node Control/Rebirth")
    return metric.datatype == 11 and metric.WhichOneof("value") == "boolean_value" and not metric.boolean_value


def whole_bd_seq(one: Said) -> bool:
    metric = one.metric("bdSeq")
    return metric.datatype == 4 and metric.WhichOneof("value") == "long_value"


def logged(pattern: str) -> Check:
    return lambda day: re.search(pattern, day.log) is not None


def only_while_there(day: Session) -> bool:
    return day.before_host == 0 and day.said[0].verb == "NBIRTH"


def host_back(day: Session) -> bool:
    """It dies, and is born with the next number once the host is back."""
    verbs = [one.verb for one in day.back]
    return verbs[0] == "NDEATH" and "NBIRTH" in verbs and day.back[verbs.index("NBIRTH")].value("bdSeq") == 1


def late_is_nothing(day: Session) -> bool:
    return [one.verb for one in day.late_state] == ["NDATA"]


def reborn(day: Session) -> bool:
    return [one.verb for one in day.asked] == ["NBIRTH", "DBIRTH"] and day.asked[0].value("bdSeq") == 0


def ended(day: Session) -> bool:
    """By its own word, and by its will after a DISCONNECT that asks for it (MQTT 5)."""
    return [one.verb for one in day.end] == ["NDEATH", "NDEATH"]


def ended_over_older_mqtt(day: Session) -> bool:
    return [one.verb for one in day.older_mqtt].count("NDEATH") == 1 and day.older_mqtt[-1].verb == "NDEATH"


def lower_names_differ(one: Said) -> bool:
    return len({name.lower() for name in one.names}) == len(one.names)


def device_died(day: Session) -> bool:
    verbs = [one.verb for one in day.live]
    return verbs.index("DDEATH") < len(verbs) - 1 and verbs[-1] == "DBIRTH"


def protobuf(*verbs: str) -> Check:
    """A payload by the protobuf library, and nothing of it unknown."""
    return every(*verbs, so=lambda one: one.payload.SerializeToString() == one.raw and one.payload.timestamp)


WILL = r"Will message specified \(\d+ bytes\) \(r0, q1\)\.\n\d+: \tspBv1\.0/forestry/NDEATH/bench 4"
ALL = (*BIRTHS, *DATA, "DDEATH")

#: Statements on edge nodes that hold, each with what shows it.
HELD: Final[dict[str, Check]] = {
    "topic-structure": every(
        *ALL, "NDEATH", so=lambda one: re.fullmatch(r"spBv1\.0/[^/]+/[A-Z]+(/[^/]+){1,2}", one.topic)
    ),
    "topic-structure-namespace-a": every(*ALL, "NDEATH", so=lambda one: one.topic.startswith("spBv1.0/")),
    "topic-structure-namespace-valid-edge-node-id": topic("NBIRTH"),
    "topic-structure-namespace-valid-device-id": topic("DBIRTH", "/indicator"),
    "topic-structure-namespace-unique-device-id": every("DBIRTH", so=lambda one: one.topic.endswith("/indicator")),
    "topic-structure-namespace-device-id-associated-message-types": every(
        "DBIRTH", "DDATA", "DDEATH", so=lambda one: one.topic.count("/") == 4
    ),
    "topic-structure-namespace-device-id-non-associated-message-types": every(
        "NBIRTH", "NDATA", "NDEATH", so=lambda one: one.topic.count("/") == 3
    ),
    "topics-nbirth-topic": topic("NBIRTH"),
    "topics-nbirth-mqtt": qos_0_not_retained("NBIRTH"),
    "topics-nbirth-seq-num": every("NBIRTH", so=lambda one: one.payload.HasField("seq") and one.payload.seq == 0),
    "topics-nbirth-timestamp": timed("NBIRTH"),
    "topics-nbirth-metric-reqs": told_before_in_birth("NDATA", "NBIRTH"),
    "topics-nbirth-metrics": every("NBIRTH", so=valued),
    "topics-nbirth-bdseq-included": every("NBIRTH", so=whole_bd_seq),
    "topics-nbirth-bdseq-matching": deaths_match,
    "topics-nbirth-bdseq-increment": session_numbers,
    "topics-nbirth-rebirth-metric": every("NBIRTH", so=rebirth_metric),
    "topics-ndata-topic": topic("NDATA"),
    "topics-ndata-mqtt": qos_0_not_retained("NDATA"),
    "topics-ndata-seq-num": numbered,
    "topics-ndata-timestamp": timed("NDATA"),
    "topics-ndata-payload": changes_only,
    "topics-ndeath-topic": topic("NDEATH"),
    "topics-ndeath-payload": every("NDEATH", so=lambda one: one.names == ["bdSeq"]),
    "topics-ndeath-seq": every("NDEATH", so=lambda one: not one.payload.HasField("seq")),
    "topics-dbirth-topic": topic("DBIRTH", "/indicator"),
    "topics-dbirth-mqtt": qos_0_not_retained("DBIRTH"),
    "topics-dbirth-seq": numbered,
    "topics-dbirth-timestamp": timed("DBIRTH"),
    "topics-dbirth-metric-reqs": told_before_in_birth("DDATA", "DBIRTH"),
    "topics-dbirth-metrics": every("DBIRTH", so=valued),
    "topics-ddata-topic": topic("DDATA", "/indicator"),
    "topics-ddata-mqtt": qos_0_not_retained("DDATA"),
    "topics-ddata-seq-num": numbered,
    "topics-ddata-timestamp": timed("DDATA"),
    "topics-ddata-payload": changes_only,
    "topics-ddeath-topic": topic("DDEATH", "/indicator"),
    "topics-ddeath-mqtt": qos_0_not_retained("DDEATH"),
    "topics-ddeath-seq-num": numbered,
    "case-sensitivity-metric-names": every(*BIRTHS, so=lower_names_differ),
    "message-flow-edge-node-ncmd-subscribe": logged(r"spBv1\.0/forestry/NCMD/bench 4 \(QoS 1\)"),
    "message-flow-edge-node-birth-publish-connect": only_while_there,
    "message-flow-edge-node-birth-publish-will-message": logged(WILL),
    "message-flow-edge-node-birth-publish-will-message-topic": logged(WILL),
    "message-flow-edge-node-birth-publish-will-message-payload": protobuf("NDEATH"),
    "message-flow-edge-node-birth-publish-will-message-payload-bdSeq": every("NDEATH", so=whole_bd_seq),
    "message-flow-edge-node-birth-publish-will-message-qos": logged(WILL),
    "message-flow-edge-node-birth-publish-will-message-will-retained": logged(WILL),
    "message-flow-edge-node-birth-publish-phid-wait": only_while_there,
    "message-flow-edge-node-birth-publish-phid-wait-id": logged(rf"spBv1\.0/STATE/{HOST} \(QoS 1\)"),
    "message-flow-edge-node-birth-publish-phid-wait-online": only_while_there,
    "message-flow-edge-node-birth-publish-phid-wait-timestamp": late_is_nothing,
    "message-flow-edge-node-birth-publish-nbirth-topic": topic("NBIRTH"),
    "message-flow-edge-node-birth-publish-nbirth-payload": protobuf("NBIRTH"),
    "message-flow-edge-node-birth-publish-nbirth-payload-bdSeq": every("NBIRTH", so=whole_bd_seq),
    "message-flow-edge-node-birth-publish-nbirth-qos": qos_0("NBIRTH"),
    "message-flow-edge-node-birth-publish-nbirth-retained": not_retained("NBIRTH"),
    "message-flow-edge-node-birth-publish-nbirth-payload-seq": every("NBIRTH", so=lambda one: one.payload.seq == 0),
    "message-flow-edge-node-birth-publish-phid-offline": host_back,
    "operational-behavior-edge-node-intentional-disconnect-ndeath": ended,
    "operational-behavior-edge-node-intentional-disconnect-packet": ended,
    "operational-behavior-edge-node-termination-host-offline": host_back,
    "operational-behavior-edge-node-termination-host-offline-reconnect": host_back,
    "operational-behavior-edge-node-termination-host-offline-timestamp": late_is_nothing,
    "operational-behavior-primary-application-state-with-multiple-servers-state-subs": logged(
        rf"STATE/{HOST} \(QoS 1\)"
    ),
    "operational-behavior-primary-application-state-with-multiple-servers-single-server": session_numbers,
    "operational-behavior-edge-node-birth-sequence-wait": only_while_there,
    "message-flow-device-birth-publish-nbirth-wait": devices_after_node,
    "message-flow-device-birth-publish-dbirth-topic": topic("DBIRTH", "/indicator"),
    "message-flow-device-birth-publish-dbirth-match-edge-node-topic": topic("DBIRTH", "/indicator"),
    "message-flow-device-birth-publish-dbirth-payload": protobuf("DBIRTH"),
    "message-flow-device-birth-publish-dbirth-qos": qos_0("DBIRTH"),
    "message-flow-device-birth-publish-dbirth-retained": not_retained("DBIRTH"),
    "message-flow-device-birth-publish-dbirth-payload-seq": numbered,
    "operational-behavior-device-ddeath": device_died,
    "operational-behavior-data-publish-nbirth": told_before_in_birth("NDATA", "NBIRTH"),
    "operational-behavior-data-publish-nbirth-values": every("NBIRTH", so=valued),
    "operational-behavior-data-publish-nbirth-change": changes_only,
    "operational-behavior-data-publish-nbirth-order": chronological("NBIRTH", "NDATA"),
    "operational-behavior-data-publish-dbirth": told_before_in_birth("DDATA", "DBIRTH"),
    "operational-behavior-data-publish-dbirth-values": every("DBIRTH", so=valued),
    "operational-behavior-data-publish-dbirth-change": changes_only,
    "operational-behavior-data-publish-dbirth-order": chronological("DBIRTH", "DDATA"),
    "operational-behavior-data-commands-rebirth-name": every("NBIRTH", so=rebirth_metric),
    "operational-behavior-data-commands-rebirth-datatype": every("NBIRTH", so=rebirth_metric),
    "operational-behavior-data-commands-rebirth-value": every("NBIRTH", so=rebirth_metric),
    "operational-behavior-data-commands-rebirth-action-1": reborn,
    "operational-behavior-data-commands-rebirth-action-2": reborn,
    "operational-behavior-data-commands-rebirth-action-3": reborn,
    "payloads-timestamp-in-UTC": timed(*ALL),
    "payloads-sequence-num-always-included": every(*ALL, so=lambda one: one.payload.HasField("seq")),
    "payloads-sequence-num-req-nbirth": every("NBIRTH", so=lambda one: 0 <= one.payload.seq <= 255),
    "payloads-sequence-num-incrementing": numbered,
    "payloads-name-requirement": every(*ALL, so=lambda one: all(one.names)),
    "payloads-name-birth-data-requirement": every(
        *BIRTHS, *DATA, so=lambda one: all(metric.HasField("timestamp") for metric in one.payload.metrics)
    ),
    "payloads-metric-timestamp-in-UTC": lambda day: all(
        metric.timestamp == round((AT + timedelta(seconds=1)).timestamp() * 1000)
        for one in day.live if one.verb == "NDATA"
        for metric in one.payload.metrics if metric.name.startswith("stroke/")
    ),
    "payloads-metric-datatype-value-type": every(*BIRTHS, so=valued),
    "payloads-metric-datatype-value": every(
        *BIRTHS, so=lambda one: all(DataType.Name(metric.datatype) for metric in one.payload.metrics)
    ),
    "payloads-metric-datatype-req": every(*BIRTHS, so=valued),
    "payloads-metric-datatype-not-req": every(
        *DATA, so=lambda one: not any(metric.HasField("datatype") for metric in one.payload.metrics)
    ),
    "payloads-nbirth-timestamp": timed("NBIRTH"),
    "payloads-nbirth-seq": every("NBIRTH", so=lambda one: one.payload.HasField("seq")),
    "payloads-nbirth-bdseq": every("NBIRTH", so=whole_bd_seq),
    "payloads-nbirth-bdseq-repeat": deaths_match,
    "payloads-nbirth-rebirth-req": every("NBIRTH", so=rebirth_metric),
    "payloads-nbirth-qos": qos_0("NBIRTH"),
    "payloads-nbirth-retain": not_retained("NBIRTH"),
    "payloads-dbirth-timestamp": timed("DBIRTH"),
    "payloads-dbirth-seq": numbered,
    "payloads-dbirth-seq-inc": numbered,
    "payloads-dbirth-order": devices_after_node,
    "payloads-dbirth-qos": qos_0("DBIRTH"),
    "payloads-dbirth-retain": not_retained("DBIRTH"),
    "payloads-ndata-timestamp": timed("NDATA"),
    "payloads-ndata-seq": numbered,
    "payloads-ndata-seq-inc": numbered,
    "payloads-ndata-order": devices_after_node,
    "payloads-ndata-qos": qos_0("NDATA"),
    "payloads-ndata-retain": not_retained("NDATA"),
    "payloads-ddata-timestamp": timed("DDATA"),
    "payloads-ddata-seq": numbered,
    "payloads-ddata-seq-inc": numbered,
    "payloads-ddata-order": devices_after_node,
    "payloads-ddata-qos": qos_0("DDATA"),
    "payloads-ddata-retain": not_retained("DDATA"),
    "payloads-ndeath-seq": every("NDEATH", so=lambda one: not one.payload.HasField("seq")),
    "payloads-ndeath-will-message": logged(WILL),
    "payloads-ndeath-will-message-qos": logged(WILL),
    "payloads-ndeath-will-message-retain": logged(WILL),
    "payloads-ndeath-bdseq": deaths_match,
    "payloads-ndeath-will-message-publisher": ended,
    "payloads-ndeath-will-message-publisher-disconnect-mqtt311": ended_over_older_mqtt,
    "payloads-ndeath-will-message-publisher-disconnect-mqtt50": ended,
    "payloads-ddeath-timestamp": timed("DDEATH"),
    "payloads-ddeath-seq": numbered,
    "payloads-ddeath-seq-inc": numbered,
    "payloads-ddeath-seq-number": numbered,
    "intro-group-id-string": topic("NBIRTH"),
    "intro-group-id-chars": topic("NBIRTH"),
    "intro-edge-node-id-string": topic("NBIRTH"),
    "intro-edge-node-id-chars": topic("NBIRTH"),
    "intro-device-id-string": topic("DBIRTH", "/indicator"),
    "intro-device-id-chars": topic("DBIRTH", "/indicator"),
    "principles-rbe-recommended": changes_only,
    "principles-birth-certificates-order": only_while_there,
    "principles-persistence-clean-session-311": logged(r"as strokelog-plant-bench 4 \(p2, c1,"),
    "principles-persistence-clean-session-50": logged(r"as strokelog-plant-bench 4 \(p5, c1,"),
}  # fmt: skip

#: The rest of those on edge nodes: not held by the program alone, or of what a bench does not use.
ELSEWHERE: Final = {
    "topic-structure-namespace-valid-group-id": "the setting is refused: test_a_group_is_one_level_of_a_topic",
    "topic-structure-namespace-unique-edge-node-descriptor": "whoever names benches: one name, one bench",
    "intro-edge-node-id-uniqueness": "as above",
    "payloads-nbirth-edge-node-descriptor": "as above",
    "case-sensitivity-sparkplug-ids": "as above",
    "operational-behavior-primary-application-state-with-multiple-servers-walk": "a bench knows one server: the next "
    "is the same again",
    "topics-nbirth-templates": "no templates are used",
    "message-flow-device-dcmd-subscribe": "the indicator has no outputs",
    "operational-behavior-data-commands-rebirth-name-aliases": "no aliases are used",
    "payloads-alias-uniqueness": "no aliases are used",
    "payloads-alias-birth-requirement": "no aliases are used",
    "payloads-alias-data-cmd-requirement": "no aliases are used",
}


def test_every_statement_of_the_specification_on_edge_nodes_holds_or_is_said_not_to(day: Session) -> None:
    assert [statement for statement, holds in HELD.items() if not holds(day)] == []
    assert len(HELD) + len(ELSEWHERE) == 159 and not set(HELD) & set(ELSEWHERE)


def test_what_happened_while_the_host_was_away_is_told_as_history_and_what_was_before_the_plant_never(
    day: Session,
) -> None:
    back = [one for one in day.back if one.verb == "NDATA"]
    assert all(metric.is_historical for one in back for metric in one.payload.metrics)
    strokes = [one.value("stroke/n") for one in back if "stroke/n" in one.names]
    assert strokes == [2, 3, 4, 50]  # the first two again, since they were told less than a minute before
    assert not [one for one in day.of("NDATA") if "stroke/n" in one.names and one.value("stroke/n") == 1]
    assert [one.value("verdict/verdict") for one in back if "verdict/mean_nm" in one.names] == ["good"]
    assert [one.value("unit/signed_off_by") for one in back if "unit/signed_off_by" in one.names] == ["Tech 12"]
    birth = next(one for one in day.back if one.verb == "NBIRTH")  # what is so is in the birth already
    assert (birth.value("stroke/n"), birth.value("verdict/mean_nm")) == (50, 1_104_900)


def test_a_stroke_is_told_at_once_and_whole_with_negative_travels_as_two_s_complement(day: Session) -> None:
    """Sparkplug 3.0, 6.4.17: Int64 in an unsigned field (protobuf: two's complement)."""
    (live,) = [one for one in day.live if one.verb == "NDATA" and "stroke/n" in one.names]
    assert not any(metric.is_historical for metric in live.payload.metrics)
    assert (live.value("stroke/pack"), live.value("stroke/unit_serial")) == ("C1/C2 forward", "HX-2207")
    assert (live.value("stroke/n"), live.value("stroke/peak_travel_nm")) == (2, 1_104_902)
    assert live.value("stroke/released_nm") == 2**64 - 12_700
    assert live.value("stroke/flags") == "creep, pressure" and live.value("stroke/pressure_min_pa") is None
    assert [one.value("last_travel_nm") for one in day.live if one.verb == "DDATA"] == [2**64 - 5]


def test_a_bench_that_vanished_is_dead_by_the_broker_s_word_and_all_is_told_again(day: Session) -> None:
    verbs = [one.verb for one in day.taken]
    assert verbs[:3] == ["NDEATH", "NBIRTH", "DBIRTH"]
    again = [one for one in day.taken if one.verb == "NDATA"]
    assert len(again) == 6 and all(metric.is_historical for one in again for metric in one.payload.metrics)
    first = [one.value("stroke/entry") for one in day.back if "stroke/entry" in one.names and one.verb == "NDATA"]
    assert [one.value("stroke/entry") for one in again if "stroke/entry" in one.names] == first


def test_numbers_of_messages_and_sessions_go_from_255_to_0() -> None:
    """tck-id-payloads-sequence-num-incrementing, ...will-message-payload-bdSeq."""
    node = EdgeNode("g", "n", 254)
    sessions = []
    for _ in range(2):
        node.connects()
        sessions.append(Payload.FromString(node.death(AT).payload).metrics[0].long_value)
    assert sessions == [255, 0]
    told = [node.birth([], AT), *(node.data([Metric("a", Kind.TEXT, "b", AT)], AT) for _ in range(257))]
    assert [Payload.FromString(one.payload).seq for one in told] == [*range(256), 0, 1]


def test_a_payload_is_what_the_field_numbers_say() -> None:
    """Worked out by hand from 6.4.1 and the Protocol Buffers encoding: a key is number << 3 | wire type."""
    at = datetime.fromtimestamp(0.3, UTC)  # 300 ms: varint AC 02
    told = EdgeNode("g", "n", 0).data([Metric("x", Kind.WHOLE, 5, at)], at)
    assert told.payload.hex(" ") == "08 ac 02 12 08 0a 01 78 18 ac 02 58 05 18 01"
    assert asks_for_rebirth(
        Payload(metrics=[Payload.Metric(name="Node Control/Rebirth", boolean_value=True)]).SerializeToString()
    )


def test_the_code_is_what_the_protobuf_library_makes_of_the_schema(tmp_path: Path) -> None:
    protoc(f"--python_out={tmp_path}")
    kept, made = ((folder / "sparkplug_b_pb2.py").read_text().splitlines() for folder in (PLANT, tmp_path))
    assert (
        [line for line in kept if line.startswith("DESCRIPTOR")]
        == [line for line in made if line.startswith("DESCRIPTOR")]
        != []
    )


def test_a_host_that_comes_back_at_once_was_away_all_the_same() -> None:
    host = PrimaryHost("h")
    for state in (b'{"online":true,"timestamp":5}', b'{"online":"yes","timestamp":9}', b"\xff", b'{"online":true}'):
        host.heard(state)
    assert host.there and not host.left
    host.heard(b'{"online":false,"timestamp":5}')
    host.heard(b'{"online":true,"timestamp":6}')
    assert host.there and host.left
    host.connects()
    assert not host.there and not host.left


@given(st.binary())
def test_whatever_comes_as_a_command_or_a_state_asks_for_nothing_and_breaks_nothing(came: bytes) -> None:
    host = PrimaryHost("h")
    host.heard(came)
    assert not host.there and not asks_for_rebirth(came)


@pytest.mark.parametrize("group", ["", "a/b", "a+", "#", "a\nb"])
def test_a_group_is_one_level_of_a_topic(group: str) -> None:
    """tck-id-topic-structure-namespace-valid-group-id."""
    with contextlib.suppress(ValidationError):
        settings: Any = PlantSettings.model_validate({"url": "mqtt://127.0.0.1", "group": group})
        pytest.fail(f"{settings} was taken")
