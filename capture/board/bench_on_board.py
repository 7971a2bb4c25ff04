"""One bench as the board knows it: its status, strokes and verdicts taken in, and its row made of them. Pure.

Theory. A status replaces the one before it, whatever its time says: a last will was written when the bench connected.
A broker that stops sends every bench's will, so one that came about then says nothing of the bench until that has had
the time to come back. Strokes and verdicts carry numbers that grow, so a repeat or a latecomer cannot undo what is
newer. A retained message is old news: it fills in what it tells, and no duration is reckoned from its arrival. Only
cleaned and shortened text is kept, so that nothing sent can fill the memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Final, Literal
from uuid import UUID

from capture.board.bench_row import BenchRow, State
from capture.board.needs import CLOCK_OFF, RECONNECT, STUCK_AFTER, Need, rank
from capture.clearance.verdict import VerdictWord
from capture.mqtt.heads import HeadsHeard, HeadTold
from capture.mqtt.messages import BenchStatus, StrokeMessage, UnitMessage, VerdictMessage
from capture.plumbing.plaintext import clean

LONGEST_NAME: Final = 60
LONGEST_WORDS: Final = 300
#: Packs of one job that are remembered; a transmission has a dozen.
MOST_PACKS: Final = 64
#: Ids remembered: more than a publisher has in flight, so a repeat after a reconnection is known.
MOST_IDS: Final = 32
LARGEST_TRAVEL_NM: Final = 10_000_000_000  # ten metres: no stroke, but a number that still prints
_LARGEST_NUMBER: Final = 2**53
EARLIEST, LATEST = datetime(2000, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
#: A message on its way takes less; a larger difference is the bench's clock.
_TRANSIT: Final = timedelta(seconds=10)
#: One stroke outside the window can be a slow hand; two in a row are the supply.
_PRESSURE_FLAGS: Final = 2

_WAITS: Final[dict[Literal["inconclusive", "tight", "loose", "leaks"], str]] = {
    "inconclusive": "waits for more strokes or a decision",
    "tight": "waits for a change of parts",
    "loose": "waits for a change of parts",
    "leaks": "lost travel or pressure while held: look at the seal",
}

#: A broker that is stopped sends the wills of its benches, and closes the board's connection moments later.
_WILLS_BEFORE: Final = timedelta(seconds=5)


class MessageRefused(Exception):
    """A message cannot be used; the text says why."""


def cut(text: str, most: int) -> str:
    """Return text from the wire as one harmless line of at most `most` characters."""
    cleaned = clean(text[: 4 * most]).strip()
    return cleaned if len(cleaned) <= most and len(text) <= 4 * most else cleaned[: most - 1] + "…"


@lru_cache(maxsize=4096)
def _name(text: str) -> str:
    return cut(text, LONGEST_NAME)


def short(text: str) -> str:
    """Return a name from the wire, harmless and short."""
    return _name(text[: 4 * LONGEST_NAME + 1])


@dataclass(frozen=True, slots=True)
class Outage:
    """The board's last time without a broker, on its own clock; `back` is None while it lasts."""

    lost: datetime
    back: datetime | None = None


@dataclass(frozen=True, slots=True)
class _Judged:
    pack: str
    check: int
    at: datetime
    word: VerdictWord
    mean_nm: int
    uncertainty_nm: int
    leaks: bool
    air_at_start: bool


class BenchOnBoard:
    """What is known of one bench. Feed it what has been read from the wire; ask it for a row."""

    __slots__ = (
        "_air_fault", "_asks", "_clock", "_cut_off", "_gauge_due", "_gauge_out", "_gauge_unchecked", "_gone_at",
        "_heads", "_heard_at",
        "_ids", "_indicator_down", "_job", "_judged", "_measure",
        "_pack", "_passed", "_pressure_flags", "_progress", "_ready",
        "_silent", "_since", "_state", "_stroke_at", "_stroke_key", "_stroke_n",
        "_technician", "_travel_nm", "_typed", "_unit", "_unit_serial", "_unit_told", "_vanished", "key", "name",
    )  # fmt: skip

    def __init__(self, key: str, name: str) -> None:
        self.key, self.name = key, name
        self._state: State = "unknown"
        self._vanished = False
        self._cut_off = False
        """Whether it vanished while a pack was measured."""
        self._gone_at: datetime | None = None
        """When the board was told that it is offline."""
        self._heard_at: datetime | None = None
        """When the board last had something from the bench itself."""
        self._since: datetime | None = None
        """When state or pack last changed, on the board's clock; None where it was so before the board looked."""
        self._clock = timedelta()
        """What to add to the bench's times to have the board's."""
        self._job: UUID | None = None
        self._unit_serial = self._technician = self._pack = self._asks = self._air_fault = ""
        self._typed = False
        self._unit: Literal["in", "mm"] = "mm"
        self._measure = "peak"
        self._indicator_down = False
        self._gauge_due: date | None = None
        self._gauge_out, self._gauge_unchecked = "", False
        self._stroke_key: tuple[UUID, int, int] | None = None
        self._stroke_at: datetime | None = None
        """As the bench says."""
        self._travel_nm: int | None = None
        self._stroke_n: int | None = None
        self._pressure_flags = 0
        """How many strokes in a row lay outside the air's window."""
        self._judged: dict[str, _Judged] = {}
        """The newest verdict of every pack of the job."""
        self._unit_told: tuple[UUID, datetime] | None = None
        """The job that the newest word on a unit is of, and when it was given, as the bench says."""
        self._passed: frozenset[str] = frozenset()
        """The packs that wait for nobody: let pass by name, to be checked again, or of a unit that was signed off."""
        self._progress = ""
        self._ready = False
        """Whether nothing stands against signing the unit off, and nobody has."""
        self._silent = False
        self._heads = HeadsHeard()
        self._ids: dict[UUID, None] = {}

    # -- what arrives ------------------------------------------------------------------------------------

    def repeats(self, message_id: UUID) -> bool:
        """Remember a message's id; say whether it had been seen."""
        if message_id in self._ids:
            return True
        self._ids[message_id] = None
        if len(self._ids) > MOST_IDS:
            del self._ids[next(iter(self._ids))]
        return False

    def local(self, at: datetime) -> datetime:
        """Return a time that the bench told, on the board's clock."""
        return at + self._clock

    def take_status(self, status: BenchStatus, retained: bool, now: datetime) -> None:
        """Take what the bench is doing. Raises Refused."""
        travel, told = status.last_travel_nm, status.last_stroke_at
        if (travel is not None and abs(travel) > LARGEST_TRAVEL_NM) or not (told is None or EARLIEST <= told <= LATEST):
            raise MessageRefused("its numbers are out of the question")
        gone = status.state == "offline"
        # A will was written long before it is sent, so its time says nothing about the bench's clock.
        if not retained and not gone:
            ahead = now - status.at
            self._clock = ahead if abs(ahead) > _TRANSIT else timedelta()
        pack = short(status.pack) if status.pack is not None else ""
        if status.state != self._state or (pack and pack != self._pack) or (status.job != self._job and not gone):
            self._since = None if retained else now
        if not gone and status.job != self._job:
            self._new_job(status.job)
        self._cut_off = gone and status.vanished is not False and (self._cut_off or self._state == "measuring")
        self._gone_at = now if gone else None
        if not (gone or retained):
            self._heard_at = now
        self._state, self._vanished = status.state, status.vanished is not False
        self._pack = pack or self._pack
        self._unit_serial = short(status.unit_serial) or (self._unit_serial if gone else "")
        self._technician = short(status.technician) or (self._technician if gone else "")
        self._typed = status.typed
        self._asks, self._air_fault = cut(status.needs, LONGEST_WORDS), cut(status.air_fault, LONGEST_WORDS)
        if status.air == "tripped" and not self._air_fault:
            self._air_fault = "The air was shut off."
        self._gauge_due, self._unit = status.gauge_due, status.display_unit
        self._gauge_out, self._gauge_unchecked = "", status.gauge_standing == "not checked"
        if status.gauge_standing in ("out", "out of control"):
            self._gauge_out = cut(status.gauge_text, LONGEST_WORDS) or f"The gauge is {status.gauge_standing}."
        self._indicator_down, self._silent = status.indicator == "down", status.silent
        if status.state == "measuring":
            self._measure = status.measure
        if told is not None and (self._stroke_at is None or told > self._stroke_at):
            self._stroke_at, self._travel_nm, self._stroke_n, self._stroke_key = told, travel, None, None

    def _new_job(self, job: UUID | None) -> None:
        self._job, self._pack, self._pressure_flags = job, "", 0
        self._judged.clear()

    def take_stroke(self, stroke: StrokeMessage) -> bool:
        """Take a stroke; say whether it is newer than the last. Raises Refused."""
        travel = stroke.peak_travel_nm if self._measure == "peak" else stroke.held_travel_nm
        _in_question(stroke.check, abs(stroke.n), travel)
        key, known = (stroke.job, stroke.check, stroke.n), self._stroke_key
        if known is not None and known[0] == stroke.job:
            newer = key[1:] > known[1:]  # whatever the bench's clock did meanwhile
        else:
            newer = self._stroke_at is None or stroke.at >= self._stroke_at
        if not newer:
            return False
        self._stroke_key, self._stroke_at, self._travel_nm, self._stroke_n = key, stroke.at, travel, stroke.n
        self._pressure_flags = self._pressure_flags + 1 if "pressure" in stroke.flags else 0
        if self._state != "measuring":
            self._pack = short(stroke.pack)
        return True

    def take_verdict(self, verdict: VerdictMessage) -> bool:
        """Take a verdict; say whether it is news of the job that the bench is at. Raises Refused."""
        _in_question(verdict.check, 0, verdict.mean_nm, verdict.expanded_uncertainty_nm)
        self._hear(verdict.head())
        if verdict.job != self._job:
            # The status tells which job it is. Where none is at work, the newest verdict tells the last one.
            newest = max((one.at for one in self._judged.values()), default=None)
            if self._state in ("online", "measuring") or (newest is not None and verdict.at < newest):
                return False
            self._new_job(verdict.job)
        pack = short(verdict.pack)
        before = self._judged.pop(pack, None)
        late = before is not None and before.check >= verdict.check
        if before is not None and late:
            self._judged[pack] = before
            return False
        if len(self._judged) >= MOST_PACKS:
            del self._judged[next(iter(self._judged))]
        self._judged[pack] = _Judged(
            pack, verdict.check, verdict.at, verdict.verdict, verdict.mean_nm, verdict.expanded_uncertainty_nm,
            any(remark.code.startswith("leak") for remark in verdict.remarks),
            any(remark.code == "air_at_start" for remark in verdict.remarks),
        )  # fmt: skip
        return True

    def _hear(self, head: HeadTold | None) -> None:
        if head is not None:
            self._heads.take(head)

    def take_unit(self, unit: UnitMessage) -> bool:
        """Take how the unit stands; say whether it is news of the job that the bench is at."""
        self._hear(unit.head())
        if self._unit_told is not None and unit.at < self._unit_told[1]:
            return False
        # Retained words come in any order: this one may be of a job that the status has yet to tell.
        self._unit_told = unit.job, unit.at
        packs = unit.packs[:MOST_PACKS]
        signed = "signed off" if unit.signed_off_by else "demonstration" if unit.demonstrated_by else ""
        if signed and unit.signed_off_way in ("PIN", "badge"):  # a name that was typed stands alone everywhere
            signed = f"{signed} ({unit.signed_off_way})"
        waits_no_more = [pack for pack in packs if signed or pack.passed_by or pack.state == "recheck"]
        self._passed = frozenset(short(pack.pack) for pack in waits_no_more)
        done = sum(pack.state == "good" or bool(pack.passed_by) for pack in packs)
        parts = [f"{done} of {len(packs)} packs"] if packs else []
        parts += [f"{unit.steps_closed} of {unit.steps} steps"] if unit.steps else []
        told = [signed or ", ".join(parts)]
        # A pack that is good without strokes that somebody took out is not good in silence.
        told += [f"{pack.pack}: {pack.left_out.rstrip('.')}" for pack in packs if pack.left_out]
        self._progress = cut("; ".join(one for one in told if one), LONGEST_WORDS)
        self._ready = bool(packs or unit.steps) and not (unit.against or signed)
        return unit.job == self._job

    # -- what is shown -----------------------------------------------------------------------------------

    def _unheard_since(self, now: datetime, outage: Outage | None) -> datetime | None:
        """Return when the broker was lost, if that may be all there is to a bench that is said to have vanished."""
        gone = self._gone_at if self._vanished else None
        if gone is None or outage is None or gone < outage.lost - _WILLS_BEFORE:
            return None
        if outage.back is None:
            return outage.lost
        back_since = self._heard_at is not None and self._heard_at >= outage.back
        return None if back_since or now >= outage.back + RECONNECT else outage.lost

    def row(self, now: datetime, watching_since: datetime, outage: Outage | None = None) -> BenchRow:
        """Return the bench as it stands at `now`; nothing before `watching_since` was seen without a gap."""
        unheard = self._unheard_since(now, outage)
        last = None
        if self._state != "measuring" and not self._cut_off:
            last = max(self._judged.values(), key=lambda one: (one.at, one.check), default=None)
        stroke_at = None if self._stroke_at is None else min(now, self.local(self._stroke_at))
        needs = tuple(sorted(self._needs(now, watching_since, unheard), key=lambda need: rank((need,))))
        return BenchRow(
            key=self.key,
            bench=self.name,
            state=self._state if unheard is None else "unknown",
            unit_serial=self._unit_serial,
            pack=last.pack if last else self._pack,
            technician=self._technician,
            typed=self._typed,
            display_unit=self._unit,
            last_travel_nm=self._travel_nm,
            last_stroke=self._stroke_n,
            last_stroke_at=stroke_at,
            verdict=last.word if last else None,
            mean_nm=last.mean_nm if last else None,
            uncertainty_nm=last.uncertainty_nm if last else None,
            needs=needs,
            progress=self._progress if self._of_this_job() else "",
            gauge=self._gauge_words(now) if unheard is None else "",
        )

    @property
    def _measures(self) -> bool:
        """Whether a unit is measured at the bench, now or between two packs."""
        return self._state == "measuring" or (self._job is not None and self._state == "online")

    def _gauge_words(self, now: datetime) -> str:
        told = ["gauge out of order"] if self._gauge_out and not self._measures else []
        if self._gauge_due is not None and self._gauge_due < now.date():
            told.append(f"gauge's calibration overdue since {self._gauge_due}")
        if self._gauge_unchecked and self._state != "offline":
            told.append("gauge not checked today")
        return ", ".join(told)

    def _of_this_job(self) -> bool:
        return self._unit_told is not None and self._unit_told[0] == self._job

    def _needs(self, now: datetime, watching_since: datetime, unheard: datetime | None) -> Iterator[Need]:
        if self._gauge_out and self._measures:
            yield Need("gauge out", self._gauge_out)
        if self._heads.broken:
            yield Need("record broken", f"The bench's record is not what it was: {self._heads.broken}.")
        if unheard is not None:
            yield Need("not heard", "Not heard since the broker was lost; it may be measuring all the same.", unheard)
            return
        if self._state == "offline":
            if self._vanished:
                yield Need("offline", "The bench vanished without ending its session.", self._since)
            return
        if abs(self._clock) > CLOCK_OFF:
            yield Need("clock off", "The bench's clock differs from the board's by minutes: set it.")
        if self._asks and not self._silent:
            yield Need("asks", self._asks)
        if self._air_fault:
            yield Need("out of air", self._air_fault)
        elif self._pressure_flags >= _PRESSURE_FLAGS:
            yield Need("out of air", f"{self._pressure_flags} strokes in a row had air outside the sheet's window.")
        if self._indicator_down:
            yield Need("no readings", "The indicator is not connected.")
        elif self._silent:
            yield Need("no readings", self._asks or "The indicator is connected, but no reading comes.")
        if self._state == "measuring":
            # What happened before the board came, or while the broker was away, is not known to it.
            last = self.local(self._stroke_at) if self._stroke_at else watching_since
            since = max(last, self._since or watching_since, watching_since)
            if now - since > STUCK_AFTER:
                yield Need("stuck", "A check was begun, but no stroke has come for long.", since)
        elif self._ready and self._of_this_job():
            unit = f"Unit {self._unit_serial}" if self._unit_serial else "The unit"
            yield Need("ready to sign", f"{unit} waits for its sign-off: {self._progress}.")
        yield from self._waiting()

    def _waiting(self) -> Iterator[Need]:
        """Yield the verdicts that wait for somebody.

        A bench that runs as a service begins its next check at once: its verdict waits until that one has a stroke.
        """
        passed = self._passed if self._of_this_job() else frozenset()
        judged, key = self._judged.get(self._pack), self._stroke_key
        if self._state == "measuring" and judged and key and key[0] == self._job and key[1] > judged.check:
            passed |= {self._pack}
        waiting = [one for one in self._judged.values() if one.pack not in passed]
        for kind, what in _WAITS.items():
            found = [
                one
                for one in waiting
                if (one.leaks if kind == "leaks" else one.word == kind) or (kind == "inconclusive" and one.air_at_start)
            ]
            if found:
                packs = ", ".join(one.pack for one in found[:3]) + (" and more" if len(found) > 3 else "")
                yield Need(kind, f"{packs} {what}.", self.local(max(one.at for one in found)))


def _in_question(check: int, n: int, *lengths: int) -> None:
    if any(abs(length) > LARGEST_TRAVEL_NM for length in lengths) or not (
        0 <= check <= _LARGEST_NUMBER and n <= _LARGEST_NUMBER
    ):
        raise MessageRefused("its numbers are out of the question")
