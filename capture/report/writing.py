"""Writes the report of a job: reads the record without changing it, proves it, and leaves an HTML file and a PDF."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from capture.collect import DatabaseSettings
from capture.collect.statistics.read import shop_statistics
from capture.custody.verify import Proof, recording_of, verify
from capture.record import Job, Mismatch, RecordError, Store, audit
from capture.report.contents import Contents, contents
from capture.report.letterhead import Letterhead
from capture.report.page import page, shop_page
from capture.report.paper import PaperError, pdf
from capture.report.photographs import pictures_of
from capture.report.shop_contents import shop_contents
from capture.report.shop_section import ShopSection
from capture.report.traces import trace_of
from capture.sheet.sheet import Sheet, SheetError, parse_sheet


class ReportError(Exception):
    """A report could not be written; the text names the file and what to do."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written. Without a PDF, `pdf_problem` says why; `boxes` are characters that no installed font has."""

    html: Path
    pdf: Path | None
    pages: int
    boxes: str
    pdf_problem: str
    contents: Contents
    proof: Proof


def gather(record: Path, job_id: int) -> tuple[Contents, Proof]:
    """Read and prove a job of the record at `record`, and return what is on its report. Raises RecordError."""
    with Store.open_to_read(record) as store:
        store.job(job_id)  # that there is such a job is said before anything is proven at length
        proof, unproven = Proof(), ""
        try:
            proof = verify(record, job=job_id)
        except RecordError as error:
            unproven = str(error)
        # Read after the proof: what a bench wrote meanwhile is on the report, and the head beside it says so.
        job, head, gauges = store.job(job_id), store.head(), store.gauge_facts()
        came_back = store.came_back_in(job_id)
    sheet, problem = _sheet_of(job)
    pruned = _pruned(record, job)
    traces = {check.id: trace_of(check, record, sheet, pruned=check.id in pruned) for check in job.checks}
    photos = pictures_of(record.parent, job)
    return contents(job, sheet, problem, proof, unproven, head, traces, came_back, gauges, photos), proof


def _sheet_of(job: Job) -> tuple[Sheet | None, str]:
    try:
        return parse_sheet(job.sheet_toml, "the sheet kept with the job"), ""
    except SheetError as error:
        return None, str(error)


def _pruned(record: Path, job: Job) -> set[int]:
    """The checks whose recordings the ledger says were removed; it is read again only where one is missing."""
    if all(recording_of(check, record).is_file() for check in job.checks):
        return set()
    try:
        return set(audit(record, job=job.id).pruned)
    except (Mismatch, RecordError):
        return set()


def write_report(record: Path, job_id: int, out: Path, head: Letterhead | None = None) -> Written:
    """Write the report of a job as an HTML file and a PDF; `out` is a folder, or the name of one of the two; `head` the
    shop's letterhead.

    Raises RecordError, and ReportError if a file cannot be written. A PDF that cannot be made is no error here.
    """
    found, proof = gather(record, job_id)
    html_path = _place(out, job_id, found.unit)
    html = page(found, head)
    _put(html_path, html.encode())
    pdf_path: Path | None = html_path.with_suffix(".pdf")
    pages, boxes, problem = 0, "", ""
    try:
        made = pdf(html, found.paper)
    except PaperError as error:
        older = (
            "; the PDF that lies beside it is of an earlier report" if html_path.with_suffix(".pdf").exists() else ""
        )
        pdf_path, problem = None, f"{error}{older}"
    else:
        assert pdf_path is not None
        _put(pdf_path, made.data)
        pages, boxes = made.pages, made.boxes
    return Written(html_path, pdf_path, pages, boxes, problem, found, proof)


def write_shop_report(
    database: DatabaseSettings,
    out: Path,
    at: datetime,
    since: datetime | None = None,
    head: Letterhead | None = None,
    more: Sequence[ShopSection] = (),
) -> tuple[Path, Path | None, str]:
    """Write how the shop works, with `more` at its end, as an HTML file and a PDF; return both, and why there is no PDF
    if there is none.

    Raises DatabaseAway and CollectError, and ReportError if a file cannot be written.
    """
    html = shop_page(shop_contents(shop_statistics(database, since), at, more), at, head)
    named = out.suffix.lower() in (".html", ".htm", ".pdf") and not out.is_dir()
    path = out.with_suffix(".html") if named else out / "shop.html"
    _put(path, html.encode())
    try:
        made = pdf(html, "A4")
    except PaperError as error:
        return path, None, str(error)
    _put(path.with_suffix(".pdf"), made.data)
    return path, path.with_suffix(".pdf"), ""


def _place(out: Path, job_id: int, unit: str) -> Path:
    if out.suffix.lower() in (".html", ".htm", ".pdf") and not out.is_dir():
        return out if out.suffix.lower() != ".pdf" else out.with_suffix(".html")
    if out.exists() and not out.is_dir():
        raise ReportError(f"{out} is a file; give a folder, or a name that ends in .html or .pdf")
    serial = re.sub(r"[^A-Za-z0-9._-]+", "-", unit)[:40].strip(".-")
    return out / f"job-{job_id:05d}{f'-{serial}' if serial else ''}.html"


def _put(path: Path, data: bytes) -> None:
    """Write a whole file or none: a report half written must not lie where a whole one is expected."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            try:
                file.write(data)
                file.flush()
                os.fchmod(file.fileno(), 0o644)
                Path(file.name).replace(path)
            except BaseException:
                Path(file.name).unlink(missing_ok=True)
                raise
    except OSError as error:
        raise ReportError(f"cannot write {path}: {error.strerror}; give another place with --out") from error
