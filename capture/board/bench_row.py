"""One bench's row, as every face of the board shows it. Data alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from capture.board.needs import Need
from capture.clearance.verdict import VerdictWord

State = Literal["online", "offline", "measuring", "unknown"]


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One bench as the board shows it: cleaned text, times on the board's clock, lengths nm."""

    key: str
    """The same for a bench as long as the board runs; holds nothing from the wire."""
    bench: str
    state: State
    """`unknown` before the first status, and while nobody can know: since a broker was lost."""
    unit_serial: str
    pack: str
    """The pack being measured, or that was as the bench vanished, else the one judged last."""
    technician: str
    typed: bool
    """Whether the technician types the readings."""
    display_unit: Literal["in", "mm"]
    last_travel_nm: int | None
    last_stroke: int | None
    """The number of the stroke in its check; None where only its time is known."""
    last_stroke_at: datetime | None
    verdict: VerdictWord | None
    """The verdict on `pack`; None while it is measured."""
    mean_nm: int | None
    uncertainty_nm: int | None
    needs: tuple[Need, ...]
    """The most urgent first."""
    progress: str = ""
    """How far the unit is on its way to the sign-off, in words; empty where nothing was told of it."""
    gauge: str = ""
    """What is to be seen to at the gauge some time today, in words; empty for nothing. It needs nobody at once."""
