"""Which gauge measures at a bench, and whether its calibration has run out. What it measures is not known here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class Gauge:
    """The indicator as the shop knows it: its serial number, and the last day its calibration holds, if known."""

    serial: str
    calibration_due: date | None = None

    def kept(self) -> dict[str, Any]:
        """Return what the record keeps with every check; the date in ISO 8601."""
        due = self.calibration_due
        return {"serial": self.serial, "calibration_due": None if due is None else due.isoformat()}

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


def gauge_of(kept: Mapping[str, Any]) -> Gauge:
    """Return the gauge that the record kept. Raises ValueError for a date that is none."""
    due = kept.get("calibration_due")
    return Gauge(str(kept.get("serial", "")), None if due is None else date.fromisoformat(str(due)))
