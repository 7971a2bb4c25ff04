"""A check of the bench's own gauge against masters, from its first reading to its entry in the record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic_ns

from capture.bench.bookkeeping import Bookkeeping
from capture.bench.origin import origin_now
from capture.bench.running_check import since
from capture.clearance.gauge.facts import GaugeChecked, GaugeEntry
from capture.clearance.gauge.guided import GuidedCheck, told_apart
from capture.clearance.gauge.linearity import LEAST_MASTERS
from capture.clearance.gauge.standing import masters_of, mornings_of
from capture.clearance.signing import SignedWay
from capture.dashboard.gauge_screen import GaugeShown
from capture.job.gauge_now import gauge_check_told, gauge_checked, gauge_now, recording_of_check
from capture.mqtt.outgoing import Outgoing
from capture.output.gauge_chart import strip
from capture.record import RecordError
from capture.recordings.file import RecordingError
from capture.recordings.master_strokes import MastersLed
from capture.recordings.queued import QueuedRecording
from capture.unit.gauge_identity import Gauge
from drivers.reading import Reading

#: A morning's check takes the first master three times and a second one once; over the range it takes them all.
_MASTERS = 2


@dataclass(slots=True)
class GaugeCheck:
    """A check as it goes. `begin` it, feed it, `finish` it when it is `measured`, then `sign` it or make it again."""

    books: Bookkeeping
    gauge: Gauge
    led: MastersLed
    recording: QueuedRecording
    path: Path
    started_ns: int
    entries: list[GaugeEntry]
    valid: int
    """How many masters there are that hold and can be told apart."""
    fact: GaugeChecked | None = None
    """What it came to, once all of it is on the disk."""
    text: str = ""
    """How the gauge stands with it, in a line."""

    @classmethod
    async def begin(
        cls,
        books: Bookkeeping,
        technician: str,
        on_failure: Callable[[RecordingError], None],
        *,
        over_the_range: bool = False,
    ) -> GaugeCheck:
        """Begin the recording of a check, of a morning's masters or of all there are. Raises RecordError with what has
        to be seen to first, and RecordingError."""
        setup = books.setup
        if setup.gauge is None:
            raise RecordError("The settings do not say which gauge this is: give its serial under [gauge].")
        if not technician:
            raise RecordError("Nobody is named who could sign: scan your name first.")
        entries: list[GaugeEntry] = await books.do(books.store.gauge_facts)
        today = datetime.now(UTC).astimezone().date()
        low, high = setup.settings.range or (0, 0)
        valid = told_apart(masters_of(entries), today, high - low)
        if not valid:
            raise RecordError("There is no master to check it against: `strokelog gauge masters FILE` lists them.")
        if over_the_range and len(valid) < LEAST_MASTERS:
            text = f"Over the range takes {LEAST_MASTERS} masters or more; {len(valid)} hold, and can be told apart."
            raise RecordError(text)
        masters = valid if over_the_range else valid[:_MASTERS]
        now, started_ns = datetime.now(UTC), monotonic_ns()
        origin = await books.do(origin_now, setup.port, technician)
        writer = await books.do(
            recording_of_check, setup.data_dir, setup.gauge.serial, masters, bench=setup.bench, by=technician, at=now,
            indicator=setup.indicator, origin=origin,
        )  # fmt: skip
        recording = QueuedRecording(writer, on_failure)
        led = MastersLed(setup.driver, setup.settings, masters, recording)
        return cls(books, setup.gauge, led, recording, writer.path, started_ns, entries, len(valid))

    @property
    def guided(self) -> GuidedCheck:
        """What leads through it."""
        return self.led.guided

    @property
    def over_the_range(self) -> bool:
        """Whether it is one over the range, and no morning's."""
        return len(self.guided.masters) > _MASTERS

    @property
    def may_widen(self) -> bool:
        """Whether nothing was slid under yet, and there are masters enough to go over the range instead."""
        return not self.guided.strokes and not self.over_the_range and self.valid >= LEAST_MASTERS

    @property
    def measured(self) -> bool:
        """Whether every master was slid under as often as it takes."""
        return self.guided.done

    def feed(self, t_ns: int, data: bytes) -> list[Reading]:
        """Record and take the indicator's bytes; return the readings."""
        return self.led.feed(since(self.started_ns, t_ns, self.books.setup.speed), data)

    def lost(self, t_ns: int) -> None:
        """The indicator's port was lost."""
        self.led.lost(since(self.started_ns, t_ns, self.books.setup.speed))

    async def finish(self, technician: str) -> None:
        """Every master was slid under: close the recording, and work out what it says from it."""
        books, setup = self.books, self.books.setup
        await self.recording.seal()
        self.recording.close()
        origin = await books.do(origin_now, setup.port, technician)
        self.fact = await books.do(
            gauge_checked, self.path, setup.data_dir, self.guided.masters,
            gauge=self.gauge.serial, bench=setup.bench, by=technician, origin=origin, room=setup.room,
        )  # fmt: skip
        now = datetime.now(UTC)
        if self.fact.check.refusal is not None:
            self.text = self.fact.check.refusal.text
            return
        number = self.entries[-1].number + 1
        with_it = [*self.entries, GaugeEntry(number, "0" * 64, now, self.fact)]
        self.text = gauge_now(with_it, self.gauge, setup.bench, now, origin).text
        if self.fact.linearity is not None:
            self.text += f" {self.fact.linearity.spoken}"

    async def sign(self, by: str, signed: SignedWay) -> int:
        """Keep it, signed by a name; return its entry's number. Raises RecordError."""
        assert self.fact is not None
        fact, now = replace(self.fact, by=by, signed=signed), datetime.now(UTC)
        published = self.books.setup.broker is not None

        def told(head: tuple[int, str]) -> list[Outgoing]:
            return [gauge_check_told(self.entries, fact, now, head)] if published else []

        number: int = await self.books.do(self.books.store.add_gauge_fact, fact, at=now, messages=told)
        return number

    async def drop(self) -> None:
        """It is broken off before it says anything: nothing is kept of it."""
        if self.fact is None:
            await self.recording.seal()
            self.recording.close()
            await self.books.do(self.path.unlink, missing_ok=True)

    def shown(self, standing: str) -> GaugeShown:
        """Return what there is to show of it."""
        refused = self.fact is not None and self.fact.check.refusal is not None
        upper, lower = strip(mornings_of(self.entries, self.gauge.serial, self.books.setup.bench))
        step = self.guided.next_step if self.fact is None else "Enter signs it, as measured."
        if refused:
            step = "Enter keeps it as refused, and begins it again."
        if self.measured and self.fact is None:
            step = "Measured; one moment."
        return GaugeShown(self.gauge.serial, standing, step, self.text, upper, lower, refused, self.may_widen)
