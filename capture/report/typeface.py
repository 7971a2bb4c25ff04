"""The type of a report: one family, cut down to the letters of a page and carried in it, so that the page looks the
same whatever fonts a machine has. Its licence (the family's `LICENSE`) lets documents carry it."""

from __future__ import annotations

import base64
import io
from html import unescape
from importlib.resources import as_file, files
from string import printable
from typing import Any

#: Where the page's style sheet takes the faces in. No text of a record can say it: a page's text has no bare "<".
FACES = "<faces>"
#: What the style sheet and the drawings call the family; a letter that it lacks comes from the machine's fonts.
FAMILY = "'Report type', sans-serif"

#: What stands before an item of a list; the page's text does not hold it.
_BULLET = "\N{BULLET}"
_WEIGHTS = {"normal": 400, "bold": 700}
_FEATURES = ["kern", "liga", "mark", "mkmk", "ccmp", "locl"]


def faces(html: str) -> str:
    """Return the CSS that carries the family in both weights, for every letter of the page and page numbers."""
    text = unescape(html)
    letters = frozenset(printable + _BULLET + text + text.upper())
    return "".join(
        f"@font-face {{ font-family: 'Report type'; font-weight: {name}; "
        f"src: url(data:font/woff2;base64,{base64.b64encode(_cut(letters, weight)).decode()}) format('woff2'); }}\n"
        for name, weight in _WEIGHTS.items()
    )


def _cut(letters: frozenset[str], weight: int) -> bytes:
    """The family at one weight with these letters alone, as WOFF 2; the same letters give the same bytes."""
    from fontTools import subset
    from fontTools.ttLib import TTFont
    from fontTools.varLib import instancer

    with as_file(files("fontpkg_arimo") / "files" / "Arimo[wght].ttf") as path:
        font: Any = TTFont(path, recalcTimestamp=False)
        subsetter = subset.Subsetter(subset.Options(layout_features=_FEATURES, notdef_outline=True))
        subsetter.populate(text="".join(sorted(letters)))
        subsetter.subset(font)
        instancer.instantiateVariableFont(font, {"wght": weight}, inplace=True)
        font.flavor = "woff2"
        data = io.BytesIO()
        font.save(data)
    return data.getvalue()
