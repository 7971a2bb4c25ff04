"""A few kills of the daemon and of the broker; `python -m tests.load.kill_storm` does hundreds. The count can fail."""

from __future__ import annotations

import copy
import json
from pathlib import Path

from capture.record import Store
from tests.load.kill_storm import kill_the_broker, kill_the_daemon
from tests.load.storm_count import Counts, Message, Told, count
from tests.support.samples import AT, open_job, start_check, stroke, stroke_message


async def test_a_killed_daemon_loses_and_doubles_nothing(tmp_path: Path) -> None:
    found = await kill_the_daemon(tmp_path, kills=6, seed=3, benches=2)
    assert found.wrong == []
    assert found.kills == 6 and found.printed > 0 and found.recorded >= found.printed


async def test_a_killed_broker_loses_nothing_for_a_bench_that_measures(tmp_path: Path) -> None:
    for found in await kill_the_broker(tmp_path, kills=3, seed=2, longest_life_s=1.5):
        assert found.wrong == []
        assert found.kills == 3 and found.arrived == found.recorded >= found.printed > 0


def test_the_count_finds_what_is_lost_doubled_or_changed(tmp_path: Path) -> None:
    path = tmp_path / "record.sqlite"
    told = Told()
    received: list[Message] = []
    with Store.open(path) as store:
        check = start_check(store, open_job(store))
        for n in (1, 2, 3):
            message = stroke_message(n)
            store.add_stroke(check, stroke(n), seat=n == 1, at=AT, messages=[message])
            told.take(b'{"type": "stroke", "job": 1, "pack": "C1/C2 forward", "n": %d}\n' % n)
            received.append((message.topic, json.loads(message.payload)))

    def found(told: Told, received: list[Message]) -> list[str]:
        counts = Counts(0)
        count(counts, path, "bench 4", told, received)
        return counts.wrong

    assert found(told, received) == []
    assert found(told, [*received, received[1]]) == []  # a repeat is harmless
    assert any("arrived None" in text for text in found(told, received[:2]))
    assert any("out of order" in text for text in found(told, [received[1], received[0], received[2]]))
    for changed, words in (("held_travel_nm", "two contents under one id"), ("id", "under two ids")):
        other = copy.deepcopy(received[2])
        other[1][changed] = "another"
        assert any(words in text for text in found(told, [*received, other]))
        assert found(told, [*received[:2], other]) == [] or changed != "id"
    told.take(b'{"type": "stroke", "job": 1, "pack": "C1/C2 forward", "n": 4}\n')
    assert any("in the record None" in text for text in found(told, received))
