"""Which gauge measures at a bench, and whether its calibration has run out. What it measures is not known here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

#: How long a check against a master holds (default of the method: until the next day's).
_A_DAY: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Gauge:
    """The indicator as the shop knows it: its serial number, and the last day its calibration holds, if known."""

    serial: str
    calibration_due: date | None = None
    check_holds: timedelta = _A_DAY
    pressure_gauge: str = ""
    """Serial number of the pressure gauge that the air is set by; empty where the shop does not say."""

    def kept(self) -> dict[str, Any]:
        """Return what the record keeps with every check; the date in ISO 8601. What is as if nobody had said it is left
        out, as it was before it could be said."""
        due = self.calibration_due
        told: dict[str, Any] = {"serial": self.serial, "calibration_due": None if due is None else due.isoformat()}
        if self.check_holds != _A_DAY:
            told["check_holds_s"] = round(self.check_holds.total_seconds())
        if self.pressure_gauge:
            told["pressure_gauge"] = self.pressure_gauge
        return told

    def overdue(self, on: date) -> bool:
        """Say whether the calibration had run out on that day."""
        return self.calibration_due is not None and on > self.calibration_due

    def warning(self, on: date) -> str:
        """Return what a technician must know before measuring on that day, nothing if all is well."""
        if not self.overdue(on):
            return ""
        return (
            f"Gauge {self.serial}: calibration overdue since {self.calibration_due}: readings not assured. "
            "Have it calibrated, or use another. Measuring goes on."
        )

    def reminder(self, on: date) -> str:
        """Return the same in one short line, for a screen on which it stands all the time."""
        if not self.overdue(on):
            return ""
        return f"{self.serial}: calibration overdue since {self.calibration_due}: readings not assured."


def overdue_words(kept: Mapping[str, Any] | None, on: date) -> str:
    """Return the gauge that the record kept in words if its calibration had run out on that day, nothing otherwise.

    Raises ValueError for a date that is none.
    """
    gauge = gauge_of(kept) if kept is not None else None
    if gauge is None or not gauge.overdue(on):
        return ""
    return f"Gauge {gauge.serial}, calibration due {gauge.calibration_due}"


def out_words(kept: Mapping[str, Any] | None) -> str:
    """Return the gauge that the record kept in words if a master had shown that it is out, nothing otherwise."""
    if kept is None or kept.get("standing") not in ("out", "out of control"):
        return ""
    return f"Gauge {kept.get('serial', '')}, {kept['standing']} by its last check against a master"


def pressure_gauge_words(kept: Mapping[str, Any] | None) -> str:
    """Return what stood against the pressure gauge when a check was made, as the record kept it; empty for nothing."""
    return "" if kept is None else str(kept.get("pressure_gauge_against", ""))


def gauge_of(kept: Mapping[str, Any]) -> Gauge:
    """Return the gauge that the record kept. Raises ValueError for a date that is none."""
    due = kept.get("calibration_due")
    return Gauge(
        str(kept.get("serial", "")),
        None if due is None else date.fromisoformat(str(due)),
        timedelta(seconds=int(kept["check_holds_s"])) if "check_holds_s" in kept else _A_DAY,
        str(kept.get("pressure_gauge", "")),
    )
