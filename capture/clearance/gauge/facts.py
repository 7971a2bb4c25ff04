"""What the record keeps of the shop's gauges: masters, checks, events, studies, and checks of other instruments by
hand. Plain data, in the order it happened; nothing is ever changed. Lengths nm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from typing import Any, Final, Literal

from capture.clearance.gauge.linearity import FittedLine, Linearity, Play
from capture.clearance.gauge.master_check import MasterCheck, MasterError, Refusal
from capture.clearance.gauge.masters import ASSUMED_ROOM, Master, Room, master_of
from capture.clearance.gauge.spread import Spread
from capture.clearance.gauge.study import Cell, Row, Study
from capture.clearance.signing import SignedWay

EventWord = Literal[
    "dropped", "new tip", "battery", "repaired", "stand moved", "sent for calibration", "back from calibration"
]
#: What can happen to a gauge, and whether what was found before then says nothing of it any more.
EVENTS: Final[dict[EventWord, bool]] = {
    "dropped": True,
    "new tip": True,
    "battery": True,
    "repaired": True,
    "stand moved": False,
    "sent for calibration": True,
    "back from calibration": True,
}
InstrumentKind = Literal["indicator", "torque wrench", "pressure gauge"]


@dataclass(frozen=True, slots=True)
class MastersListed:
    """The shop's masters, as they are from now on."""

    masters: tuple[Master, ...]
    by: str


@dataclass(frozen=True, slots=True)
class GaugeChecked:
    """A gauge was checked against masters. Signed by name; its recording proves it."""

    gauge: str
    bench: str
    by: str
    as_left: bool
    """After something was done to it; else as it was found."""
    indicator: Mapping[str, Any]
    resolution_nm: int
    max_error_nm: int
    masters: tuple[Master, ...]
    """In the order they were named."""
    check: MasterCheck
    linearity: Linearity | None
    started_at: str
    """RFC 3339, as the recording's header has it."""
    recording_path: str
    recording_sha256: str
    recording_bytes: int
    software_version: str
    origin: Mapping[str, Any] | None = None
    """Where its readings came from, as a check of a pack keeps it; None where nobody says."""
    signed: SignedWay = "typed"
    method: int | None = None
    """The way of measuring by its number; None from before they were numbered."""
    room: Room = ASSUMED_ROOM


@dataclass(frozen=True, slots=True)
class GaugeEvent:
    """Something happened to a gauge, a wrench or a pressure gauge."""

    gauge: str
    event: EventWord
    by: str
    note: str = ""
    instrument: InstrumentKind = "indicator"


@dataclass(frozen=True, slots=True)
class InstrumentChecked:
    """A torque wrench was checked on a transducer, or a pressure gauge against a master: values entered by hand.

    In `unit`, as written; `limit` is the error allowed, of the reading's value.
    """

    gauge: str
    instrument: InstrumentKind
    reference: str
    """Serial number of what it was checked on."""
    unit: str
    values: tuple[tuple[float, float], ...]
    """What the reference showed, and what the instrument did."""
    limit: float
    by: str
    due: str = ""
    """The last day this holds, ISO 8601; empty where nobody says."""
    note: str = ""

    @property
    def worst(self) -> float:
        """The largest error, signed."""
        return max((reading - true for true, reading in self.values), key=abs)

    @property
    def in_order(self) -> bool:
        """Whether every error is within the limit. Of the reference's uncertainty nothing is known here."""
        return abs(self.worst) <= self.limit

    def overdue(self, on: date) -> bool:
        """Say whether it had run out on that day."""
        return bool(self.due) and on > date.fromisoformat(self.due)


@dataclass(frozen=True, slots=True)
class StudyPlanned:
    """A study of a gauge is to be worked off at the bench: its measurements come in the order that its seed gives."""

    gauge: str
    parts: tuple[str, ...]
    """Packs, such as C1, or TR-7/C1 for that of a unit."""
    operators: tuple[str, ...]
    trials: int
    seed: int
    by: str


@dataclass(frozen=True, slots=True)
class StudyMeasured:
    """One measurement of a planned study was made: a check of the pack like any other."""

    gauge: str
    plan: int
    """The plan's entry."""
    part: str
    operator: str
    trial: int
    check: int
    """Its number in the record."""
    value_nm: int
    within_nm: float
    """What its strokes and the display leave in its mean."""
    by: str

    @property
    def cell(self) -> Cell:
        """Which one of the plan it is."""
        return Cell(self.part, self.operator, self.trial)


@dataclass(frozen=True, slots=True)
class StudyKept:
    """A study of repeatability and reproducibility was worked off: its table, in nm, and what it came to."""

    gauge: str
    rows: tuple[tuple[str, str, float], ...]
    """Part, operator, value in nm."""
    repeatability_nm: float
    reproducibility_nm: float
    grr_nm: float
    grr_dof: float
    by: str
    within_nm: float = 0.0
    """What its strokes and the display leave in the mean of a check, root mean square: part of what was found, and in
    every verdict's budget by itself. 0 where the table does not say."""

    @property
    def of_pairs(self) -> bool:
        """Whether it is no crossed study, but of packs that were checked again as it came."""
        return {operator for _, operator, _ in self.rows} == {"first", "again"}


def study_kept(gauge: str, rows_nm: Sequence[Row], found: Study, within_nm: float, by: str) -> StudyKept:
    """Return what the record keeps of a study whose table is in nm."""
    return StudyKept(
        gauge,
        tuple((row.part, row.operator, row.value) for row in rows_nm),
        found.repeatability.sd,
        found.reproducibility.sd,
        found.grr.sd,
        found.grr.dof,
        by,
        within_nm,
    )


GaugeFact = MastersListed | GaugeChecked | GaugeEvent | InstrumentChecked | StudyPlanned | StudyMeasured | StudyKept

#: The facts, by the kind of their entries in the record.
GAUGE_KINDS: Final[dict[str, type[GaugeFact]]] = {
    "gauge_masters": MastersListed,
    "gauge_check": GaugeChecked,
    "gauge_event": GaugeEvent,
    "instrument_check": InstrumentChecked,
    "study_planned": StudyPlanned,
    "study_measured": StudyMeasured,
    "gauge_study": StudyKept,
}


@dataclass(frozen=True, slots=True)
class GaugeEntry:
    """A fact as the record keeps it: its number and hash in the ledger, and when it was kept."""

    number: int
    sha256: str
    at: datetime
    fact: GaugeFact


def kind_of(fact: GaugeFact) -> str:
    """Return the kind of a fact's entry."""
    return next(kind for kind, one in GAUGE_KINDS.items() if type(fact) is one)


def body_of(fact: GaugeFact) -> dict[str, Any]:
    """Return what the entry of a fact holds of it."""
    body = asdict(fact)
    if isinstance(fact, MastersListed | GaugeChecked):
        body["masters"] = [master.kept() for master in fact.masters]
    return body


def gauge_fact_of(kind: str, body: Mapping[str, Any]) -> GaugeFact:
    """Return the fact in the body of a ledger entry. Raises KeyError, TypeError or ValueError for one that is none."""
    made = GAUGE_KINDS[kind]
    told = {field.name: body[field.name] for field in fields(made) if field.name in body}
    if "masters" in told:
        told["masters"] = tuple(master_of(one) for one in told["masters"])
    if kind == "gauge_check":
        told["check"] = _check_of(told["check"])
        told["room"] = Room(**told.get("room", {}))
        told["linearity"] = None if told["linearity"] is None else _linearity_of(told["linearity"])
    if kind == "instrument_check":
        told["values"] = tuple((float(true), float(reading)) for true, reading in told["values"])
    if kind == "study_planned":
        told |= {name: tuple(told[name]) for name in ("parts", "operators")}
    if kind == "gauge_study":
        told["rows"] = tuple((part, operator, float(value)) for part, operator, value in told["rows"])
    return made(**told)


def _check_of(kept: Mapping[str, Any]) -> MasterCheck:
    return MasterCheck(
        masters=tuple(MasterError(**one) for one in kept["masters"]),
        spread=Spread(**kept["spread"]),
        rounding_nm=kept["rounding_nm"],
        result=kept["result"],
        refusal=None if kept["refusal"] is None else Refusal(**kept["refusal"]),
        remarks=tuple(kept["remarks"]),
    )


def _linearity_of(kept: Mapping[str, Any]) -> Linearity:
    line = kept["line"]
    return Linearity(
        line=FittedLine(**{**line, "residual": Spread(**line["residual"])}),
        lack_of_fit_f=kept["lack_of_fit_f"],
        lack_of_fit_p=kept["lack_of_fit_p"],
        table=tuple((int(value), float(error)) for value, error in kept["table"]),
        local_nm=kept["local_nm"],
        play=None if kept.get("play") is None else Play(**kept["play"]),
    )
