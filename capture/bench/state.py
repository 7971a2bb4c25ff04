"""What a bench knows of itself: written by the bench alone, read by what shows it or tells others. Plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from capture.air.standing import Air
from capture.bench.came_back import NOT_KNOWN, SignedBefore
from capture.bench.dial import Dial
from capture.bench.running_check import RunningCheck
from capture.bench.setup import BenchSetup
from capture.clearance.advice import Advice
from capture.clearance.check import StrokeKept
from capture.clearance.gauge.standing import GaugeStanding
from capture.clearance.gauge.study_at_bench import OpenStudy
from capture.mqtt.link_state import LinkState
from capture.mqtt.publisher import BrokerState
from capture.sheet.sheet import Pack
from capture.unit.changes import Outcome
from capture.unit.offers import NO_CHOICE, Choice
from capture.unit.standing import UnitStanding


@dataclass(slots=True)
class BenchState:
    """One bench at one moment."""

    setup: BenchSetup
    unit_serial: str
    technician: str
    packs: list[Pack]
    """In the order to check them, with their parts as fitted now."""
    dial: Dial
    air: Air | None
    """The fixture's control, None where the valve is worked by hand."""
    gauge_warning: str = ""
    """What a calibration that has run out asks for."""
    gauge: GaugeStanding | None = None
    """How the gauge stands by its checks against masters, None where the shop does not say which it is."""
    study: OpenStudy | None = None
    """The study of the gauge that is being worked off, if any."""
    disk_warning: str = ""
    """What there is to know while what was measured waits for the disk; empty while it does not."""
    broker: BrokerState | None = None
    """The link to the broker, None before there was one."""
    plant: tuple[LinkState, str] = ("connecting", "")
    """The link to the plant's system, where there is one, and why it is down."""
    job_id: int = 0
    unfinished: str = ""
    """What there is to know, before a new job, of one of this unit that nobody signed off; empty for nothing."""
    earlier: SignedBefore = NOT_KNOWN
    """Where this unit was signed off before, while there is no job of it now."""
    unit: UnitStanding | None = None
    """How the unit stands by its record, None before there is a job."""
    choice: Choice = NO_CHOICE
    """Which changes of parts are on offer."""
    pack: int = -1
    """The pack on the screen: the one being measured, or that was last; -1 for none."""
    running: RunningCheck | None = None
    strokes: list[StrokeKept] = field(default_factory=list)
    """Those of the running check, or of the last one."""
    advice: list[Advice] = field(default_factory=list)
    """What the newest verdict advises."""
    outcome: Outcome | None = None
    """How the change of parts before the newest verdict came out."""
    out_of_reach: str = ""
    """Where no part brings the newest verdict's pack into range: how far off it is and what it looks like."""
    ended_early: bool = False
    """Whether the last check ended before its verdict."""

    @property
    def not_confirmed(self) -> str:
        """Why this unit may not be judged by the sheet as it stands: nobody said which of its variants is fitted, or
        it was seen on another unit; empty where it may, or its job has begun."""
        sheet, about = self.setup.sheet, self.setup.sheet.sheet
        if self.job_id:
            return ""
        if sheet.undecided:
            one_of = " or ".join(one.name for one in sheet.variants)
            return f"Limits follow from what is fitted: {one_of}."
        if not about.variant_unit or self.unit_serial == about.variant_unit:
            return ""
        this = self.unit_serial or "-"
        return f"{about.variant} was confirmed for unit {about.variant_unit}, and this is unit {this}."

    def first_steps(self, pack: str) -> tuple[int, ...]:
        """The sheet's steps that come before a pack is measured, and are not done."""
        if self.unit is not None:
            return self.unit.standing.first.get(pack, ())
        return tuple(self.setup.sheet.steps_before(pack))

    def first_words(self, pack: str) -> str:
        """The same in words; empty for none."""
        steps = self.setup.sheet.steps
        stands = self.unit.standing.steps if self.unit is not None else ()
        return " and ".join(
            f"step {at + 1} ({steps[at].title}{', not good' if stands and stands[at].state == 'not good' else ''})"
            for at in self.first_steps(pack)
        )

    @property
    def measure(self) -> Literal["peak", "held"]:
        """Which travel of a stroke the pack on the screen has averaged."""
        return self.packs[self.pack].measure if self.pack >= 0 else "held"

    @property
    def warning(self) -> str:
        """The most urgent warning; empty if all is well."""
        told = self.broker is not None and self.broker.link in ("up", "down")  # up: what the broker refuses
        broker = self.broker.reason if self.broker is not None and told else ""
        bad = self.gauge.text if self.gauge is not None and self.gauge.bad else ""
        return self.dial.warning or self.disk_warning or broker or bad or self.gauge_warning
