"""One check of a gauge against masters: strokes in, the gauge's error at each master out. No I/O and no clock.

Theory. A master slid under the tip and out again is a stroke, found and measured by the same finder as a pack's; its
held travel is what the gauge reads for the master. Of master i, slid under m times,

    error            e = mean of the readings - certified value
    its uncertainty  u^2 = s_w^2 / m + u_R^2 + rounding^2 + (alpha dT x)^2 / 3
    s_w              of the repeats of all masters together, sum of (m_i - 1) degrees of freedom     JCGM 100, 4.2
    u_R              the certificate's, U / k                                                        JCGM 100, 4.3.3
    rounding         what the display leaves in a travel, as in a budget of a clearance              F.2.2.1
    alpha dT x       the room is within dT of the temperature that is known of it, by default 20     ISO 1, 4.3.7
                     degrees, at which the certificate holds; else the master's expansion is taken off

and U is the half-width that holds 95 % of their sum (JCGM 101). Against the maker's limit it decides as ISO 14253-1
says (`limits`), by the master that says the worst.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

from capture.clearance.distribution import Distribution, normal, rectangle, scaled_t
from capture.clearance.gauge.limits import Result, against_limit
from capture.clearance.gauge.linearity import LEAST_MASTERS, Linearity, linearity
from capture.clearance.gauge.masters import ASSUMED_ROOM, Master, Room
from capture.clearance.gauge.spread import Spread, mean_of, pooled, sd_of
from capture.strokes.stroke import Stroke
from drivers.units import format_length

#: Coverage probability of an expanded uncertainty here, that of a verdict's.
COVERAGE: Final = 0.95
#: A reading farther than this from every master named is of another piece, or of a dirty one.
ANOTHER_PIECE_NM: Final = 50_000
#: The rest may wander by so many display steps before the stand is said to have moved, and by so much on any display.
_REST_STEPS: Final = 2.5
_REST_NM: Final = 2_000
#: How often the first master is slid under the tip.
REPEATS: Final = 3
#: With these flags a stroke of a master says nothing of it.
_WORTHLESS: Final = frozenset({"out_of_reach", "short_hold", "sparse", "rezeroed", "gap"})
_RANK: Final[Mapping[Result, int]] = {"in order": 0, "not shown": 1, "out": 2}

RefusalCode = Literal["no_steps", "too_few", "another_piece", "rest_moved", "shakes"]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a check says nothing of the gauge, and what to do."""

    code: RefusalCode
    text: str


@dataclass(frozen=True, slots=True)
class CheckSettings:
    """What is known beforehand of the gauge and the room. Lengths nm; a limit of 0 is none known."""

    resolution_nm: int
    max_error_nm: int
    room: Room = ASSUMED_ROOM


@dataclass(frozen=True, slots=True)
class MasterError:
    """What the gauge reads too much at one master. Lengths nm; positive where it reads long."""

    serial: str
    value_nm: int
    error_nm: int
    standard_uncertainty_nm: int
    expanded_uncertainty_nm: int
    spread_nm: float
    repeats: int
    result: Result


@dataclass(frozen=True, slots=True)
class MasterCheck:
    """One check against masters."""

    masters: tuple[MasterError, ...]
    spread: Spread
    """Short-term, of the repeats of all masters, nm."""
    rounding_nm: float
    """Standard uncertainty that the display leaves in each error."""
    result: Result
    refusal: Refusal | None = None
    remarks: tuple[str, ...] = ()
    """What else to know, such as a certificate that has run out."""

    @property
    def usable(self) -> bool:
        """Whether a budget may rest on it."""
        return self.refusal is None and not self.remarks


def checked(strokes: Sequence[Stroke], masters: Sequence[Master], settings: CheckSettings, on: date) -> MasterCheck:
    """Return what strokes over `masters` say of the gauge; `on` is the day of the check.

    Each stroke is of the master it is nearest to. The first master named is slid under at least twice.
    """
    steps = [one for one in strokes if worth_something(one)]
    refusal = _refused(steps, masters, settings)
    if refusal is not None and refusal.code not in ("shakes", "another_piece"):
        return MasterCheck((), Spread(0.0, 0), 0.0, "not shown", refusal)
    groups = _readings(steps, masters)
    shared = pooled(sd_of(readings) for readings in groups.values())
    rounding = _rounding(steps, settings)
    errors = tuple(error_of(master, readings, shared, rounding, settings) for master, readings in groups.items())
    worst = max((one.result for one in errors), key=_RANK.__getitem__)
    remarks = tuple(
        f"The certificate of master {master.serial} ran out on {master.due}: no verdict rests on this check."
        for master in groups
        if master.overdue(on)
    )
    return MasterCheck(errors, shared, rounding, worst if refusal is None else "not shown", refusal, remarks)


def error_of(
    master: Master, readings_nm: Sequence[float], shared: Spread, rounding_nm: float, settings: CheckSettings
) -> MasterError:
    """Return the error at one master, from its readings and the spread that all masters share. Lengths nm."""
    error = mean_of(readings_nm) - master.value_nm - master.expansion_nm(settings.room)
    spread = terms_at(master, len(readings_nm), shared, rounding_nm, settings.room.within_k)
    expanded = spread.half_width(COVERAGE)
    return MasterError(
        serial=master.serial,
        value_nm=master.value_nm,
        error_nm=round(error),
        standard_uncertainty_nm=round(spread.standard_nm),
        expanded_uncertainty_nm=math.ceil(expanded),
        spread_nm=round(sd_of(readings_nm).sd, 3),
        repeats=len(readings_nm),
        result=against_limit(error, expanded, settings.max_error_nm),
    )


def terms_at(master: Master, repeats: int, shared: Spread, rounding_nm: float, within_k: float) -> Distribution:
    """Return how what is not known of the error at a master is distributed (see above)."""
    warmth = master.expansion_per_k * within_k * master.value_nm
    repeated = scaled_t(shared.sd / math.sqrt(repeats), shared.dof) if shared.dof else normal(0.0)
    certified = normal(master.standard_uncertainty_nm)
    rounded = rectangle(math.sqrt(1.5) * rounding_nm)
    return Distribution.of((repeated, certified, rounded, rounded, rectangle(warmth)))


def linearity_in(strokes: Sequence[Stroke], masters: Sequence[Master], room: Room) -> Linearity | None:
    """Return the linearity in strokes over five or more masters, each two times or more; None where it is none."""
    read: dict[Master, list[float]] = {master: [] for master in masters}
    for one in filter(worth_something, strokes):
        master = nearest_master(one, masters)
        read[master].append(one.held_travel_nm - master.expansion_nm(room))
    if len(read) < LEAST_MASTERS or min(map(len, read.values())) < 2:
        return None
    return linearity([(master.value_nm, readings) for master, readings in read.items()])


def worth_something(stroke: Stroke) -> bool:
    """Say whether a stroke over a master was seen well enough to say something of it."""
    return _WORTHLESS.isdisjoint(stroke.flags)


def nearest_master(stroke: Stroke, masters: Sequence[Master]) -> Master:
    """Return the master that a stroke is of."""
    return min(masters, key=lambda master: abs(stroke.held_travel_nm - master.value_nm))


def _readings(steps: Sequence[Stroke], masters: Sequence[Master]) -> dict[Master, list[int]]:
    """Return what the gauge read for each master that was slid under, in the order they are named."""
    found: dict[Master, list[int]] = {master: [] for master in masters}
    for one in steps:
        found[nearest_master(one, masters)].append(one.held_travel_nm)
    return {master: readings for master, readings in found.items() if readings}


def _rounding(steps: Sequence[Stroke], settings: CheckSettings) -> float:
    """Return what rounding leaves in a travel, as a budget of a clearance has it: less where noise dithers."""
    whole = math.sqrt(2) * settings.resolution_nm / math.sqrt(12)
    told = [one.rounding_nm for one in steps]
    known = [nm for nm in told if nm is not None]
    if not known or len(known) < len(told):
        return whole
    return min(whole, math.sqrt(math.fsum(nm**2 for nm in known) / len(known)))


def _refused(steps: Sequence[Stroke], masters: Sequence[Master], settings: CheckSettings) -> Refusal | None:
    if not steps:
        text = "No master was slid under the tip: rest the tip on the anvil, then slide the master in and out."
        return Refusal("no_steps", text)
    for one in steps:
        nearest = nearest_master(one, masters)
        off = one.held_travel_nm - nearest.value_nm
        if abs(off) > ANOTHER_PIECE_NM:
            read = format_length(one.held_travel_nm, "mm")
            text = (
                f"That is not the {format_length(nearest.nominal_nm, 'mm')} {nearest.kind} {nearest.serial}, or "
                f"it is dirty: the gauge reads {read}. Wipe both faces and the anvil, take the master named, and do it "
                "again."
            )
            return Refusal("another_piece", text)
    rests = [one.released_nm for one in steps]
    wandered = max(max(rests) - min(rests), *(abs(one.return_error_nm) for one in steps))
    if wandered > max(_REST_STEPS * settings.resolution_nm, _REST_NM):
        wandering = f"{wandered / 1000:.0f} um"
        text = f"The rest is off by {wandering}: the stand moved, or something shakes. Clamp it, then do it again."
        return Refusal("rest_moved", text)
    count = len(_readings(steps, masters).get(masters[0], ()))
    if count < 2:
        text = f"Slide master {masters[0].serial} in and out {REPEATS} times: {count} counts so far."
        return Refusal("too_few", text)
    shared = pooled(sd_of(readings) for readings in _readings(steps, masters).values())
    if shared.sd > max(settings.resolution_nm, settings.max_error_nm / 2, _REST_NM):
        text = (
            f"Something shakes: the same master reads with a standard deviation of {shared.sd / 1000:.1f} um. Look for "
            "a loose stem or stand, a worn tip or a machine near by, then do it again."
        )
        return Refusal("shakes", text)
    return None
