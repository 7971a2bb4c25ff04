"""The shop floor as its messages tell it: every bench, today's yield, and what was wrong with what arrived. Pure.

Theory of operation. A topic says who speaks: a payload that names another bench or pack than its topic is refused,
because a broker's rules guard topics only. Messages may come twice, late, or be nonsense: each such is counted and
said, never raised. Time is an argument.

Bounds. So many benches, packs a bench, packs a day and remembered ids; names cut to a length; a payload no larger than
a verdict can be. Whoever may publish can fill the board with nonsense, but not the memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from capture.board.bench_on_board import (
    EARLIEST,
    LATEST,
    LONGEST_WORDS,
    BenchOnBoard,
    MessageRefused,
    Outage,
    cut,
    short,
)
from capture.board.bench_row import BenchRow
from capture.board.yields import MOST_PACKS, Today, Yields
from capture.mqtt.link_state import LinkState
from capture.mqtt.messages import BenchStatus, StrokeMessage, UnitMessage, VerdictMessage
from capture.mqtt.topics import ROOT, name_from_level

__all__ = ["MOST_BENCHES", "Broker", "Floor", "FloorWarning", "RowChange", "What"]

MOST_BENCHES: Final = 5000
LARGEST_PAYLOAD: Final = 64 * 1024
LONGEST_TOPIC: Final = 2100  # two names of the longest a bench can publish

What = Literal["status", "unit", "stroke", "verdict", "gone"]


@dataclass(frozen=True, slots=True)
class RowChange:
    """What a message changed, and the key of its bench."""

    what: What
    key: str


@dataclass(frozen=True, slots=True)
class FloorWarning:
    """What was wrong with what arrived; of each code the newest words hold."""

    code: Literal["too_many_benches", "too_many_packs", "unreadable"]
    text: str


@dataclass(frozen=True, slots=True)
class Broker:
    """The board's own link to the broker, since when, and why it is not up."""

    link: LinkState
    reason: str
    since: datetime


class Floor:
    """Every bench that was heard. Feed it messages; ask it for rows."""

    def __init__(self, now: datetime) -> None:
        """`now` and every later time must be aware; their zone is the one in which "today" is meant."""
        self.began = now
        self.broker = Broker("connecting", "", now)
        self._benches: dict[str, BenchOnBoard] = {}
        self._numbers = 0
        self._yields = Yields()
        self._yields.turn(now.date())
        self._watching_since = now
        self._outage: Outage | None = None
        self.messages = 0
        self.repeats = 0
        """Messages whose id had been seen: harmless."""
        self.late = 0
        """Messages that came after newer ones of their kind: counted, and otherwise ignored."""
        self.unreadable = 0
        self.left_out = 0
        """Messages of benches beyond the most the board holds."""
        self._last_unreadable = ""

    # -- what arrives ------------------------------------------------------------------------------------

    def feed(self, topic: str, payload: bytes, retained: bool, now: datetime) -> RowChange | None:
        """Take one message; return what it changed, or None. Never raises."""
        self.messages += 1
        try:
            return self._take(topic, payload, retained, now)
        except (MessageRefused, ValueError, OverflowError, RecursionError) as error:
            self.unreadable += 1
            reason = str(error) if isinstance(error, MessageRefused) else "it is no message of this schema"
            self._last_unreadable = cut(f"{cut(topic, 80)}: {reason}", LONGEST_WORDS)
            return None

    def link(self, link: LinkState, reason: str, now: datetime) -> None:
        """Note how the board's own link to the broker is."""
        since = self.broker.since
        if (link == "up") is not (self.broker.link == "up"):
            since = now
            if link == "up":
                self._watching_since = now  # what happened meanwhile was not seen
                self._outage = replace(self._outage, back=now) if self._outage is not None else None
            else:
                self._outage = Outage(now)
        self.broker = Broker(link, cut(reason, LONGEST_WORDS), since)

    def _take(self, topic: str, payload: bytes, retained: bool, now: datetime) -> RowChange | None:
        levels = topic.removeprefix(ROOT + "/").split("/")
        if not topic.startswith(ROOT + "/") or len(levels) not in (2, 3) or not all(levels):
            raise MessageRefused("it is no topic of a bench")
        if len(topic) > LONGEST_TOPIC or len(payload) > LARGEST_PAYLOAD:
            raise MessageRefused(
                f"topic and payload have {len(topic)} and {len(payload)} bytes, more than any message needs"
            )
        name, kind = name_from_level(levels[0]), levels[-1]
        if len(levels) == 2 and kind == "status":
            if not payload:
                return self._forget(name)
            status = BenchStatus.from_wire(payload)
            bench = self._bench(name, status)
            if bench is not None:
                bench.take_status(status, retained, now)
                return RowChange("status", bench.key)
        elif len(levels) == 2 and kind == "unit":
            if not payload:  # somebody cleared a retained word on a unit
                return None
            unit = UnitMessage.from_wire(payload)
            bench = self._bench(name, unit)
            if bench is not None:
                return self._news(bench.take_unit(unit), "unit", bench, retained)
        elif len(levels) == 3 and kind == "stroke":
            stroke = StrokeMessage.from_wire(payload)
            bench = self._bench(name, stroke, name_from_level(levels[1]))
            if bench is not None:
                return self._news(bench.take_stroke(stroke), "stroke", bench, retained)
        elif len(levels) == 3 and kind == "verdict":
            if not payload:  # somebody cleared a retained verdict
                return None
            verdict = VerdictMessage.from_wire(payload)
            bench = self._bench(name, verdict, name_from_level(levels[1]))
            if bench is not None:
                return self._verdict(bench, verdict, retained, now)
        elif len(levels) == 2 and kind == "gauge":  # the bench's status tells how its gauge stands
            return None
        else:
            raise MessageRefused("its topic ends in none of status, unit, gauge, stroke, verdict")
        return None

    def _bench(
        self, name: str, message: BenchStatus | UnitMessage | StrokeMessage | VerdictMessage, pack: str | None = None
    ) -> BenchOnBoard | None:
        """Return the bench that a message is of, or None for a repeat or where there is no room for another."""
        if message.bench != name:
            raise MessageRefused("its payload names another bench than its topic")
        if not isinstance(message, BenchStatus | UnitMessage) and message.pack != pack:
            raise MessageRefused("its payload names another pack than its topic")
        if not EARLIEST <= message.at <= LATEST:
            raise MessageRefused("its time is out of the question")
        bench = self._benches.get(name)
        if bench is None:
            if len(self._benches) >= MOST_BENCHES:
                self.left_out += 1
                return None
            self._numbers += 1
            bench = BenchOnBoard(f"b{self._numbers}", short(name) or "(no printable name)")
            self._benches[name] = bench
        if bench.repeats(message.id):
            self.repeats += 1
            return None
        return bench

    def _forget(self, name: str) -> RowChange | None:
        """An empty retained status takes a bench that is no more off the board."""
        bench = self._benches.pop(name, None)
        return RowChange("gone", bench.key) if bench else None

    def _verdict(self, bench: BenchOnBoard, verdict: VerdictMessage, retained: bool, now: datetime) -> RowChange | None:
        news = bench.take_verdict(verdict)
        self._yields.turn(now.date())
        # A verdict of the job before still counts for the day it was given on.
        if bench.local(verdict.at).astimezone(now.tzinfo).date() == now.date():
            pack = (bench.key, verdict.job.hex, short(verdict.pack))
            self._yields.feed(pack, verdict.check, verdict.attempt, verdict.verdict == "good")
        return self._news(news, "verdict", bench, retained)

    def _news(self, news: bool, what: What, bench: BenchOnBoard, retained: bool) -> RowChange | None:
        if news:
            return RowChange(what, bench.key)
        self.late += not retained
        return None

    # -- what is shown -----------------------------------------------------------------------------------

    def __len__(self) -> int:
        return len(self._benches)

    def rows(self, now: datetime) -> list[BenchRow]:
        """Return every bench as it stands at `now`, in no order."""
        return [bench.row(now, self._watching_since, self._outage) for bench in self._benches.values()]

    def today(self, now: datetime) -> Today:
        """Return yield and re-check rate of the day of `now`."""
        self._yields.turn(now.date())
        return self._yields.today

    def seen_since(self, now: datetime) -> datetime:
        """Return from when on the board has seen the day's verdicts: the midnight before `now`, or when it began."""
        return max(self.began, now.replace(hour=0, minute=0, second=0, microsecond=0))

    def warnings(self) -> Iterator[FloorWarning]:
        """Yield in words what was wrong with what arrived."""
        if self.left_out:
            messages = "message" if self.left_out == 1 else "messages"
            yield FloorWarning(
                "too_many_benches",
                f"More than {MOST_BENCHES} benches: {self.left_out} {messages} of others not shown. Take benches that "
                "are no more off the broker.",
            )
        if self._yields.today.full:
            text = f"More than {MOST_PACKS} packs today: yield and re-check rate are of the first."
            yield FloorWarning("too_many_packs", text)
        if self.unreadable:
            messages = "message" if self.unreadable == 1 else "messages"
            text = f"{self.unreadable} unreadable {messages}, the last on {self._last_unreadable}."
            yield FloorWarning("unreadable", text)
