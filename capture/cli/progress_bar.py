"""How far something is that takes long: a bar on standard error where that is a terminal, and when it will be done."""

from __future__ import annotations

import sys
from time import monotonic
from typing import Final

from capture.plumbing.outward import rewrite_line


class ProgressBar:
    """Shown in place of the terminal's present line, and gone at the end."""

    _CELLS: Final = 30
    _PAUSE_S: Final = 0.1

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._began = self._next = monotonic()

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        """Take it away, for good: something else is to be printed."""
        if self._shown:
            rewrite_line()
        self._shown = False

    def show(self, part: float, what: str) -> None:
        """Show which part is done and `what` that is, but no oftener than can be seen."""
        now = monotonic()
        if not self._shown or now < self._next:
            return
        self._next = now + self._PAUSE_S
        left_s = round((now - self._began) * (1 - part) / part) if part else 0
        cells = round(part * self._CELLS)
        rewrite_line(
            f"{'#' * cells}{'.' * (self._CELLS - cells)} {part:4.0%}  {what}  {left_s // 60}:{left_s % 60:02d} left"
        )
