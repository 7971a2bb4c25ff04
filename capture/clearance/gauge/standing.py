"""How a gauge stands: what its newest check says of it now, and what a verdict may rest on. No I/O and no clock.

A check holds for a day unless the shop says otherwise, on its own bench, and until something happens to the gauge. What
was found as left holds like what was found: it is what is measured with. A refused check says nothing, and changes
nothing; but one that reads far from its master as the one before it did, wiped faces and all, is a gauge that is out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal

from capture.clearance.gauge.chart import LEAST_MORNINGS, WEIGHT, Charted, Point, chart, day_to_day
from capture.clearance.gauge.error_found import DRIFT_SHARE, LOCAL_SHARE, ErrorFound
from capture.clearance.gauge.facts import (
    EVENTS,
    GaugeChecked,
    GaugeEntry,
    GaugeEvent,
    InstrumentChecked,
    MastersListed,
    StudyKept,
)
from capture.clearance.gauge.linearity import Linearity
from capture.clearance.gauge.masters import Master
from capture.clearance.gauge.spread import pooled

StandingWord = Literal["not checked", "in order", "not shown", "out", "out of control"]

#: How long a check holds (default of the method: until the next day's).
HOLDS: Final = timedelta(hours=24)
#: Two readings of a master that nobody recognised are of the same piece if they differ by no more (common practice:
#: shims and feelers are made in steps of a hundredth of a millimetre and more).
_ALIKE_NM: Final = 10_000


@dataclass(frozen=True, slots=True)
class Morning:
    """One check of a gauge that says something, on its chart."""

    entry: GaugeEntry
    charted: Charted

    @property
    def fact(self) -> GaugeChecked:
        """The check."""
        assert isinstance(self.entry.fact, GaugeChecked)
        return self.entry.fact

    @property
    def out(self) -> bool:
        """Whether it shows that the gauge is out: proven outside its limit, outside its chart twice, or twice so far
        from its master that it was taken for another."""
        return self.fact.check.result == "out" or self.charted.alarm or self.fact.check.refusal is not None


@dataclass(frozen=True, slots=True)
class GaugeStanding:
    """How a gauge stands at a moment."""

    word: StandingWord
    text: str
    """One line for people."""
    error: ErrorFound | None
    """What a verdict's budget takes from the check; None where none holds."""
    checked_at: datetime | None
    """When it was last checked, whether that still holds or not."""
    entry: int = 0
    """The check's number in the ledger; 0 for none that holds."""

    @property
    def bad(self) -> bool:
        """Whether `good` must not be said without somebody answering for it."""
        return self.word in ("out", "out of control")


def instrument_words(entries: Sequence[GaugeEntry], serial: str, on: date) -> str:
    """Return what stands against a torque wrench or pressure gauge by its newest check by hand, empty for nothing."""
    for entry in reversed(entries):
        fact = entry.fact
        if isinstance(fact, InstrumentChecked) and fact.gauge == serial:
            name = f"{fact.instrument[:1].upper()}{fact.instrument[1:]} {serial}"
            if not fact.in_order:
                return f"{name}, off by {fact.worst:+g} {fact.unit} at its last check"
            return f"{name}, check overdue since {fact.due}" if fact.overdue(on) else ""
    return ""


def masters_of(entries: Sequence[GaugeEntry]) -> tuple[Master, ...]:
    """Return the shop's masters as they were listed last."""
    for entry in reversed(entries):
        if isinstance(entry.fact, MastersListed):
            return entry.fact.masters
    return ()


def mornings_of(entries: Sequence[GaugeEntry], gauge: str, bench: str | None = None) -> list[Morning]:
    """Return the checks of a gauge that say something, in order, each on the chart of those before it.

    The first master of a check is its check standard; another one begins another phase, as an event does.
    """
    kept: list[tuple[GaugeEntry, Point]] = []
    phase, standard = 0, ""
    far: GaugeChecked | None = None
    for entry in entries:
        fact = entry.fact
        if isinstance(fact, GaugeEvent) and fact.gauge == gauge and EVENTS[fact.event]:
            phase += 1
        if not isinstance(fact, GaugeChecked) or fact.gauge != gauge or bench not in (None, fact.bench):
            continue
        before, far = far, fact if _far_off(fact) else None
        if fact.check.refusal is not None and not (far and before and _alike(far, before)):
            continue
        first = fact.check.masters[0]
        if first.serial != standard:
            phase, standard = phase + 1, first.serial
        point = Point(first.error_nm, fact.check.spread, first.repeats, fact.check.rounding_nm, phase)
        kept.append((entry, point))
    charted = chart(point for _, point in kept)
    return [Morning(entry, made) for (entry, _), made in zip(kept, charted, strict=True)]


def _far_off(fact: GaugeChecked) -> bool:
    refusal = fact.check.refusal
    return refusal is not None and refusal.code == "another_piece" and bool(fact.check.masters)


def _alike(one: GaugeChecked, other: GaugeChecked) -> bool:
    """Say whether two checks read the same master alike."""
    (first, again) = (fact.check.masters[0] for fact in (one, other))
    return first.serial == again.serial and abs(first.error_nm - again.error_nm) <= _ALIKE_NM


def standing_of(
    entries: Sequence[GaugeEntry], gauge: str, bench: str, at: datetime, holds: timedelta = HOLDS
) -> GaugeStanding:
    """Return how a gauge stands at a bench, from what the record keeps of it up to then; a check holds for `holds`."""
    mornings = mornings_of(entries, gauge, bench)
    if not mornings:
        return GaugeStanding("not checked", f"Gauge {gauge}: not checked against a master.", None, None)
    newest = mornings[-1]
    happened = [
        one.fact.event
        for one in entries
        if isinstance(one.fact, GaugeEvent) and one.fact.gauge == gauge and one.number > newest.entry.number
    ]
    when = newest.entry.at.astimezone()
    if happened:
        text = f"Gauge {gauge}: {happened[-1]} since its last check ({when:%d %b %H:%M}). Check it against a master."
        return GaugeStanding("not checked", text, None, newest.entry.at)
    if at - newest.entry.at > holds:
        text = f"Gauge {gauge}: last checked against a master {when:%d %b %H:%M}. Check it again."
        return GaugeStanding("not checked", text, None, newest.entry.at)
    error = error_of_check(entries, mornings)
    check = newest.fact.check
    if newest.charted.alarm:
        usual = newest.charted.limits
        assert usual is not None
        text = f"Gauge {gauge} is out of control: {spoken(newest)}. Use the spare gauge, and tell the supervisor."
        return GaugeStanding("out of control", text, error, newest.entry.at, newest.entry.number)
    text = f"Gauge {gauge}: {spoken(newest)}"
    if check.refusal is not None:
        text += ", twice: it is OUT, or that is another piece. Use another gauge, and tell the supervisor."
        return GaugeStanding("out", text, error, newest.entry.at, newest.entry.number)
    if not check.usable:
        return GaugeStanding("not checked", f"{text}. {' '.join(check.remarks)}", None, newest.entry.at)
    if check.result == "out":
        text += ": OUT of its limit. Use another gauge, and tell the supervisor."
    else:
        text += f": {check.result}."
        if newest.charted.word == "look again":
            text += " Near the edge of what is usual: wipe both faces and the anvil, and do it again."
    return GaugeStanding(check.result, text, error, newest.entry.at, newest.entry.number)


def spoken(morning: Morning) -> str:
    """Return a check's result in words: "reads 3 um long at 1 mm, usual 2 +- 3"."""
    first = morning.fact.check.masters[0]
    usual = ""
    if (limits := morning.charted.limits) is not None:
        usual = f", usual {limits.mean_nm / 1000:.0f} ± {limits.value_nm / 1000:.0f}"
        if morning.charted.scatters:
            usual += f"; its repeats scatter by {morning.charted.point.spread.sd / 1000:.1f} um"
    micrometres = round(first.error_nm / 1000)
    how = f"{abs(micrometres)} um {'long' if micrometres > 0 else 'short'}" if micrometres else "true"
    return f"reads {how} at {first.value_nm / 1_000_000:.3g} mm{usual}"


def error_of_check(entries: Sequence[GaugeEntry], mornings: Sequence[Morning]) -> ErrorFound:
    """Return what the newest of these checks says of the gauge's error, with what the others do."""
    newest = mornings[-1]
    fact, charted = newest.fact, newest.charted
    check, gauge, limit = fact.check, fact.gauge, fact.max_error_nm
    line = _linearity(mornings)
    spread = check.spread
    if charted.limits is not None and not charted.scatters:
        spread = pooled((spread, charted.limits.spread))
    worst = max(check.masters, key=lambda one: abs(one.error_nm) + one.expanded_uncertainty_nm)
    bad = newest.out
    same = [
        one.charted.point
        for one in mornings
        if one.charted.point.phase == charted.point.phase and (one is newest or one.charted.word != "look again")
    ]
    moved = day_to_day(same)
    known = len(same) >= LEAST_MORNINGS
    drift = _drift(charted, moved.sd) if known else limit * DRIFT_SHARE
    remount_nm, remount_dof = _remounts(entries, gauge)
    return ErrorFound(
        entry=newest.entry.number,
        sha256=newest.entry.sha256,
        table=tuple(sorted((one.value_nm, float(one.error_nm)) for one in check.masters)),
        repeats_nm=spread.sd / math.sqrt(check.masters[0].repeats),
        repeats_dof=spread.dof,
        rounding_nm=check.rounding_nm,
        master_nm=max(one.standard_uncertainty_nm for one in fact.masters),
        local_nm=line.local_nm if line is not None else limit * LOCAL_SHARE,
        drift_nm=drift,
        drift_dof=moved.dof if known else 0,
        remount_nm=remount_nm,
        remount_dof=remount_dof,
        widened_nm=max(limit, abs(worst.error_nm) + worst.expanded_uncertainty_nm) if bad else 0,
    )


def _drift(charted: Charted, moved_nm: float) -> float:
    """Return how far the error may be from what was found, within a day: what it moves from one morning to the next,
    and how far its average is from its mean, each without what the checks' own repeats and display make of it."""
    point, usual = charted.point, charted.limits
    spread = point.spread if usual is None else usual.spread
    own = math.hypot(point.rounding_nm, spread.sd / math.sqrt(point.repeats))
    chance = 0.0 if usual is None else usual.sd_nm**2 * WEIGHT / (2 - WEIGHT)
    return math.sqrt(max(0.0, moved_nm**2 - own**2) + max(0.0, charted.shift_nm**2 - chance))


def _linearity(mornings: Sequence[Morning]) -> Linearity | None:
    """Return the newest linearity of the gauge in the phase of its newest check."""
    phase = mornings[-1].charted.point.phase
    for one in reversed(mornings):
        if one.charted.point.phase == phase and one.fact.linearity is not None:
            return one.fact.linearity
    return None


def _remounts(entries: Sequence[GaugeEntry], gauge: str) -> tuple[float, float]:
    """Return what remounts and technicians add to a check, with the study's degrees of freedom: what the newest study
    found, without what the strokes of its own checks made of it, which every verdict counts by itself."""
    found = study_of(entries, gauge)
    if found is None or not isinstance(found.fact, StudyKept):
        return 0.0, 0.0
    kept = found.fact
    if kept.grr_nm <= kept.within_nm:
        return 0.0, 0.0
    variance = kept.grr_nm**2 - kept.within_nm**2
    # Satterthwaite's would be the share squared, which of a small share knows next to nothing: all intervals held then,
    # and of the whole number 91 in 100 in a quarter (simulated years).
    return math.sqrt(variance), kept.grr_dof * variance / kept.grr_nm**2


def study_of(entries: Sequence[GaugeEntry], gauge: str) -> GaugeEntry | None:
    """Return the entry of the newest study made with a gauge, None without one."""
    return next((one for one in reversed(entries) if isinstance(one.fact, StudyKept) and one.fact.gauge == gauge), None)
