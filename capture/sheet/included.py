"""Lists of parts that several build sheets share: an adjuster's `include = "rings.toml"` stands for that file's keys.

The keys are written into the sheet's own text, so that a record keeps the sheet whole, as it held on that day.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from capture.plumbing.checked_file import FileKind, Place
from capture.plumbing.toml_lines import TomlLines, Way
from capture.plumbing.wrong_keys import place_words

_KEY = "include"


@dataclass(frozen=True, slots=True)
class WholeText:
    """The text of a sheet with what it includes, and where each of its lines stands."""

    where: str
    text: str
    origins: tuple[tuple[str, int], ...]
    """File and line of each line, in order."""

    def place(self) -> Place:
        """Return what names the place of a key: "forwarder.toml, line 14"."""

        def place(way: Sequence[str | int]) -> str:
            line = TomlLines(self.text).line(way)
            if line is None:
                return self.where
            return "{}, line {}".format(*self.origins[line - 1])

        return place


def whole_text(text: str, path: Path, sheets: FileKind) -> WholeText:
    """Return the text of the sheet at `path` with the keys of every included file in place of its `include`.

    A key that the adjuster has itself wins. Raises what `sheets` raises.
    """
    raw, where = sheets.table(text, path), str(path)
    text = text.replace("\r\n", "\n")
    lines = TomlLines(text)
    written = [(line, (where, at)) for at, line in enumerate(text.split("\n"), 1)]
    ways = [way for way in lines.inside(("packs",)) if way[-1] == _KEY and way[-3:-2] == ("adjusters",)]
    for way in reversed(ways):
        span = lines.span(way)
        assert span is not None  # it was found there
        first, last = span
        said = f"{where}, line {first}: {place_words(raw, way)}"
        table: Any = raw
        for part in way[:-1]:
            table = table[part]
        if not written[first - 1][0].strip().startswith((_KEY, f'"{_KEY}"')):
            raise sheets.raised(f"{said}: stands among other keys; expected a line of its own")
        if not isinstance(table[_KEY], str):
            raise sheets.raised(f"{said}: {table[_KEY]!r}: expected the name of a file beside the sheet")
        own = set(table) - {_KEY}
        written[first - 1 : last] = _included(path.parent / table[_KEY], own, said, sheets)
    return WholeText(where, "\n".join(line for line, _ in written), tuple(origin for _, origin in written))


def _included(path: Path, own: set[str], said: str, sheets: FileKind) -> list[tuple[str, tuple[str, int]]]:
    parts = FileKind("list of parts", sheets.raised)
    try:
        text = parts.text(path)
    except sheets.raised as error:
        raise sheets.raised(f"{said}: {error}") from error
    raw = parts.table(text, path)
    text = text.replace("\r\n", "\n")
    lines, each = TomlLines(text), text.split("\n")
    written = [(f"# from {path.name}:", (str(path), 1))]
    for key in raw:
        way: Way = (key,)
        first, last = lines.span(way) or (1, 0)
        if each[first - 1].lstrip().startswith("["):
            raise sheets.raised(
                f"{path}, line {first}: {key}: expected the keys of one adjuster alone, without a table, such as kind, "
                "part, choices, thicker"
            )
        if key == _KEY:
            raise sheets.raised(f"{path}, line {first}: {key}: a list of parts includes no other")
        if key not in own:
            written += [(each[at - 1], (str(path), at)) for at in range(first, last + 1)]
    return written
