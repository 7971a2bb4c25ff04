"""What a bench tells others as it happens: whoever shows it, whoever reads lines, and the broker. Decides nothing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

from capture.air.standing import AirStanding
from capture.bench.bookkeeping import Bookkeeping
from capture.bench.state import BenchState
from capture.bench.status import bench_status
from capture.clearance.check import StrokeKept
from capture.clearance.gauge.standing import GaugeStanding
from capture.clearance.verdict import Verdict
from capture.job.unit_on_record import FactWritten
from capture.mqtt.link_state import LinkState
from capture.mqtt.messages import BenchStatus
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.publisher import BrokerState, Publisher
from capture.mqtt.settings import BrokerSettings
from capture.record.plant_mark import RecordForPlant

if TYPE_CHECKING:
    from capture.mqtt.plant.plant_publisher import PlantPublisher

#: What `event` is told: a stroke as kept, a verdict, a fact of the unit, how the gauge stands, or a warning in words;
#: with the name of the pack, or nothing where it is of none.
Happening = StrokeKept | Verdict | FactWritten | str | GaugeStanding


class Telling:
    """What `state` is, told. `changed` says that the view may differ, `event` tells what completed."""

    def __init__(
        self,
        state: BenchState,
        books: Bookkeeping,
        changed: Callable[[], None],
        event: Callable[[Happening, str], None],
    ) -> None:
        self.changed, self.event = changed, event
        self._state, self._books = state, books
        self._publisher: Publisher | None = None
        self._plant: PlantPublisher | None = None
        self._broker_told = ""
        self._plant_told = ""
        self._air_told: AirStanding | None = None
        self.last_stroke: tuple[datetime, int] | None = None
        """When the newest stroke was kept, and its travel as the sheet measures."""

    def publisher(self, broker: BrokerSettings) -> Publisher:
        """Return what publishes from now on, for the caller to enter."""
        self._publisher = Publisher(
            broker, self._books.store, self._books.do, self.status(), on_state=self.broker_changed
        )
        return self._publisher

    def plant(self, settings: PlantSettings) -> PlantPublisher:
        """Return what tells a plant from now on, for the caller to enter."""
        from capture.mqtt.plant.plant_publisher import PlantPublisher  # it needs what an extra brings

        history = RecordForPlant(self._books.store)
        self._plant = PlantPublisher(settings, history, self._books.do, self.status(), on_state=self.plant_changed)
        return self._plant

    def notify(self) -> None:
        """Something was kept that others are to hear."""
        if self._publisher is not None:
            self._publisher.notify()
        if self._plant is not None:
            self._plant.notify()

    def status(self) -> BenchStatus:
        """Return how the bench stands, for others."""
        self._air_told = self._state.air.standing if self._state.air else None
        job: UUID | None = self._books.job if self._state.job_id else None
        return bench_status(self._state, job, self.last_stroke)

    def tell_status(self) -> None:
        """Tell others how the bench stands."""
        if self._publisher is not None or self._plant is not None:
            status = self.status()
            if self._publisher is not None:
                self._publisher.set_status(status)
            if self._plant is not None:
                self._plant.set_status(status)

    def disk_is(self, slow: str) -> None:
        """The disk keeps people waiting, in words; empty while it does not."""
        if slow != self._state.disk_warning:
            self._state.disk_warning = slow
            if slow:
                self.event(slow, "")
            self.changed()

    def air_changed(self) -> None:
        """The air stands otherwise, perhaps in a way that others are told of."""
        if self._state.air is not None and self._state.air.standing != self._air_told:
            self.tell_status()
        self.changed()

    def broker_changed(self, state: BrokerState) -> None:
        """The link to the broker stands otherwise."""
        self._state.broker = state
        if state.link == "up" and not state.reason:
            self._broker_told = ""
        elif state.link in ("up", "down") and state.reason not in ("", self._broker_told):
            self._broker_told = state.reason  # once, for a log; the screen keeps showing it
            self.event(state.reason, "")
        self.changed()

    def plant_changed(self, link: LinkState, why: str) -> None:
        """The link to the plant's system stands otherwise: shown, and told once, for a log."""
        self._state.plant = (link, why)
        if link == "up":
            self._plant_told = ""
        elif why not in ("", self._plant_told):
            self._plant_told = why
            self.event(f"the plant's system: {why}", "")
