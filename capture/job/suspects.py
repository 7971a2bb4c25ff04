"""Which verdicts are in doubt since a gauge was found out, and what each would be with the error found."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from capture.clearance.check import judged_again
from capture.clearance.gauge.error_found import ErrorFound
from capture.clearance.gauge.facts import GaugeEntry
from capture.clearance.gauge.standing import Morning, error_of_check, mornings_of
from capture.clearance.verdict import Verdict
from capture.record import Job, KeptCheck
from capture.recordings.stream import indicator_from, limits_of
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import SignedOff, StrokeLeftOut


@dataclass(frozen=True, slots=True)
class Doubt:
    """A gauge was found out; everything since it was last in order is in doubt."""

    bad: Morning
    good: Morning | None
    """The last check that was in order before, None for none."""
    mornings: tuple[Morning, ...]
    """All up to the bad one."""

    def covers(self, at: datetime) -> bool:
        """Say whether a verdict of this time is in doubt."""
        return at <= self.bad.entry.at and (self.good is None or at > self.good.entry.at)


@dataclass(frozen=True, slots=True)
class Suspect:
    """A verdict in doubt."""

    job: Job
    check: KeptCheck
    verdict: Verdict
    """As it stands."""
    would: Verdict | None
    """With the error found; None where it cannot be judged again."""
    signed_off: bool

    @property
    def changes(self) -> bool:
        """Whether it would be another."""
        return self.would is None or self.would.verdict != self.verdict.verdict


def doubt_of(entries: Sequence[GaugeEntry], gauge: str) -> Doubt | None:
    """Return what is in doubt by the newest check that found a gauge out; None where none did."""
    mornings = mornings_of(entries, gauge)
    for place in reversed(range(len(mornings))):
        bad = mornings[place]
        if not bad.fact.as_left and bad.out:
            before = [one for one in mornings[:place] if _in_order(one)]
            return Doubt(bad, before[-1] if before else None, tuple(mornings[: place + 1]))
    return None


def _in_order(morning: Morning) -> bool:
    return morning.fact.check.result == "in order" and not morning.charted.alarm


def suspects(entries: Sequence[GaugeEntry], jobs: Iterable[Job], gauge: str, doubt: Doubt) -> list[Suspect]:
    """Return every verdict in doubt, units that were signed off first, then those that would change."""
    error = replace(error_of_check(entries, doubt.mornings), widened_nm=0)
    found = list(_found(jobs, gauge, doubt, error))
    return sorted(found, key=lambda one: (not one.signed_off, not one.changes, one.job.id, one.check.id))


def _found(jobs: Iterable[Job], gauge: str, doubt: Doubt, error: ErrorFound) -> Iterator[Suspect]:
    for job in jobs:
        signed = any(isinstance(entry.fact, SignedOff) for entry in job.facts)
        for check in job.checks:
            stands = check.stands
            if check.verdict is None or stands is None or (check.gauge or {}).get("serial") != gauge:
                continue
            if doubt.covers(check.verdict.at):
                yield Suspect(job, check, stands, _would(job, check, error), signed)


def _would(job: Job, check: KeptCheck, error: ErrorFound) -> Verdict | None:
    limits = replace(limits_of(indicator_from(check.indicator)[1]), found=error)
    gone = [one.fact.stroke for one in check.left_out if isinstance(one.fact, StrokeLeftOut)]
    sheet = parse_sheet(job.sheet_toml, f"the sheet of job {job.id}")
    return judged_again(sheet.pack(check.pack), limits, check.strokes, gone, sheet.display_unit, check.stands)
