"""The command that keeps a photo: `unit photo`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from capture.cli.options import ConfigFile, DataDir, Json, fail, record_path
from capture.cli.signoff import By, JobNumber, add_fact, named_pack, person, unit_of


def photo(
    job: JobNumber,
    file: Annotated[Path, typer.Argument(help="The photo: a JPEG or PNG picture of at most 10 MB.", metavar="FILE")],
    by: By,
    pack: Annotated[str | None, typer.Option("--pack", help="The pack that it shows; else the unit.")] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Keep a photo of a job's unit or of a pack, by name. It decides nothing, and stands on the report.

    It is copied into the data folder under its SHA-256, which stands in the chain: `record verify` proves it.
    """
    from capture.job.photo_files import PhotoError, keep_photo, read_photo
    from capture.job.unit_on_record import FactRefused

    with unit_of(job, config, data_dir) as unit:
        try:
            fact, data = read_photo(file, person(unit, by), None if pack is None else named_pack(unit, pack))
            # What is refused leaves no file behind; what is written has its file first.
            if why := unit.against(fact, datetime.now(UTC)):
                raise FactRefused(why)
            keep_photo(record_path(config, data_dir).parent, fact, data)
        except PhotoError as error:
            fail(f"{error}. Nothing was written")
        add_fact(unit, fact, as_json)
