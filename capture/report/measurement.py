"""What a report says of the measurement itself: the study of the gauge that measured, beside what it has to tell apart.
Plain data out, no clock."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from capture.clearance.gauge.facts import GaugeEntry, StudyKept
from capture.clearance.gauge.standing import study_of
from capture.clearance.gauge.study import Row, Study, StudyError, studied
from capture.output.study_words import components_of, known_words, study_remarks
from capture.record import Job
from capture.report.times import Times
from capture.sheet.sheet import Sheet
from drivers.reading import LengthUnit
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class AgainstPart:
    """A pack's range and its newest verdict's uncertainty beside the spread of the measurement."""

    pack: str
    width: str
    share: str
    """Six standard deviations of the measurement over the range's width."""
    expanded: str
    """The expanded uncertainty of the newest verdict, and how large the study's spread is beside its standard one."""


@dataclass(frozen=True, slots=True)
class StudyPart:
    """The study of one gauge."""

    title: str
    rows: tuple[tuple[str, str, str], ...]
    """Component, standard deviation, and how well it is known."""
    remarks: tuple[str, ...]
    packs: tuple[AgainstPart, ...]


def study_parts(
    entries: Sequence[GaugeEntry], job: Job, sheet: Sheet | None, times: Times, unit: LengthUnit
) -> tuple[StudyPart, ...]:
    """Return the newest study of each gauge that measured in a job, as the record had it when it was read."""
    serials = dict.fromkeys(str(check.gauge.get("serial", "")) for check in job.checks if check.gauge is not None)
    kept = [(serial, study_of(entries, serial)) for serial in serials]
    return tuple(_part(serial, one, job, sheet, times, unit) for serial, one in kept if one is not None)


def _part(serial: str, entry: GaugeEntry, job: Job, sheet: Sheet | None, times: Times, unit: LengthUnit) -> StudyPart:
    fact = entry.fact
    assert isinstance(fact, StudyKept)

    def length(nm: float) -> str:
        # One more place than a travel has.
        return format_length(round(nm), unit, 5 if unit == "in" else 4)

    when = f"entry {entry.number}, {times.text(entry.at)}, by {fact.by}"
    found = _crossed(fact)
    if found is None:
        pairs = len(fact.rows) // 2
        rows: tuple[tuple[str, str, str], ...] = (
            ("one check, remounted", length(fact.grr_nm), f"from {pairs} packs that were checked again"),
        )
        title, remarks = f"Gauge {serial}, pairs as they came ({when})", list[str]()
    else:
        rows = tuple((name, length(one.sd), known_words(one, length)) for name, one in components_of(found))
        parts, technicians = (len({row[place] for row in fact.rows}) for place in (0, 1))
        each = len(fact.rows) // (parts * technicians)
        title = f"Gauge {serial}, {parts} packs, {technicians} technicians, {each} times each ({when})"
        remarks = study_remarks(found)
    return StudyPart(title, rows, tuple(remarks), tuple(_against(fact.grr_nm, job, sheet, unit, length)))


def _crossed(fact: StudyKept) -> Study | None:
    try:
        return None if fact.of_pairs else studied([Row(*row) for row in fact.rows])
    except StudyError:  # kept by hand-made entries only; its sum is told all the same
        return None


def _against(
    grr_nm: float, job: Job, sheet: Sheet | None, unit: LengthUnit, length: Callable[[float], str]
) -> Iterator[AgainstPart]:
    newest = {check.pack: check for check in job.checks if check.stands is not None}
    for pack in sheet.packs if sheet is not None else ():
        check = newest.get(pack.name)
        width = pack.high_nm - pack.low_nm
        expanded = "no verdict"
        if check is not None and check.stands is not None:
            expanded_nm = check.stands.expanded_uncertainty_nm
            expanded = f"{length(expanded_nm)}, {_percent(grr_nm, check.stands.standard_uncertainty_nm)} of its u"
        yield AgainstPart(pack.name, format_length(width, unit), _percent(6 * grr_nm, width), expanded)


def _percent(part: float, whole: float) -> str:
    return f"{100 * part / whole:.0f} %" if whole else "-"
