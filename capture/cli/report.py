"""The command that prints a job: `report`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from capture.cli.extras import need
from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail, record_path
from capture.plumbing.outward import say, say_json, warn

#: The HTML was written and the PDF could not be: something must be installed first.
_NO_PDF = 3


def report(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR|FILE", help="A folder, or a file's name ending in .html or .pdf.")
    ] = Path(),
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Write a job's report as one HTML file and a PDF, with every stroke drawn from its recording.

    The record is proven first, and the report says whether it was. Exit code 0 if both files were written, with 3 if
    only the HTML could be, with 1 if neither. Changes nothing in the record.
    """
    need("paper")
    from capture.config import load_config
    from capture.plumbing.plaintext import clean
    from capture.report import ReportError, write_report
    from capture.report.letterhead import LetterheadError, letterhead

    with errors_in_words():
        try:
            shop = load_config(config).shop
            head = letterhead(shop.name, shop.logo)
            written = write_report(record_path(config, data_dir), job, out, head)
        except (ReportError, LetterheadError) as error:
            fail(clean(str(error)))
    mismatch = written.proof.mismatch
    if not written.contents.proven:
        why = str(mismatch) if mismatch is not None else written.contents.proof[0]
        warn(f"strokelog: the record was NOT PROVEN, and the report says so at its top: {clean(why)}")
    if written.boxes:
        warn(
            f"strokelog: no installed font has {clean(written.boxes[:40])}; the PDF has boxes there, not the "
            "HTML. On Debian: apt-get install fonts-noto-cjk (Chinese, Japanese, Korean) or fonts-noto-core (others)"
        )
    if as_json:
        say_json(
            {
                "type": "report",
                "job": job,
                "html": str(written.html),
                "pdf": None if written.pdf is None else str(written.pdf),
                "pages": written.pages or None,
                "boxes": written.boxes,
                "proven": written.contents.proven,
                "head": written.contents.head,
            }
        )
    else:
        say(f"Report of job {job}: {written.html}")
        if written.pdf is not None:
            say(f"On paper, {written.pages} {'page' if written.pages == 1 else 'pages'}: {written.pdf}")
    if written.pdf is None:
        fail(f"only the HTML was written: {written.pdf_problem}", _NO_PDF)
