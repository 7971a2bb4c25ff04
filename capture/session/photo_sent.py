"""A photo that a page sent: into the record, by the name of whoever sent it. What it came in is gone either way."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

from capture.bench.bench import Bench
from capture.job.photo_files import COMING, PhotoError, keep_photo, read_photo
from capture.job.unit_on_record import FactRefused
from capture.record import RecordError
from capture.session.faces.messages import PhotoSent


async def keep_sent(bench: Bench, sent: PhotoSent) -> str:
    """Keep the photo that lies in the data folder as a fact of the bench's job; return what came of it, in words."""
    folder, unit = bench.setup.data_dir, bench.unit
    coming = folder / COMING
    try:
        if unit is None:
            return "Nothing was measured of this unit yet, so a photo has no job: begin with a check."
        fact, data = await asyncio.to_thread(read_photo, coming, sent.by.strip(), sent.pack, sent.name or COMING)
        # What is refused leaves no file behind; what is written has its file first.
        if why := unit.against(fact, datetime.now(UTC)):
            raise FactRefused(why)
        known = await asyncio.to_thread((folder / fact.path).exists)
        await asyncio.to_thread(keep_photo, folder, fact, data)
        try:
            (written,) = await bench.write([fact])
        except (FactRefused, RecordError):
            if not known:
                await asyncio.to_thread((folder / fact.path).unlink)
            raise
    except PhotoError as error:
        return f"{error}. No photo was kept."
    except (FactRefused, RecordError) as error:
        return f"{error} No photo was kept."
    finally:
        await asyncio.to_thread(coming.unlink, missing_ok=True)
    return f"{written.text[0].upper()}{written.text[1:]}."
