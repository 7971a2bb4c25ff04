"""The screen that tells the keys that act at the bench now, what each does, and whose unit this is, whole. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from capture.dashboard.bench_words import measuring, moves, progress_text, reading_figures, travel_figures
from capture.dashboard.head_and_foot import header, key_words, keys_row, said, urgent_rows
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Frame, Ink, Row, wrap

#: What a key does, by how the bottom line begins to name it; the longest that fits is meant.
_DOES = {
    "a air off": "shuts the air off at once; it has to be armed anew",
    "a arm": "lets the fixture's button apply air; everybody's hands clear first",
    "Enter": "measures this pack anew: it is not good yet",
    "Enter new job": "begins another job of this unit with its first pack",
    "Enter next pack": "measures the next pack that is not good yet",
    "Enter next unit": "goes on with the next unit: scan or type its serial",
    "Enter what is fitted": "asks which variant is fitted, before anything is judged",
    "r again": "measures this pack anew",
    "r start over": "ends this check and begins anew; its strokes stay in the record",
    "o": "says that no air was on as the check began: its rest holds",
    "c": "parts: what is advised, what was done, what else may be changed",
    "s": "steps of the sheet, and what is measured by hand: do and sign them",
    "u": "sign-off: what is still open, and the signature",
    "l": "leaves a stroke out of the mean, with a reason; it stays in the record",
    "q": "ends the session; asks first where something would be lost",
    "n": "another unit, or one that was left unfinished",
    "1": "measures that pack of the list",
    "w": "a note to the unit, a pack or a stroke",
    "g": "checks the gauge against a master",
    "y": "the next item of the study of repeatability",
    "e": "what the uncertainty is made of, line by line",
    "b": "what is heard of strokes and verdicts: sound, speech or nothing",
}
_TWO_STROKES = (
    "Two strokes hardly tell how far strokes scatter, so their uncertainty is wide. It shrinks much with the third, "
    "though nothing changed in the pack."
)


def keys_screen(view: BenchView, width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the screen."""
    ink = Ink(ascii_only)
    width, height = max(1, width), max(1, height)
    whose = [("bench", view.bench), ("unit", view.unit_serial), ("job", view.job), ("technician", view.technician)]
    rows: list[Row] = [header(view, width, ink)]
    rows += said("WHOSE", ", ".join(f"{name} {value}" for name, value in whose if value), width, 4, "", ink)
    rows += said("SHEET", ", fitted: ".join(filter(None, (view.sheet_name, view.fitted))), width, 3, "", ink)
    rows.append([])
    for key, does in told_keys(view.keys):
        head = f" {key:<7}"
        lines = wrap(ink.text(does), max(1, width - len(head) - 1), 2)
        rows += [[(head if n == 0 else " " * len(head), "bold"), (line, "")] for n, line in enumerate(lines)]
    foot = urgent_rows(view, width, height >= 30, ink)
    foot += said("NOW", _now(view), width, 2, "bold", ink)
    if measuring(view) and view.verdict is not None and view.verdict.strokes == 2:
        foot += said("MIND", _TWO_STROKES, width, 3, "", ink)
    foot.append(keys_row(view, "any key: back; a scan acts as it always does", width, ink))
    rows = rows[: max(0, height - len(foot))]
    filler: list[Row] = [[] for _ in range(height - len(foot) - len(rows))]
    return Frame([*rows, *filler, *foot][-height:], width, height)


def told_keys(keys: str) -> Iterator[tuple[str, str]]:
    """Yield each key of a bottom line, and what it does."""
    for words in key_words(keys):
        key, _, label = words.partition(" ")
        known = max((one for one in _DOES if words.startswith(one)), key=len, default="")
        if key != "?":
            yield key, _DOES.get(known, label)


def _now(view: BenchView) -> str:
    """What goes on behind this screen."""
    pack = f"{view.packs[view.pack].name}, {progress_text(view)}; " if 0 <= view.pack < len(view.packs) else ""
    return f"{pack}reading {reading_figures(view)}, travel {travel_figures(view)} {view.display_unit}, {moves(view)}"
