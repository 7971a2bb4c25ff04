"""On which lines of a TOML text its keys stand: where a person looks when a value is wrong. tomllib does not say it.

The text is one that tomllib has read already: what it would refuse is not found out here again.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Final

#: A key's way from the top: names, and whole numbers for the places in lists.
Way = tuple[str | int, ...]

_TOKEN: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}|' + r"'''.*?'{3,5}|" + r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'"
    r"|#[^\n]*|[\[\]{}=,.\n]|[^\s\[\]{}=,.\"'#]+|[^\S\n]+",
    re.DOTALL,
)


class TomlLines:
    """The lines of each key, table and value in a list, counted from 1."""

    def __init__(self, text: str) -> None:
        self._spans: dict[Way, tuple[int, int]] = {}
        self._items: dict[Way, int] = {}
        """How many tables each list of tables has so far."""
        self._tokens = [one for one in _tokens(text) if not one[0].isspace() or one[0] == "\n"]
        self._at = 0
        self._document()

    def span(self, way: Sequence[str | int]) -> tuple[int, int] | None:
        """Return the first and the last line of what `way` leads to; of a table with a header, the header's."""
        return self._spans.get(tuple(way))

    def line(self, way: Sequence[str | int]) -> int | None:
        """Return the line on which to look for `way`: its own, else that of the nearest table or list around it."""
        for length in range(len(way), 0, -1):
            if (span := self.span(way[:length])) is not None:
                return span[0]
        return None

    def inside(self, way: Sequence[str | int]) -> list[Way]:
        """Return the ways that begin with `way`, in the order of the text."""
        return [one for one in self._spans if one[: len(way)] == tuple(way) and len(one) > len(way)]

    # -- the grammar, as far as it says where keys are -----------------------------------------------------

    def _take(self) -> tuple[str, int]:
        token = self._tokens[self._at]
        self._at += 1
        return token

    @property
    def _next(self) -> str:
        return self._tokens[self._at][0] if self._at < len(self._tokens) else ""

    def _document(self) -> None:
        table: Way = ()
        while self._next:
            if self._next == "[":
                table = self._header()
            elif self._next == "\n" or self._next.startswith("#"):
                self._take()
            else:
                self._key_and_value(table)

    def _header(self) -> Way:
        _, line = self._take()
        if is_list := self._next == "[":
            self._take()
        names = self._names("]")
        while self._next == "]":
            self._take()
        way: Way = ()
        for at, name in enumerate(names):
            way = (*way, name)
            if is_list and at == len(names) - 1:
                self._items[way] = self._items.get(way, 0) + 1
                self._spans.setdefault(way, (line, line))
            if way in self._items:
                way = (*way, self._items[way] - 1)
        self._spans[way] = line, line
        return way

    def _names(self, end: str) -> list[str]:
        names = []
        while self._next != end:
            token, _ = self._take()
            if token != ".":
                names.append(tomllib.loads(f"x = {token}")["x"] if token[0] in "\"'" else token)
        return names

    def _key_and_value(self, table: Way) -> None:
        line = self._tokens[self._at][1]
        way: Way = table
        for name in self._names("="):
            way = (*way, name)
            self._spans.setdefault(way, (line, line))
        self._take()
        last = self._value(way)
        self._spans[way] = line, last

    def _value(self, way: Way) -> int:
        """Pass over a value and return the line that it ends on."""
        if self._next in ("[", "{"):
            return self._list(way) if self._next == "[" else self._table(way)
        line = self._tokens[self._at - 1][1]
        while self._next not in ("", ",", "]", "}", "\n") and not self._next.startswith("#"):
            token, line = self._take()
            line += token.count("\n")
        return line

    def _list(self, way: Way) -> int:
        self._take()
        count = 0
        while self._next != "]":
            if self._next in (",", "\n") or self._next.startswith("#"):
                self._take()
                continue
            line = self._tokens[self._at][1]
            self._spans[(*way, count)] = line, line
            self._spans[(*way, count)] = line, self._value((*way, count))
            count += 1
        return self._take()[1]

    def _table(self, way: Way) -> int:
        self._take()
        while self._next != "}":
            if self._next in (",", "\n") or self._next.startswith("#"):
                self._take()
            else:
                self._key_and_value(way)
        return self._take()[1]


def _tokens(text: str) -> list[tuple[str, int]]:
    found, line = [], 1
    for match in _TOKEN.finditer(text.replace("\r\n", "\n")):
        found.append((match[0], line))
        line += match[0].count("\n")
    return found
