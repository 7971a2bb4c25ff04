"""Records and sheets for people (tables) and for pipes (JSON): what `jobs`, `show` and `check-sheet` print."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from capture.dashboard import budget_table, plain_line, report_strokes
from capture.record import Check, Job
from capture.sheet import Sheet, SheetError, Shim, parse_sheet
from capture.view import StrokeView
from drivers.reading import Unit
from drivers.units import format_length

__all__ = ["job_json", "jobs_table", "show_job", "show_sheet"]


def _check_json(check: Check, strokes: bool) -> dict[str, Any]:
    entry = check.verdict
    verdict: dict[str, Any] | None = None
    if entry is not None:
        verdict = asdict(entry.verdict) | {
            "advice": list(entry.advice),
            "recording_sha256": entry.recording_sha256,
            "recording_bytes": entry.recording_bytes,
            "software_version": entry.software_version,
            "at": entry.at.isoformat(),
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
        "recording": check.recording_path,
        "verdict": verdict,
    }
    if strokes:
        shown["strokes"] = [asdict(one.stroke) | {"seat": one.seat} for one in check.strokes]
    return shown


def _finite(value: float) -> float | None:
    return None if value == float("inf") else value


def job_json(job: Job, *, strokes: bool) -> dict[str, Any]:
    """Return a job as one JSON object, with or without every stroke."""
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
        "checks": [_check_json(check, strokes) for check in job.checks],
    }


def _latest(job: Job) -> dict[str, str]:
    """The newest word on each pack."""
    words: dict[str, str] = {}
    for check in job.checks:
        if check.verdict is not None:
            words[check.pack] = check.verdict.verdict.verdict
        elif check.pack in words:
            words[check.pack] += f" (recheck {check.state})"
        else:
            words[check.pack] = check.state
    return words


def jobs_table(found: list[Job]) -> None:
    """Print the jobs, a row each."""
    table = Table(title="Jobs", title_justify="left")
    for name in ("job", "opened", "bench", "unit", "technician", "sheet", "packs"):
        table.add_column(name)
    for job in found:
        packs = ", ".join(f"{pack} {word}" for pack, word in _latest(job).items())
        opened = f"{job.opened_at.astimezone():%Y-%m-%d %H:%M}"
        cells = (str(job.id), opened, job.bench, job.unit_serial, job.technician, job.sheet_name, packs)
        table.add_row(*(Text(cell) for cell in cells))
    Console().print(table)


def _unit_of(job: Job) -> Unit:
    try:
        return parse_sheet(job.sheet_toml, "the record").display_unit
    except SheetError:
        return "mm"


def show_job(job: Job, explain: bool) -> None:
    """Print one job with every check, stroke and verdict."""
    console = Console(highlight=False)
    unit = _unit_of(job)
    console.print(
        Text(
            f"Job {job.id}: unit {job.unit_serial or '-'}, {job.sheet_name} ({job.sheet_revision}), "
            f"bench {job.bench}, technician {job.technician or '-'}, {job.opened_at.astimezone():%Y-%m-%d %H:%M}"
        )
    )
    for check in job.checks:
        console.print()
        low, high = format_length(check.low_nm, unit), format_length(check.high_nm, unit)
        console.print(Text(f"{check.pack}, check {check.number}, {check.state}: range {low} to {high}", style="bold"))
        console.print(report_strokes([StrokeView(one.stroke, one.seat) for one in check.strokes], unit))
        if check.verdict is not None:
            console.print(Text(plain_line(check.verdict.verdict, unit, check.pack)))
            for advice in check.verdict.advice:
                console.print(Text(f"advice: {advice['text']}"))
            if explain:
                console.print(budget_table(check.verdict.verdict, unit))
        console.print(Text(f"recording: {check.recording_path}"), soft_wrap=True)


def show_sheet(sheet: Sheet) -> None:
    """Print what a sheet asks for, pack by pack in the order of checking."""
    console = Console(highlight=False)
    unit = sheet.display_unit
    console.print(Text(f"{sheet.sheet.name}, revision {sheet.sheet.revision}; limits: {sheet.sheet.source}"))
    if sheet.air is not None:
        console.print(Text(f"air: {sheet.air.text(unit)}"))
    table = Table()
    for name in ("pack", "range", "preferred", "strokes", "measure", "after", "adjusters"):
        table.add_column(name)
    for pack in sheet.order():
        parts = []
        for adjuster in pack.adjusters:
            if isinstance(adjuster, Shim):
                thickness = format_length(adjuster.thickness, unit)
                parts.append(f"{adjuster.name} {thickness}: {adjuster.fitted} fitted, {adjuster.min} to {adjuster.max}")
            else:
                parts.append(f"{adjuster.name}: {adjuster.text(adjuster.fitted)} of {len(adjuster.choices)} choices")
        cells = (
            pack.name,
            f"{format_length(pack.low_nm, unit)} to {format_length(pack.high_nm, unit)}",
            format_length(pack.preferred_nm, unit),
            f"{pack.strokes} + {pack.seat_strokes} seat",
            pack.measure,
            ", ".join(pack.depends_on) or "-",
            "; ".join(parts) or "-",
        )
        table.add_row(*(Text(cell) for cell in cells))
    console.print(table)
    for n, step in enumerate(sheet.steps, 1):
        details = step.details()
        console.print(Text(f"step {n}, {step.kind}: {step.title}{': ' + details if details else ''}"), soft_wrap=True)
