"""Which packs wait for a part: from the records of several benches, or from a file for people who have none; and what
the stock has free for them. Decides nothing; `capture.stock.allotment` does."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, model_validator

from capture.clearance.distribution import Distribution, normal
from capture.plumbing.checked_file import FileKind
from capture.record import Job, KeptCheck
from capture.sheet.sheet import Selective, SheetError, parse_sheet
from capture.stock import Holdings, Place, Reservation, part_key
from capture.stock.allotment import Size, Slot, Supply, WaitingPack
from capture.unit.facts import Fact, Override, PartsChanged, SignedOff
from drivers.reading import LengthUnit
from drivers.units import LengthNm

__all__ = ["Gathered", "NotAsked", "WaitingFile", "from_file", "from_jobs"]

#: An expanded uncertainty typed in by a person is taken as 95 % of a normal distribution, k = 2 (JCGM 100, 6.3.3).
_TYPED_FACTOR = 2.0

#: What happened in each job (by its UUID) beside its checks, and when, oldest first.
Facts = Mapping[str, Sequence[tuple[datetime, Fact]]]

#: The packs of each job (by its UUID) whose check no longer counts, and why.
Rechecks = Mapping[str, Mapping[str, str]]


@dataclass(frozen=True, slots=True)
class NotAsked:
    """A pack that is not good and still cannot be allotted a part, and what to do about it."""

    unit: str
    pack: str
    bench: str
    reason: str


@dataclass(frozen=True, slots=True)
class Gathered:
    """What an allotment starts from."""

    packs: tuple[WaitingPack, ...]
    shelf: tuple[Supply, ...]
    shown_in: Mapping[tuple[str, str, str], LengthUnit]
    """The unit to show a pack's lengths in, by its job, unit and name."""
    not_asked: tuple[NotAsked, ...]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A selective part that is fitted now. Lengths nm."""

    adjuster: int
    selective: Selective
    thickness_nm: int
    actual_nm: int | None = None
    standard_nm: float | None = None
    serial: str | None = None
    promised: bool = False


@dataclass(frozen=True, slots=True)
class _Draft:
    """A pack before its parts are looked up in the stock: `pack` has no slots yet."""

    pack: WaitingPack
    fitted: tuple[_Fitted, ...]
    shown_in: LengthUnit


# -- from the record -----------------------------------------------------------------------------------------


def from_jobs(
    jobs: Iterable[Job],
    holdings: Holdings,
    ended_after: datetime,
    facts: Facts | None = None,
    recheck: Rechecks | None = None,
) -> Gathered:
    """Gather the packs whose newest check is not good, of every job still open or ended after `ended_after`.

    A unit's serial is the same unit in whatever job, bench or record: only the newest check of a pack counts. A pack
    that an override let pass since, or whose unit was signed off since, waits for nothing.
    """
    newest: dict[tuple[str, str], tuple[Job, KeptCheck]] = {}
    for job in jobs:
        if job.closed_at is not None and job.closed_at < ended_after:
            continue
        for check in job.checks:
            key = (job.unit_serial or str(job.uuid), check.pack)
            if key not in newest or newest[key][1].started_at < check.started_at:
                newest[key] = (job, check)
    drafts: list[_Draft] = []
    not_asked: list[NotAsked] = []
    for (_, name), (job, check) in sorted(newest.items()):
        found = _draft(job, check, holdings, (facts or {}).get(str(job.uuid), ()))
        why = (recheck or {}).get(str(job.uuid), {}).get(name)
        if why is not None and found is not None:
            found = f"needs a re-check: {why}"
        if isinstance(found, str):
            not_asked.append(NotAsked(job.unit_serial, name, job.bench, found))
        elif found is not None:
            drafts.append(found)
    return _gather(drafts, holdings, not_asked)


def _draft(
    job: Job, check: KeptCheck, holdings: Holdings, facts: Sequence[tuple[datetime, Fact]]
) -> _Draft | str | None:
    """The pack of a check; why it cannot be asked about; or None if it waits for nothing."""
    since = [fact for at, fact in facts if at > check.started_at]
    if any(isinstance(one, SignedOff) or (isinstance(one, Override) and one.pack == check.pack) for one in since):
        return None
    if check.verdict is None:
        return {
            "measuring": "is being measured",
            "done": "has no verdict; check it again",
            "abandoned": "its newest check was abandoned; check it again",
        }[check.state]
    verdict = check.verdict.verdict
    if verdict.verdict == "good":
        return None
    if verdict.scattered:
        return "its strokes differ by too much to be judged; find out why, and check it again"
    if any(isinstance(one, PartsChanged) and one.pack == check.pack for one in since):
        return "its parts were changed since it was measured; check it again"
    try:
        sheet = parse_sheet(job.sheet_toml, f"the build sheet of job {job.id}")
        pack = sheet.pack(check.pack)
    except SheetError as error:
        return f"its build sheet cannot be read: {error}"
    now = {n: one.fitted for n, one in enumerate(pack.adjusters)}
    for _, fact in facts:
        if isinstance(fact, PartsChanged) and fact.pack == check.pack:
            now |= {change.adjuster: change.after for change in fact.changes}
    fitted = []
    for n, one in enumerate(pack.adjusters):
        # A part that moves other packs too is no matter of one pack: `strokelog unit plan` plans their unit.
        if isinstance(one, Selective) and not one.moves:
            part = _fitted(one, n, now[n], Place(str(job.uuid), job.unit_serial, pack.name, n), check, holdings)
            if isinstance(part, str):
                return part
            fitted.append(part)
    waiting = WaitingPack(
        unit=job.unit_serial,
        pack=pack.name,
        job=str(job.uuid),
        bench=job.bench,
        low_nm=verdict.low_nm,
        high_nm=verdict.high_nm,
        preferred_nm=pack.preferred_nm,
        mean_nm=verdict.mean_nm,
        spread=verdict.spread,
        slots=(),
    )
    return _Draft(waiting, tuple(fitted), sheet.display_unit)


def _fitted(
    one: Selective, adjuster: int, thickness_nm: int, place: Place, check: KeptCheck, holdings: Holdings
) -> _Fitted | str:
    """The part fitted at a place as the reservations know it; or why the place cannot be asked about."""
    here = [r for r in holdings.reservations if _is_for(r, place, one)]
    known: Reservation | None = None
    for reservation in here:
        if reservation.at > check.started_at or reservation.thickness_nm != thickness_nm:
            return f"has {reservation.text} (reservation {reservation.number}): fit it and check again, or release it"
        known = reservation
    leaving = [r for r in holdings.reservations if r.source is not None and r.source.is_same(place)]
    promised = any(r.thickness_nm == thickness_nm for r in leaving)
    if known is None or known.actual_nm is None or known.expanded_uncertainty_nm is None:
        return _Fitted(adjuster, one, thickness_nm, promised=promised)
    standard = known.expanded_uncertainty_nm / _TYPED_FACTOR
    return _Fitted(adjuster, one, thickness_nm, known.actual_nm, standard, known.serial, promised)


def _is_for(reservation: Reservation, place: Place, one: Selective) -> bool:
    """Whether a part is reserved for a place, or for its pack or unit without a word on which of its parts."""
    there = reservation.place
    if there.adjuster is not None:
        return there.is_same(place)
    same_part = part_key(reservation.part) in (part_key(one.name), one.part)
    return there.holder == place.holder and there.pack in ("", place.pack) and same_part


# -- from a file ---------------------------------------------------------------------------------------------


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class FittedSelective(Selective):
    """A selective part as a build sheet has it, and the fitted part's measured thickness if somebody knows it."""

    fitted_actual: LengthNm | None = Field(default=None, gt=0)
    fitted_uncertainty: LengthNm | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _check_measured(self) -> FittedSelective:
        if self.fitted_actual is not None and self.fitted_uncertainty is None:
            raise ValueError("fitted_actual: needs fitted_uncertainty, the micrometer's expanded uncertainty")
        return self


class WaitingEntry(_Table):
    """A pack that waits: its clearance, the expanded uncertainty (95 %), its selective parts. Lengths nm."""

    unit: str = Field(min_length=1)
    pack: str = Field(min_length=1)
    bench: str = ""
    range: tuple[LengthNm, LengthNm]
    preferred: LengthNm | None = None
    clearance: LengthNm = Field(ge=0)
    uncertainty: LengthNm = Field(gt=0)
    adjusters: tuple[FittedSelective, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> WaitingEntry:
        if not 0 < self.range[0] < self.range[1]:
            raise ValueError("range: expected a lower and a higher length above zero, such as ['0.80 mm', '1.40 mm']")
        if self.preferred is not None and not self.range[0] <= self.preferred <= self.range[1]:
            raise ValueError("preferred: lies outside the range")
        return self


class WaitingFile(_Table):
    """A file of waiting packs."""

    packs: tuple[WaitingEntry, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> WaitingFile:
        names = [(one.unit, one.pack) for one in self.packs]
        for unit, pack in names:
            if names.count((unit, pack)) > 1:
                raise ValueError(f"packs: pack {pack!r} of unit {unit!r} is listed twice")
        return self


def from_file(path: Path, holdings: Holdings) -> Gathered:
    """Gather the packs that a TOML or JSON file lists. Raises TableError for anything wrong with it."""
    drafts = []
    not_asked = []
    for entry in FileKind("file of waiting packs", lists=("adjusters",)).read(path, WaitingFile).packs:
        fitted = []
        refused = ""
        for n, one in enumerate(entry.adjusters):
            place = Place("", entry.unit, entry.pack, n)
            given = next((r for r in holdings.reservations if _is_for(r, place, one)), None)
            if given is not None:
                refused = f"has {given.text} (reservation {given.number}): consume it when it is fitted, or release it"
            leaving = [r for r in holdings.reservations if r.source is not None and r.source.is_same(place)]
            promised = any(r.thickness_nm == one.fitted for r in leaving)
            standard = one.fitted_uncertainty / _TYPED_FACTOR if one.fitted_uncertainty is not None else None
            fitted.append(_Fitted(n, one, one.fitted, one.fitted_actual, standard, promised=promised))
        if refused:
            not_asked.append(NotAsked(entry.unit, entry.pack, entry.bench, refused))
            continue
        middle = (entry.range[0] + entry.range[1]) // 2
        pack = WaitingPack(
            unit=entry.unit,
            pack=entry.pack,
            job="",
            bench=entry.bench,
            low_nm=entry.range[0],
            high_nm=entry.range[1],
            preferred_nm=entry.preferred if entry.preferred is not None else middle,
            mean_nm=entry.clearance,
            spread=Distribution.of([normal(entry.uncertainty / _TYPED_FACTOR)]),
            slots=(),
        )
        # A whole number of ten-thousandths of an inch is what an inch sheet writes, and hardly ever a metric one.
        inches = all(limit % 2_540 == 0 for limit in entry.range) and any(limit % 10_000 for limit in entry.range)
        drafts.append(_Draft(pack, tuple(fitted), "in" if inches else "mm"))
    return _gather(drafts, holdings, not_asked)


# -- with the stock ------------------------------------------------------------------------------------------


def _gather(drafts: Sequence[_Draft], holdings: Holdings, not_asked: Sequence[NotAsked]) -> Gathered:
    listed = {part_key(one.part) for one in holdings.bins}
    stated: dict[str, int] = {}
    for draft in drafts:
        for one in draft.fitted:
            key = _part_of(one.selective, listed)
            if key is not None:
                stated[key] = max(stated.get(key, 0), one.selective.tolerance)
    loose = _LooseSizes(holdings, stated)
    packs = []
    for draft in drafts:
        slots = []
        for one in draft.fitted:
            key = _part_of(one.selective, listed)
            if key is not None:
                slots.append(_slot(one, key, loose))
        packs.append(replace(draft.pack, slots=tuple(slots)))
    shown_in = {(d.pack.job, d.pack.unit, d.pack.pack): d.shown_in for d in drafts}
    return Gathered(tuple(packs), tuple(_free(holdings, loose)), shown_in, tuple(not_asked))


def _part_of(selective: Selective, listed: set[str]) -> str | None:
    """What the stock calls a selective part: as the sheet names it, else what kind it is; None if it lists neither."""
    return next((key for key in (part_key(selective.name), selective.part) if key in listed), None)


class _LooseSizes:
    """The size of an unmeasured part: its nominal thickness, its tolerance as a rectangle (JCGM 100, 4.3.7).

    The tolerance is the stock's word, or where it has none the widest that a waiting pack's sheet states.
    """

    def __init__(self, holdings: Holdings, stated_nm: Mapping[str, int]) -> None:
        self._named = {(part_key(one.part), one.thickness_nm): one.tolerance_nm for one in holdings.bins}
        self._stated = stated_nm

    def of(self, key: str, thickness_nm: int) -> Size:
        named = self._named.get((key, thickness_nm))
        half_width = named if named is not None else self._stated.get(key, 0)
        return Size(key, thickness_nm, thickness_nm, half_width / math.sqrt(3))


def _slot(one: _Fitted, key: str, loose: _LooseSizes) -> Slot:
    fitted = loose.of(key, one.thickness_nm)
    if one.actual_nm is not None and one.standard_nm is not None:
        fitted = Size(key, one.thickness_nm, one.actual_nm, one.standard_nm, measured=True)
    return Slot(
        adjuster=one.adjuster,
        name=one.selective.name,
        part=key,
        choices_nm=tuple(sorted(one.selective.choices)),
        fitted=fitted,
        opens=one.selective.thicker == "opens",
        serial=one.serial,
        promised=one.promised,
    )


def _free(holdings: Holdings, loose: _LooseSizes) -> Iterable[Supply]:
    for one in holdings.bins:
        key = part_key(one.part)
        if one.loose > one.loose_reserved:
            yield Supply(loose.of(key, one.thickness_nm), one.loose - one.loose_reserved)
        alike: dict[Size, list[str]] = {}
        for part in one.measured:
            if not part.reserved:
                standard = part.expanded_uncertainty_nm / _TYPED_FACTOR
                size = Size(key, one.thickness_nm, part.actual_nm, standard, measured=True)
                alike.setdefault(size, []).append(part.serial)
        for size, serials in alike.items():
            yield Supply(size, len(serials), tuple(serials))
