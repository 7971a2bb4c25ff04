"""The shop's own name and mark at the head of what it hands out."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from pathlib import Path
from typing import Final

#: How files of each form begin: PNG (ISO/IEC 15948, 5.2), JPEG (ISO/IEC 10918-1, marker SOI).
_FORMS: Final = {"image/png": b"\x89PNG\r\n\x1a\n", "image/jpeg": b"\xff\xd8\xff"}
_LARGEST: Final = 1_000_000


class LetterheadError(Exception):
    """The logo cannot be used; the text names the file and what is expected."""


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The shop's name, and its logo as the address of an image that lies in the page itself; both may be empty."""

    name: str = ""
    logo: str = ""


def letterhead(name: str, logo: Path | None) -> Letterhead:
    """Return the head of a shop of that name with the logo in that file. Raises LetterheadError."""
    if logo is None:
        return Letterhead(name)
    try:
        with logo.open("rb") as file:
            data = file.read(_LARGEST + 1)
    except OSError as error:
        raise LetterheadError(f"shop.logo: cannot read {logo}: {error.strerror}") from error
    form = next((form for form, start in _FORMS.items() if data.startswith(start)), None)
    if form is None:
        raise LetterheadError(f"shop.logo: {logo} is neither a PNG nor a JPEG picture")
    if len(data) > _LARGEST:
        raise LetterheadError(f"shop.logo: {logo} has more than {_LARGEST:,} bytes; give a smaller picture")
    return Letterhead(name, f"data:{form};base64,{b64encode(data).decode()}")
