"""Photos on a report: each made as small as it is printed, in the page itself, by Pillow where that is there."""

from __future__ import annotations

import io
import warnings
from base64 import b64encode
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from capture.job.photo_files import photo_bytes
from capture.record import Job, Mismatch, PhotoSealed
from capture.unit.facts import PhotoKept

#: The longer side as embedded: 300 to the inch where it is printed 85 mm wide.
_LONGEST_PX: Final = 1000
_JPEG_QUALITY: Final = 85


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo as the address of an image that lies in the page itself, or why it is not shown."""

    address: str = ""
    missing: str = ""


def pictures_of(data_folder: Path, job: Job) -> dict[int, Picture]:
    """Return the photos of a job by the numbers of their entries. What the record does not hold is not shown."""
    found = {}
    for entry in job.facts:
        if isinstance(entry.fact, PhotoKept):
            try:
                data = photo_bytes(data_folder, PhotoSealed(entry.number, job.id, entry.fact))
                found[entry.number] = Picture(_embedded(data, entry.fact.form))
            except (Mismatch, PictureError) as error:
                found[entry.number] = Picture(missing=f"{error}")
    return found


class PictureError(Exception):
    """The bytes are those that were kept, and yet no picture."""


def _embedded(data: bytes, form: str) -> str:
    """Return a picture as a `data:` address: scaled, upright, without what the camera wrote beside it (place, owner).

    Without Pillow it is the photo as it was kept. Raises PictureError.
    """
    try:
        from PIL import Image, ImageOps
    except ImportError:
        return _address(data, form)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as picture:
                picture.draft("RGB", (_LONGEST_PX, _LONGEST_PX))
                upright = ImageOps.exif_transpose(picture).convert("RGBA")
        upright.thumbnail((_LONGEST_PX, _LONGEST_PX))
        paper = Image.new("RGB", upright.size, "white")
        paper.paste(upright, mask=upright)
        small = io.BytesIO()
        paper.save(small, "JPEG", quality=_JPEG_QUALITY)
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise PictureError(f"It is no picture that can be drawn: {error}") from error
    return _address(small.getvalue(), "jpeg")


def _address(data: bytes, form: str) -> str:
    return f"data:image/{form};base64,{b64encode(data).decode()}"
