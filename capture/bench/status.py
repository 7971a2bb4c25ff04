"""What a bench says of itself over MQTT, from its state."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID

from capture import __version__
from capture.bench.silence import told_of
from capture.bench.state import BenchState
from capture.clearance.check import CheckState
from capture.mqtt.messages import BenchStatus


def bench_status(state: BenchState, job: UUID | None, last_stroke: tuple[datetime, int] | None) -> BenchStatus:
    """Return the status now. `last_stroke` is when the newest was kept and its travel, nm."""
    stroke_at, travel_nm = last_stroke or (None, None)
    setup, running, air = state.setup, state.running, state.air
    return BenchStatus(
        at=datetime.now(UTC),
        bench=setup.bench,
        state="measuring" if running and running.check.state is not CheckState.DONE else "online",
        software_version=__version__,
        job=job,
        unit_serial=state.unit_serial,
        technician=state.technician,
        pack=running.pack.name if running else None,
        indicator=state.dial.link,
        gauge_due=setup.gauge.calibration_due if setup.gauge else None,
        gauge_serial=setup.gauge.serial if setup.gauge else "",
        gauge_standing=state.gauge.word if state.gauge else "",
        gauge_text=state.gauge.text if state.gauge else "",
        display_unit=setup.sheet.display_unit,
        measure=running.pack.measure if running else "peak",
        last_stroke_at=stroke_at,
        last_travel_nm=travel_nm,
        air=air.standing.word if air else "",
        air_fault=air.fault_words() if air else "",
        needs=told_of(state.dial.silence),
        silent=bool(state.dial.silence),
        typed=setup.driver.typed,
    )
