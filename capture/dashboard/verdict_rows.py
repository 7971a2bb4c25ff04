"""The verdict on the bench's screen: its word as large as there are rows, the mean beside it, the seal below. Pure."""

from __future__ import annotations

from capture.clearance.verdict import Verdict
from capture.dashboard.bench_words import mean_text, measuring
from capture.dashboard.view import BenchView
from capture.output.words import LEAKS, LOOKS, RECHECK, leak_word, number
from capture.plumbing.terminal.bigtext import big_number, big_word
from capture.plumbing.terminal.canvas import Ink, Row, fit, row_width, wrap


def verdict_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return the verdict as shape and word, large where it fits, and the mean in large figures beside it."""
    verdict = view.verdict
    if verdict is None:
        text = "no verdict yet" if measuring(view) else "no verdict"
        if 0 <= view.pack < len(view.packs) and view.packs[view.pack].recheck:
            text = f"{ink.pick(RECHECK.shape, RECHECK.ascii_shape)} re-check needed"
        blank: list[Row] = [[] for _ in range(rows)]
        blank[rows // 2] = [(text, "bold")]
        return blank
    look = LOOKS[verdict.verdict]
    shape = ink.pick(look.shape, look.ascii_shape)
    if measuring(view):
        return _so_far_rows(verdict, shape, width, rows, view, ink)
    large = big_word(verdict.verdict, look.dots, width, rows, ink)
    if large is None:
        spaced = " ".join(verdict.verdict.upper())
        label = f" {shape}  {spaced}  {shape} "
        if len(label) > width:
            label = f" {shape} {verdict.verdict.upper()} "
        band = label.center(width)
        return [[(band if y == rows // 2 else " " * width, f"{look.style} reverse")] for y in range(rows)]
    drawn: list[Row] = [[(large[y] if y < len(large) else "", look.style)] for y in range(rows)]
    used = max(row_width(row) for row in drawn)
    beside_word = [f"{shape} {verdict.verdict}", mean_text(view, ink)]
    beside = _large_mean(drawn, used, verdict, width, rows, view, ink)
    if beside is not None:
        return _with_caption(beside, used, beside_word[0], width, look.style)
    if width - used - 3 >= max(len(part) for part in beside_word):
        for y, part in enumerate(beside_word):
            drawn[y] = [*fit(drawn[y], used + 3), (part, "bold")]
        return drawn
    return [*drawn, [("   ".join(beside_word), "bold")]]


def leak_rows(view: BenchView, width: int, rows: int, ink: Ink) -> list[Row]:
    """Return that the seal leaks, as large as the verdict that it stands under; nothing while the check runs."""
    verdict = view.verdict
    if verdict is None or not verdict.seal or measuring(view):
        return []
    shape, word = ink.pick(LEAKS.shape, LEAKS.ascii_shape), leak_word(verdict)
    # Beside it, in plain letters, what leaks: that needs its room too.
    large = big_word(word, LEAKS.dots, max(1, width - 20), rows, ink) or big_word(word, LEAKS.dots, width, rows, ink)
    if large is None:
        label = f" {shape} THE SEAL {word.upper()} "
        return [
            [(label.center(width) if y == rows // 2 else " " * width, f"{LEAKS.style} reverse")] for y in range(rows)
        ]
    drawn: list[Row] = [[(large[y] if y < len(large) else "", LEAKS.style)] for y in range(rows)]
    used = max(row_width(row) for row in drawn)
    for y, text in enumerate(wrap(f"{shape} the seal {word}", max(1, width - used - 3), rows)):
        drawn[y] = [*fit(drawn[y], used + 3), (text, LEAKS.style)]
    return drawn


def _so_far_rows(verdict: Verdict, shape: str, width: int, rows: int, view: BenchView, ink: Ink) -> list[Row]:
    """Return the word a verdict would have now, in the letters of everything else: from afar it must pass for none."""
    words = [f"{shape} {verdict.verdict} so far", "no verdict yet"]
    drawn: list[Row] = [[] for _ in range(rows)]
    if rows < 3:
        drawn[rows // 2] = [(words[0], "bold"), (f"   {mean_text(view, ink)}", "bold")]
        return drawn
    for y, text in enumerate(words):
        drawn[y] = [(text, "bold" if y == 0 else "")]
    used = max(len(text) for text in words)
    beside = _large_mean(drawn, used, verdict, width, rows, view, ink)
    if beside is None:
        drawn[2] = [(mean_text(view, ink), "bold")]
    return beside or drawn


def _large_mean(
    drawn: list[Row], used: int, verdict: Verdict, width: int, rows: int, view: BenchView, ink: Ink
) -> list[Row] | None:
    """Return the rows with the mean in large figures beside what they hold, None where it does not fit."""
    mean = number(verdict.mean_nm, view.display_unit)
    spread = number(verdict.expanded_uncertainty_nm, view.display_unit)
    for figures in (f"{mean} ± {spread}", mean):
        big = big_number(figures, figures, width - used - 6, rows, ink)
        if big is not None and len(big) >= min(rows, 3):
            wide: list[Row] = []
            for y in range(rows):
                part = big[y] if y < len(big) else ""
                unit = f" {view.display_unit}" if y == 0 else ""
                wide.append([*fit(drawn[y], used + 3), (part, "bold"), (unit, "bold")])
            return wide
    return None


def _with_caption(drawn: list[Row], used: int, caption: str, width: int, style: str) -> list[Row]:
    """Return the rows with the verdict in plain letters at the far end, where that stays free."""
    free = width - max(row_width(row) for row in drawn)
    if free >= len(caption) + 2:
        drawn[-1] = [*fit(drawn[-1], width - len(caption)), (caption, style)]
    return drawn
