"""What one bench looks like right now: plain data that the daemon fills and the dashboard draws."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.mqtt.link_state import LinkState
from drivers.reading import LengthUnit
from drivers.units import PressureUnit


@dataclass(slots=True)
class PackView:
    """One pack of the unit, as the list at the side of the screen shows it."""

    name: str
    state: Literal["waiting", "measuring", "done"]
    verdict: Verdict | None = None
    """Its newest, whether it needs a re-check or not."""
    recheck: str = ""
    """Why its newest check no longer counts, in words; empty while it does."""

    @property
    def is_good(self) -> bool:
        """Whether its newest check is good and counts."""
        return self.verdict is not None and self.verdict.verdict == "good" and not self.recheck


@dataclass(frozen=True, slots=True)
class Question:
    """Whether a key is meant that would lose something: pressing it again says so."""

    key: str
    text: str


@dataclass(slots=True)
class BenchView:
    """Everything the technician's dashboard shows. Lengths nm, times ns on the recording's clock."""

    bench: str
    job: str = ""
    unit_serial: str = ""
    technician: str = ""
    sheet_name: str = ""
    fitted: str = ""
    """The variant of the sheet that was confirmed for the unit, whose limits hold; empty where the sheet has none."""
    display_unit: LengthUnit = "mm"
    packs: list[PackView] = field(default_factory=list)
    pack: int = -1
    """Index into `packs` of the pack being measured, -1 for none."""
    low_nm: int = 0
    high_nm: int = 0
    preferred_nm: int = 0
    strokes_wanted: int = 0
    seat_wanted: int = 0
    measure: Literal["peak", "held"] = "held"
    """Which travel of a stroke the sheet averages."""
    moved_by: Literal["air", "hand"] = "air"
    """What moves the pack on the screen."""
    air: str = ""
    """The air the sheet asks for, such as '140 ± 10 kPa'; empty if the sheet names none."""
    strokes: list[StrokeKept] = field(default_factory=list)
    verdict: Verdict | None = None
    """The verdict so far (provisional while `packs[pack].state` is 'measuring'); None before two strokes."""
    advice: list[str] = field(default_factory=list)
    left_out: str = ""
    """Which strokes a person left out, why, and what all of them say; empty for none."""
    outcome: str = ""
    """How the change of parts before the newest verdict came out, in words; empty without one."""
    as_predicted: bool = True
    """Whether that change came out as predicted."""
    doubt: str = ""
    """What makes the pack's good verdict worth a second look, in words; empty for nothing."""
    signed_off: str = ""
    """Who signed the unit off and whether that released it, in words; empty until somebody has."""
    reading_nm: int | None = None
    """The newest displayed value, None before the first."""
    reading_places: int | None = None
    """How many decimals the instrument shows, in `display_unit`; None where that is not known."""
    offset_nm: int | None = None
    """The newest travel from rest, positive, None before the rest level is known."""
    moving: Literal["rest", "moving", "applied", "returning", "unknown"] = "unknown"
    at_press: bool = False
    """Whether the reading is that of the newest press, and no live one."""
    entry: str | None = None
    """What is being typed as the dial's reading; None where nobody types those."""
    notices: tuple[str, ...] = ()
    """Codes of what a person should know of the readings, what matters most first: see `strokes.machine.Notice`."""
    trace: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=4000))
    """Recent (t_ns, offset_nm) for the stroke trace, t_ns since the session began and never decreasing."""
    indicator: LinkState = "connecting"
    silence: Literal["", "nothing comes", "cannot be read"] = ""
    """Why no reading comes though the port is open; empty while readings come."""
    indicator_text: str = ""
    """Port and wire form, or why the port is down and what to do."""
    broker: LinkState = "off"
    broker_waiting: int = 0
    """Messages completed but not yet taken by the broker."""
    broker_reason: str = ""
    """Why that link is not up, for who asks how the bench is; screens have no room for it."""
    plant: LinkState = "off"
    """The link to a plant's system."""
    plant_reason: str = ""
    fixture: LinkState = "off"
    """The fixture's port; 'off' where the valve is worked by hand."""
    pressure_pa: int | None = None
    """Gauge pressure at the apply port, pascals."""
    pressure_unit: PressureUnit = "kPa"
    air_state: str = ""
    """Where the valve's safety stands: unarmed, armed, applied, tripped, stopped; empty without a fixture."""
    valve_commanded: bool = False
    valve_confirmed: bool | None = None
    """What the fixture says of its valve, None where it does not say."""
    air_text: str = ""
    """Why the air cannot be applied and what to do, or what the last hold was like; in words."""
    message: str = ""
    """The next thing to do, in words, as long as readings come."""
    then: str = ""
    """What the verdict asks for, where the next thing to do is something else."""
    keys: str = ""
    """The keys that do something now, for the bottom line."""
    said: str = ""
    """What the last key or scan did, or why it did nothing, in words; empty once the next one comes."""
    question: Question | None = None
    """Holds exactly as long as it stands here, where the screen shows it; None for none."""
    looking: str = ""
    """Who has the keys and what may be done without them, for a face that only looks; empty where it has them."""
    asked: str = ""
    """Who asks for the keys, for the face that has them; empty for nobody."""
    warning: str = ""
    caution: str = ""
    """A caution for the people at the bench while it applies, such as hands clear before an apply; empty for none."""

    @property
    def next_step(self) -> str:
        """The next thing to do, in words: no stroke is asked for that nobody would see."""
        return "Release the air. Measuring goes on by itself when readings come." if self.silence else self.message
