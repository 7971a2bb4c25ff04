"""What the present way of measuring makes of a check that an earlier one measured: told beside the proof, never
instead of it. Lengths nm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from capture.clearance.verdict import VerdictWord
from capture.strokes.methods import METHOD
from drivers.units import format_length

#: What a verdict says in numbers, and how sure it is.
_NUMBERS = ("verdict", "mean_nm", "expanded_uncertainty_nm")


@dataclass(frozen=True, slots=True)
class MeasuredOtherwise:
    """A verdict that stands proven by its own method, and the present one's: None where that comes to none."""

    job: int
    pack: str
    check: int
    method: int
    kept: tuple[VerdictWord, int, int]
    """Word, mean and expanded uncertainty, as the record has them."""
    now: tuple[VerdictWord, int, int] | None

    @property
    def of_uncertainty(self) -> float | None:
        """By how much the present mean differs, as a share of the expanded uncertainty that was kept; None where there
        is no mean now."""
        return None if self.now is None else abs(self.now[1] - self.kept[1]) / max(self.kept[2], 1)

    def text(self) -> str:
        """Return it for people."""
        where = f"job {self.job}, pack {self.pack}, check {self.check}: {_shown(self.kept)} by method {self.method}"
        if self.now is None or self.of_uncertainty is None:
            return f"{where}; method {METHOD} comes to no verdict"
        more = self.now[1] - self.kept[1]
        by = f"{format_length(abs(more), 'mm')} {'more' if more >= 0 else 'less'}"
        return f"{where}; {_shown(self.now)} by method {METHOD}: {by}, {100 * self.of_uncertainty:.0f} % of its U"


def measured_otherwise(
    job: int, pack: str, check: int, method: int, kept: Mapping[str, Any], now: Mapping[str, Any] | None
) -> list[MeasuredOtherwise]:
    """Return what differs, if anything does, of a verdict as kept and as the present method gives it."""
    had = tuple(kept[name] for name in _NUMBERS)
    made = None if now is None else tuple(now[name] for name in _NUMBERS)
    return [] if had == made else [MeasuredOtherwise(job, pack, check, method, had, made)]


def _shown(judged: tuple[str, int, int]) -> str:
    word, mean_nm, expanded_nm = judged
    return f"{word} {format_length(mean_nm, 'mm')} +/- {format_length(expanded_nm, 'mm')}"
