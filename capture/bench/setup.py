"""Everything a bench needs to know before it starts, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.air.standing import FixtureSetup
from capture.clearance.gauge.masters import ASSUMED_ROOM, Room
from capture.clearance.signing import SignedAct
from capture.mqtt.plant.plant_settings import PlantSettings
from capture.mqtt.settings import BrokerSettings
from capture.sheet.sheet import Sheet
from capture.unit.gauge_identity import Gauge
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings

if TYPE_CHECKING:
    from capture.collect.settings import DatabaseSettings


@dataclass(frozen=True, slots=True)
class BenchSetup:
    """Everything a bench needs to know before it starts."""

    bench: str
    port: str
    driver: IndicatorDriver
    settings: IndicatorSettings
    indicator: dict[str, Any]
    """The indicator as a recording's header names it: "driver" and the settings as they were written."""
    sheet: Sheet
    sheet_toml: str
    unit_serial: str
    technician: str
    data_dir: Path
    record_path: Path
    broker: BrokerSettings | None = None
    plant: PlantSettings | None = None
    """The plant's system that is told as well, as an edge node of Sparkplug B."""
    gauge: Gauge | None = None
    room: Room = ASSUMED_ROOM
    """Where the gauge is checked against masters."""
    """Which gauge the indicator is, where the shop says so."""
    wrench_serial: str = ""
    """Which torque wrench it is, where the shop says so."""
    fixture: FixtureSetup | None = None
    """The air-check fixture; None where the valve is worked by hand."""
    fixture_header: dict[str, Any] | None = None
    """The fixture as a recording's header names it."""
    stock: Path | None = None
    """The stock's file; None where the shop keeps none."""
    keys_for: tuple[SignedAct, ...] = ()
    """What is signed by a key here, a PIN or a badge, and not by a typed name."""
    shop_database: DatabaseSettings | None = None
    """Where the shop collects what its benches say; None where this bench is not to look there."""
    resume: int | None = None
    """The job to go on with; None begins a new one with the first check."""
    speed: float = 1.0
    """How many times faster than the wall clock the bench's time runs; only a simulated bench can be faster."""
