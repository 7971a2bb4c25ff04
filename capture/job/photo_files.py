"""Photos as files of a data folder: taken in by what they are, kept under the hash of their bytes, read back only as
the bytes that the record holds. What is in the picture is not known here.
"""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path
from typing import Final, Literal

from capture.plumbing.durable import sync_folder, written
from capture.plumbing.plaintext import clean
from capture.record import Mismatch, PhotoSealed
from capture.unit.facts import PhotoKept

#: The largest photo that is taken, bytes: what cameras of telephones make, and no film.
LARGEST_PHOTO: Final = 10_000_000
#: Where in a data folder one lies that comes from a page, until the bench has taken it.
COMING: Final = "photo-coming"
#: How files of each form begin: JPEG (ISO/IEC 10918-1, marker SOI and the next marker), PNG (ISO/IEC 15948, 5.2).
_BEGINS: Final[dict[Literal["jpeg", "png"], bytes]] = {"jpeg": b"\xff\xd8\xff", "png": b"\x89PNG\r\n\x1a\n"}


class PhotoError(Exception):
    """A file is not taken as a photo; the text names it and says what is expected."""


def read_photo(file: Path, by: str, pack: str | None, name: str = "") -> tuple[PhotoKept, bytes]:
    """Return the photo in `file` as a fact, and its bytes; `name` is what it was called where it came from, if it was
    called otherwise there. Raises PhotoError."""
    called = name or file
    try:
        # A pipe would never end, and opening one would wait for whoever writes it.
        descriptor = os.open(file, os.O_RDONLY | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as opened:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise PhotoError(f"{called} is no plain file; give a photo")
            data = opened.read(LARGEST_PHOTO + 1)
    except OSError as error:
        raise PhotoError(f"cannot read the photo {called}: {error.strerror}") from error
    form = next((form for form, begins in _BEGINS.items() if data.startswith(begins)), None)
    if form is None:
        raise PhotoError(
            f"{called} is neither a JPEG nor a PNG picture by its first bytes; save the photo as one of them"
        )
    if len(data) > LARGEST_PHOTO:
        raise PhotoError(f"{called} has more than {LARGEST_PHOTO / 1e6:.0f} MB; take or save a smaller photo")
    return PhotoKept(hashlib.sha256(data).hexdigest(), len(data), form, clean(name or file.name), by, pack), data


def keep_photo(data_folder: Path, photo: PhotoKept, data: bytes) -> None:
    """Put the bytes of a photo where the record's entry will say they are, whole and on the disk. Raises PhotoError."""
    place = data_folder / photo.path
    try:
        if not place.parent.is_dir():
            place.parent.mkdir()
            sync_folder(data_folder)
        with written(place) as file:
            file.write(data)
    except OSError as error:
        raise PhotoError(f"cannot keep the photo as {place}: {error.strerror}; is there room?") from error


def photo_bytes(data_folder: Path, sealed: PhotoSealed) -> bytes:
    """Return the bytes of a photo, which are those that the record holds. Raises Mismatch, which names the file."""
    fact, place = sealed.fact, data_folder / sealed.fact.path
    what = f"the photo {place}"
    try:
        with place.open("rb") as file:
            data = file.read(LARGEST_PHOTO + 1)
    except OSError as error:
        raise Mismatch(
            what, entry=sealed.entry, job=sealed.job, expected="a file that can be read", found=f"{error.strerror}"
        ) from error
    found = hashlib.sha256(data).hexdigest()
    for name, expected, there in (
        ("size in bytes", fact.size_bytes, len(data)),
        ("SHA-256", fact.sha256, found),
    ):
        if expected != there:
            raise Mismatch(f"the {name} of {what}", entry=sealed.entry, job=sealed.job, expected=expected, found=there)
    return data
