"""Text from outside made harmless: one line, with nothing in it that a terminal obeys. Pure; no colours, no layout."""

from __future__ import annotations

import unicodedata

# Controls, formatting (bidirectional overrides, joiners), surrogates, private use and line separators: what can
# move a cursor, reorder a line or be measured differently by the terminal and by us.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_ASCII = str.maketrans({"±": "+/-", "µ": "u", "μ": "u", "–": "-", "—": "-", "…": "..", "→": "->", "·": "-", "’": "'"})


def clean(text: str, ascii_only: bool = False) -> str:
    """Return `text` as one harmless line: whitespace to blanks, everything a terminal could obey removed."""
    kept = []
    for character in unicodedata.normalize("NFC", text):
        if character in "\t\n\r\v\f":
            kept.append(" ")
        elif unicodedata.category(character) not in _UNSAFE and not "\ufe00" <= character <= "\ufe0f":
            kept.append(character)
    result = "".join(kept)
    if not ascii_only or result.isascii():
        return result
    spelled = unicodedata.normalize("NFKD", result.translate(_ASCII))
    return "".join(c if c.isascii() else "?" for c in spelled if not unicodedata.combining(c))
