"""Records and sheets for people (tables) and for pipes (JSON): what `jobs`, `show` and `sheet check` print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from capture.job.told_of_job import technicians_of
from capture.job.unit_on_record import happened_in, judged_in
from capture.output.json_forms import fact_json
from capture.output.printed_tables import budget_table, report_strokes
from capture.output.words import leak_word, plain_line
from capture.plumbing.outward import harmless_console, in_whole_words
from capture.plumbing.plaintext import clean
from capture.record import FactEntry, Job, KeptCheck
from capture.recordings.file import in_data_folder, kept_at
from capture.sheet.sheet import Sheet, SheetError, parse_sheet
from capture.unit.changes import PlanError, outcomes
from capture.unit.facts import Correction, PartsChanged, SignedOff, is_demonstration
from capture.unit.gauge_identity import gauge_of
from capture.unit.origin import is_measured, origin_words
from capture.unit.standing import unit_now
from capture.unit.words import fact_words
from drivers.reading import LengthUnit
from drivers.units import format_length, pressure_unit_beside


def _check_json(check: KeptCheck, data_dir: Path, strokes: bool) -> dict[str, Any]:
    entry = check.verdict
    verdict: dict[str, Any] | None = None
    if entry is not None:
        verdict = asdict(entry.verdict) | {
            "advice": list(entry.advice),
            "recording_sha256": entry.recording_sha256,
            "recording_bytes": entry.recording_bytes,
            "software_version": entry.software_version,
            "method": entry.method,
            "at": entry.at.isoformat(),
            "entry": entry.number,
        }
        # JSON has no infinity: an infinite number of degrees of freedom is null.
        verdict["dof"] = _finite(verdict["dof"])
        verdict["budget"] = [line | {"dof": _finite(line["dof"])} for line in verdict["budget"]]
    shown: dict[str, Any] = {
        "id": check.id,
        "pack": check.pack,
        "number": check.number,
        "state": check.state,
        "started_at": check.started_at.isoformat(),
        "ended_at": check.ended_at.isoformat() if check.ended_at else None,
        "low_nm": check.low_nm,
        "high_nm": check.high_nm,
        "measure": check.measure,
        "indicator": check.indicator,
        "gauge": check.gauge,
        "origin": check.origin,
        "entry": check.started_number,
        "recording": str(_recording(check, data_dir)),
        "recording_pruned_at": check.pruned_at.isoformat() if check.pruned_at else None,
        "verdict": verdict,
        "left_out": [entry.number for entry in check.left_out],
        "stands": check.stands.verdict if check.stands is not None else None,
    }
    if strokes:
        shown["strokes"] = [asdict(one.stroke) | {"seat": one.seat, "left_out": one.left_out} for one in check.strokes]
    return shown


def _recording(check: KeptCheck, data_dir: Path) -> Path:
    place = in_data_folder(data_dir, check.recording_path)
    return kept_at(place) or place


def _finite(value: float) -> float | None:
    return None if value == float("inf") else value


def _fact_json(entry: FactEntry, sheet: Sheet | None, came_out: Mapping[int, tuple[str, bool]]) -> dict[str, Any]:
    shown = fact_json(sheet, entry)
    if isinstance(entry.fact, PartsChanged):
        text, as_predicted = came_out.get(entry.number, (None, None))
        shown |= {"outcome": text, "as_predicted": as_predicted}
    return shown


def job_json(job: Job, data_dir: Path, *, strokes: bool) -> dict[str, Any]:
    """Return a job of the record in `data_dir` as one JSON object, with or without every stroke."""
    sheet = _sheet_of(job)
    came_out = _came_out(job, sheet)
    try:
        signed = _signed(job)
    except (SheetError, PlanError):
        signed = None
    return {
        "job": job.id,
        "uuid": str(job.uuid),
        "bench": job.bench,
        "unit_serial": job.unit_serial,
        "technician": job.technician,
        "sheet": job.sheet_name,
        "revision": job.sheet_revision,
        "opened_at": job.opened_at.isoformat(),
        "closed_at": job.closed_at.isoformat() if job.closed_at else None,
        "signed_off": None
        if signed is None
        else {
            "by": signed.fact.by,
            "at": signed.at.isoformat(),
            "demonstration": is_demonstration(signed.fact),
        },
        "checks": [_check_json(check, data_dir, strokes) for check in job.checks],
        "facts": [_fact_json(entry, sheet, came_out) for entry in job.facts],
    }


def _latest(job: Job) -> dict[str, str]:
    """The newest word on each pack."""
    words: dict[str, str] = {}
    for check in job.checks:
        if check.verdict is not None:
            words[check.pack] = check.stands.verdict if check.stands is not None else "no verdict"
            if check.stands is not None and check.stands.remarks:
                words[check.pack] += f" and the seal {leak_word(check.stands)}"
        elif check.pack in words:
            words[check.pack] += f" (re-check {check.state})"
        else:
            words[check.pack] = check.state
    for pack in _to_recheck(job):
        words[pack] = f"re-check needed (was {words[pack]})" if pack in words else "re-check needed"
    return words


def _to_recheck(job: Job) -> list[str]:
    """The packs whose newest check no longer counts: parts were changed after it."""
    try:
        return list(unit_now(parse_sheet(job.sheet_toml, "the record"), job.facts, judged_in(job)).recheck)
    except (SheetError, PlanError):
        return []


def _signed(job: Job) -> FactEntry | None:
    """The sign-off of a job while it stands. Raises SheetError and PlanError where nobody can say."""
    sheet = parse_sheet(job.sheet_toml, "the record")
    signed = unit_now(sheet, job.facts, judged_in(job)).standing.signed
    return next((entry for entry in job.facts if signed is not None and entry.number == signed.number), None)


def _signed_words(job: Job) -> str:
    """Whether a job was signed off, and by whom."""
    try:
        signed = _signed(job)
    except (SheetError, PlanError):
        return "cannot be said"
    if signed is not None:
        return f"{'demonstration, ' if is_demonstration(signed.fact) else ''}by {signed.fact.by}"
    written = any(isinstance(entry.fact, SignedOff) for entry in job.facts)
    return "no longer counts" if written else "no" if job.closed_at else "no, open"


#: A window of so many columns holds all of them with whole words.
_WIDE = 110


def jobs_table(found: list[Job]) -> None:
    """Print the jobs, a row each."""
    console = harmless_console(highlight=True)
    # In a narrow window fewer columns keep their words whole; `show` has the others.
    wide = console.width >= _WIDE
    names = ("job", "opened", "bench", "unit", "technician", "sheet", "packs", "signed off")
    shown = [name for name in names if wide or name not in ("bench", "technician", "sheet")]
    more = "" if wide else "bench, technician and sheet: strokelog show JOB, or a wider window"
    table = Table(title="Jobs", title_justify="left", caption=more or None, caption_justify="left")
    for name in shown:
        table.add_column(name, no_wrap=name in ("job", "opened"), overflow="fold")
    for job in found:
        packs = ", ".join(f"{pack} {word}" for pack, word in _latest(job).items())
        opened = f"{job.opened_at.astimezone():{'%Y-%m-%d %H:%M' if wide else '%Y-%m-%d'}}"
        cells = (
            str(job.id),
            opened,
            job.bench,
            job.unit_serial,
            job.technician,
            job.sheet_name,
            packs,
            _signed_words(job),
        )
        told = dict(zip(names, cells, strict=True))
        table.add_row(*(Text(told[name]) for name in shown))
    console.print(table)


def _sheet_of(job: Job) -> Sheet | None:
    try:
        return parse_sheet(job.sheet_toml, "the record")
    except SheetError:
        return None


def _gauge_words(check: KeptCheck) -> str:
    if check.gauge is None:
        return ""
    gauge = gauge_of(check.gauge)
    if gauge.calibration_due is None:
        return f"; gauge {gauge.serial}"
    late = ", OVERDUE when this was measured" if gauge.overdue(check.started_at.astimezone().date()) else ""
    return f"; gauge {gauge.serial}, calibration due {gauge.calibration_due}{late}"


def _came_out(job: Job, sheet: Sheet | None) -> dict[int, tuple[str, bool]]:
    """How the predicted changes came out, by the entry's number: in words, and whether as predicted in the end."""
    try:
        found = outcomes(sheet, happened_in(job)) if sheet is not None else []
    except PlanError:
        return {}
    numbers = {id(entry.fact): entry.number for entry in job.facts}
    return {numbers[id(one.change)]: (one.text, one.settled) for one in found}


def _not_compared(job: Job, entry: FactEntry) -> str:
    """Why the outcome of a change cannot be told."""
    fact = entry.fact
    assert isinstance(fact, PartsChanged)
    if fact.predicted_nm is None:
        return "nothing was predicted"
    later = [check for check in job.checks if check.pack == fact.pack and check.started_number > entry.number]
    if any(check.verdict is not None for check in later):
        return "not compared: parts were changed again before the next verdict, or its changes cannot be followed"
    return "not known: the pack has no verdict since"


def show_job(job: Job, data_dir: Path, explain: bool, came_back: Sequence[int] = ()) -> None:
    """Print one job of the record in `data_dir`: its checks, strokes and verdicts, what else happened to the unit, its
    corrections, and the jobs in which the unit came back."""
    console = harmless_console()
    sheet = _sheet_of(job)
    unit: LengthUnit = sheet.display_unit if sheet else "mm"

    came_out = _came_out(job, sheet)

    def say(text: str, style: str = "") -> None:
        console.print(Text(in_whole_words(clean(text)), style=style), soft_wrap=True)

    def say_fact(entry: FactEntry, indent: str = "") -> None:
        said = f"{fact_words(sheet, entry.fact)}; {entry.at.astimezone():%Y-%m-%d %H:%M}"
        is_correction = isinstance(entry.fact, Correction)
        say(f"{indent}entry {entry.number}: {said}", "bold" if is_correction else "")
        if isinstance(entry.fact, PartsChanged):
            text, as_predicted = came_out.get(entry.number, (_not_compared(job, entry), True))
            say(f"{indent}  outcome: {text}", "" if as_predicted else "bold")
        say_corrections(entry.number, indent + "  ")

    def say_corrections(number: int, indent: str = "  ") -> None:
        for entry in job.facts:
            if isinstance(entry.fact, Correction) and entry.fact.entry == number:
                say_fact(entry, indent)

    say(
        f"Job {job.id}: unit {job.unit_serial or '-'}, {job.sheet_name} ({job.sheet_revision}), "
        f"bench {job.bench}, technician {technicians_of(job)}, {job.opened_at.astimezone():%Y-%m-%d %H:%M}"
    )
    for later in came_back:
        say(f"Came back in job {later}", "bold")
    told = {0}
    for check in job.checks:
        console.print()
        low, high = format_length(check.low_nm, unit), format_length(check.high_nm, unit)
        say(f"{check.pack}, check {check.number}, {check.state}: range {low} to {high}", "bold")
        if check.strokes:
            console.print(
                report_strokes(check.strokes, unit, sheet.pressure_unit if sheet else pressure_unit_beside(unit))
            )
        else:
            say("no strokes: none was completed")
        if check.verdict is not None:
            say(plain_line(check.verdict.verdict, unit, check.pack))
            if check.stands is not None and check.left_out:
                say(f"without what was left out: {plain_line(check.stands, unit, check.pack)}", "bold")
            for entry in check.left_out:
                say(fact_words(sheet, entry.fact), "bold")
            for advice in check.verdict.advice:
                say(f"advice: {advice['text']}")
            if explain:
                console.print(budget_table(check.verdict.verdict, unit))
        judged = f", verdict {check.verdict.number}" if check.verdict is not None else ""
        say(f"entries: started {check.started_number}{judged}{_gauge_words(check)}")
        say(f"readings: {origin_words(check.origin)}", "" if is_measured(check.origin) else "bold")
        recording = _recording(check, data_dir)
        gone = "" if recording.is_file() else ", which is NOT THERE"
        gone = f" (removed by policy on {check.pruned_at:%Y-%m-%d})" if check.pruned_at else gone
        say(f"recording: {recording}{gone}")
        numbers = {check.started_number} | ({check.verdict.number} if check.verdict is not None else set())
        for number in sorted(numbers):
            say_corrections(number)
        told |= numbers
    told |= {entry.number for entry in job.facts}
    apart = [e for e in job.facts if not isinstance(e.fact, Correction) or e.fact.entry not in told]
    if apart:
        console.print()
        say("Beside the strokes:", "bold")
        for entry in apart:
            say_fact(entry)
