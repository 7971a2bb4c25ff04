"""The one way out to a terminal or a pipe, where text is made harmless: what a unit, a technician, a sheet or a file is
called may hold anything, and a terminal obeys some of it. The live screens draw cells of their own instead, from text
that `plaintext.clean` made.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from rich.console import Console

#: Controls (a terminal's commands begin with one), what turns a line around or ends it, and halves of surrogate pairs,
#: which no output can encode.
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def _escaped(found: re.Match[str]) -> str:
    return f"\\u{ord(found[0]):04x}"


def harmless(text: str) -> str:
    r"""Return `text` with whatever a terminal would obey as its escape in JSON, such as \u001b: a person sees that it
    is there, and JSON means the same as before. Line ends and tabs stay."""
    return _OBEYED.sub(_escaped, text)


def write(text: str) -> None:
    """Write text as it is to standard output, and let it out at once."""
    sys.stdout.write(harmless(text))
    sys.stdout.flush()


def say(text: str = "") -> None:
    """Write a line to standard output; on a terminal too narrow for it, broken between words."""
    sys.stdout.write(in_whole_words(harmless(text)) + "\n")


def in_whole_words(text: str, stream: TextIO | None = None) -> str:
    """Return `text` with each line that its terminal is too narrow for broken at blanks, indented alike; standard
    output's where no `stream` is named."""
    if not (stream or sys.stdout).isatty():
        return text
    width = shutil.get_terminal_size().columns
    lines = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        broken = textwrap.wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
        # A word that is too long for a line of its own, such as a path, is the terminal's to break.
        fits = all(len(word) <= width for word in broken)
        lines += broken if len(line) > width and fits else [line]
    return "\n".join(lines)


def say_json(line: Mapping[str, Any]) -> None:
    """Write an object as one line of JSON to standard output."""
    sys.stdout.write(harmless(json.dumps(line, ensure_ascii=False)) + "\n")


def warn(text: str, *, error: bool = False) -> None:
    """Write a line to standard error; for the journal, at the priority of a warning or of an `error`."""
    # The priorities of syslog(3), as sd-daemon(3) has them at the beginning of a line.
    mark = ("<3>" if error else "<4>") if _to_journal() else ""
    whole = in_whole_words(harmless(text), sys.stderr)
    sys.stderr.write("".join(f"{mark}{line}\n" for line in whole.split("\n")))
    sys.stderr.flush()


def _to_journal() -> bool:
    """Return whether standard error is the journal's: systemd.exec(5), JOURNAL_STREAM."""
    stream = os.environ.get("JOURNAL_STREAM")
    if not stream:
        return False
    try:
        told = os.fstat(sys.stderr.fileno())
    except (OSError, ValueError):
        return False
    return stream == f"{told.st_dev}:{told.st_ino}"


def rewrite_line(text: str = "") -> None:
    """Put text in place of the terminal's present line, on standard error: how far something is."""
    sys.stderr.write(f"\r{harmless(text)}\x1b[K")
    sys.stderr.flush()


def harmless_console(*, highlight: bool = False) -> Console:
    """Return a console that prints tables and styled text to standard output, every text in them harmless."""
    made: Console = _console_class()(highlight=highlight, markup=False, emoji=False)
    return made


@cache
def _console_class() -> Any:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    class HarmlessConsole(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
            for segment in super().render(renderable, options):
                yield segment if segment.control else Segment(harmless(segment.text), segment.style)

    return HarmlessConsole
