"""An invented workshop of many benches as its broker hears it: statuses, strokes and verdicts, for a board to show."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid5

from capture.mqtt.messages import BenchStatus, StrokeMessage, VerdictMessage
from capture.mqtt.topics import status_topic, stroke_topic, verdict_topic
from tests.support.samples import JOB, SHA256, stroke, verdict

PACKS = ("C1 forward", "C2 reverse", "C3 first", "C4 second", "C5 third", "B1 brake")
TECHNICIANS = ("Tech 3", "Tech 7", "Tech 12", "Tech 18", "Tech 21")
STROKES = 5


class Sent(NamedTuple):
    """One message as a bench would publish it."""

    topic: str
    payload: str
    retain: bool


def job_of(bench: str, unit: int = 1) -> UUID:
    """Return the job that a bench is at."""
    return uuid5(JOB, f"{bench} {unit}")


def status(bench: str, *, at: datetime | None = None, **changes: Any) -> Sent:
    content: dict[str, Any] = {
        "at": at or datetime.now(UTC),
        "bench": bench,
        "state": "online",
        "software_version": "0.1.0",
        "indicator": "up",
    }
    return Sent(status_topic(bench), BenchStatus(**(content | changes)).model_dump_json(), True)


def stroke_of(
    bench: str, n: int, *, pack: str = PACKS[0], check: int = 1, at: datetime | None = None, **changes: Any
) -> Sent:
    job = changes.pop("job", job_of(bench))
    message = StrokeMessage.of(
        stroke(n, **({"flags": ()} | changes)),
        at=at or datetime.now(UTC),
        bench=bench,
        job=job,
        pack=pack,
        check=check,
        seat=False,
    )
    return Sent(stroke_topic(bench, pack), message.model_dump_json(), False)


def verdict_of(
    bench: str,
    word: str = "good",
    *,
    pack: str = PACKS[0],
    check: int = 1,
    attempt: int | None = 1,
    at: datetime | None = None,
    **changes: Any,
) -> Sent:
    message = VerdictMessage.of(
        verdict(verdict=word),
        at=at or datetime.now(UTC),
        bench=bench,
        job=changes.pop("job", job_of(bench)),
        pack=pack,
        check=check,
        advice=[],
        recording_sha256=SHA256,
        attempt=attempt,
    )
    return Sent(verdict_topic(bench, pack), message.model_dump_json(), True)


def shift(benches: int, numbered: str = "bay {}") -> Iterator[list[Sent]]:
    """Yield, stroke after stroke, what every bench publishes: a check of five strokes a pack, unit after unit."""
    names = [numbered.format(n + 1) for n in range(benches)]
    turn = 0
    while True:
        step = turn % STROKES
        number, unit = turn // STROKES, turn // STROKES // len(PACKS)
        pack = PACKS[number % len(PACKS)]
        sent: list[Sent] = []
        for index, name in enumerate(names):
            job = job_of(name, unit)
            about: dict[str, Any] = {
                "job": job,
                "unit_serial": f"HX-{2200 + (index * 7 + unit * 13) % 800}",
                "technician": TECHNICIANS[index % len(TECHNICIANS)],
                "measure": "held",
            }
            if step == 0:
                sent.append(status(name, state="measuring", pack=pack, **about))
            travel = 1_000_000 + 1_000 * ((index * 37 + turn * 11) % 300)
            held = {"held_travel_nm": travel, "peak_travel_nm": travel + 12_000}
            sent.append(stroke_of(name, step + 1, pack=pack, check=number + 1, job=job, **held))
            if step == STROKES - 1:
                word = ("good", "good", "loose", "good", "good", "tight", "good", "inconclusive")[(index + number) % 8]
                sent.append(verdict_of(name, word, pack=pack, check=number + 1, job=job))
                sent.append(status(name, **about))
        yield sent
        turn += 1


def troubled(now: datetime) -> list[Sent]:
    """Return a shop in which every kind of need is there once, with benches that are well beside it."""
    sent: list[Sent] = []
    due = now.date()
    cases: list[tuple[str, dict[str, Any], str | None, bool]] = [
        ("bay 1", {"state": "measuring", "pack": PACKS[1]}, None, True),
        ("bay 2", {}, "good", True),
        ("bay 3", {}, "loose", True),
        ("bay 4", {}, "tight", True),
        ("bay 5", {}, "inconclusive", True),
        (
            "bay 6",
            {
                "state": "measuring",
                "pack": PACKS[3],
                "air": "tripped",
                "air_fault": "the pressure is 214 kPa gauge, above 200 kPa gauge. Turn the regulator down.",
            },
            None,
            True,
        ),
        ("bay 7", {"gauge_due": due - timedelta(days=12)}, "good", True),
        ("bay 8", {"state": "offline", "vanished": True}, "good", True),
        ("bay 9", {"state": "offline", "vanished": False}, "good", True),
        ("bay 10", {"state": "measuring", "pack": PACKS[0], "indicator": "down"}, None, True),
        ("bay 11", {"needs": "The indicator is connected but sends no readings: check that it is on."}, None, False),
        ("bay 12", {}, None, False),
    ]
    for index, (name, changes, word, strokes) in enumerate(cases):
        about: dict[str, Any] = {
            "job": job_of(name),
            "unit_serial": f"HX-{2207 + 31 * index}",
            "technician": TECHNICIANS[index % len(TECHNICIANS)],
            "measure": "held",
        }
        pack = changes.get("pack") or PACKS[index % len(PACKS)]
        if changes.get("state") != "offline":
            sent.append(status(name, **(about | changes)))
        if strokes:
            held = 1_000_000 + 17_000 * index
            at = datetime.now(UTC) - timedelta(seconds=7 * index)
            sent.append(stroke_of(name, 3, pack=pack, at=at, held_travel_nm=held))
        if word is not None:
            sent.append(verdict_of(name, word, pack=pack))
        if changes.get("state") == "offline":
            about.pop("job")
            sent.append(status(name, **(about | changes)))
    return sent
