"""What a page in a browser draws of a bench: every text as it stands on the screen, and a button for every key. Pure.

The bench itself has fields of its own, so that a page can make them as large as it likes; any other screen crosses row
by row, as it is drawn on a terminal.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

from capture.dashboard.bench_words import (
    mean_text,
    measuring,
    moves,
    progress_text,
    reading_figures,
    travel_figures,
)
from capture.dashboard.head_and_foot import air_text, link_text
from capture.dashboard.showing import Showing, draw
from capture.dashboard.view import BenchView
from capture.output.words import (
    CAUTION_LINE,
    LEAKS,
    LOOKS,
    RECHECK,
    counted,
    flag_words,
    leak_word,
    number,
    travel_nm,
    unstated_words,
)
from capture.plumbing.plaintext import clean
from capture.plumbing.terminal.canvas import Ink

_INK: Final = Ink(False)
_COLUMNS, _ROWS = 76, 70
#: Where the window is higher than wide, fewer and larger letters in a line.
_UPRIGHT_COLUMNS: Final = 60
_POINTS: Final = 300
#: Keys as a bottom line names them, and as a keyboard does.
_NAMED: Final = {"Enter": "\r", "Escape": "escape", "Tab": "tab"}


def page_form(shown: Showing) -> dict[str, Any]:
    """Return what a page draws, for JSON. Every text is clean."""
    view = shown.view
    told: dict[str, Any] = {
        "screen": shown.screen,
        "bench": view.bench,
        "unit": view.unit_serial,
        "technician": view.technician,
        "fitted": view.fitted,
        "looking": view.looking.split("  k ")[0].strip(),
        "urgent": [
            {"label": label, "text": text}
            for label, text in (
                ("CAUTION", view.caution),
                ("KEYS", view.asked),
                ("SURE?", view.question.text if view.question is not None else ""),
                ("WARNING", view.warning),
            )
            if text
        ],
        "form": _form(shown),
    }
    if shown.screen in ("bench", "notes") and view.job and not view.signed_off and not view.looking:
        about = view.packs[view.pack].name if 0 <= view.pack < len(view.packs) else ""
        told["photo"] = {"packs": [one.name for one in view.packs], "about": about}
    frame = draw(replace(shown, page=replace(shown.page, form=None)), _COLUMNS * 8, _ROWS, False)
    told["buttons"] = [] if view.looking else list(_buttons(view, frame.text.splitlines()[-1], shown))
    if shown.screen == "bench":
        told |= _bench(view)
    else:
        for name, columns in (("rows", _COLUMNS), ("upright_rows", _UPRIGHT_COLUMNS)):
            narrow = draw(replace(shown, page=replace(shown.page, form=None)), columns, _ROWS, False)
            told[name] = _rows(narrow.text.splitlines()[0 if shown.screen == "cautions" else 1 :], shown)
    return {name: _cleaned(one) for name, one in told.items()}


def _cleaned(told: Any) -> Any:
    if isinstance(told, str):
        return clean(told)
    if isinstance(told, dict):
        return {key: one if key == "key" else _cleaned(one) for key, one in told.items()}
    return [_cleaned(one) for one in told] if isinstance(told, list | tuple) else told


def _form(shown: Showing) -> dict[str, Any] | None:
    form = shown.page.form
    if form is None:
        return None
    fields = [{"label": one.label, "value": one.value, "hint": one.hint} for one in form.fields]
    return {
        "title": form.title,
        "said": list(form.said),
        "does": form.does or "goes on",
        "problem": form.problem,
        "fields": fields,
        "at": form.at,
    }


def _rows(lines: list[str], shown: Showing) -> list[str]:
    """The rows of a screen without its bottom line, which are buttons, and never two empty ones together."""
    lines = [line.rstrip() for line in (lines if shown.screen == "cautions" else lines[:-1])]
    return [line for i, line in enumerate(lines) if line or (i and lines[i - 1])]


def _buttons(view: BenchView, keys: str, shown: Showing) -> Iterator[dict[str, Any]]:
    if view.question is not None:
        yield {"key": view.question.key, "label": f"{view.question.key}: yes, that is meant"}
        yield {"key": "escape", "label": "No, go on"}
        return
    if view.asked:
        yield {"key": "k", "label": "Give the keys"}
        yield {"key": "escape", "label": "Keep the keys"}
    if shown.screen == "cautions":
        yield {"key": " ", "label": "This is so"}
        return
    if shown.screen in ("budget", "keys"):
        yield {"key": "escape", "label": "Back"}
        return
    for part in re.split(r"\s{3,}", keys.strip()):
        key, _, label = part.partition(" ")
        if several := re.fullmatch(r"1-(\d)", key):
            for index in range(int(several[1])):
                named = view.packs[index].name if label.startswith("pack") and index < len(view.packs) else label
                yield {"key": str(index + 1), "label": f"{index + 1} {named.removesuffix('or arrows')}".strip()}
        elif part.startswith("arrows"):
            yield {"key": "up", "label": "▲"}
            yield {"key": "down", "label": "▼"}
        elif key == "a" and not label.startswith("air off"):
            continue  # the air is armed by a hand at the bench, never by a page
        elif key in _NAMED or len(key) == 1:
            yield {"key": _NAMED.get(key, key), "label": label, "alarm": key == "a"}


def _bench(view: BenchView) -> dict[str, Any]:
    verdict, unit = view.verdict, view.display_unit
    unstated = "" if measuring(view) else unstated_words(verdict)
    told: dict[str, Any] = {
        "mean": mean_text(view, _INK) if verdict is not None else "",
        "leaks": f"{LEAKS.shape} the seal {leak_word(verdict)}" if verdict is not None and verdict.seal else "",
        "pack": view.packs[view.pack].name if 0 <= view.pack < len(view.packs) else "",
        "progress": progress_text(view) if view.strokes_wanted else "",
        "range": f"{number(view.low_nm, unit)} to {number(view.high_nm, unit)} {unit}" if view.strokes_wanted else "",
        "air": view.air,
        "reading": f"{reading_figures(view)} {unit}",
        "travel": f"{travel_figures(view)} {unit}",
        "moves": moves(view),
        "next": view.next_step,
        "then": view.then,
        "said": view.said,
        "notes": [text for text in (view.left_out, view.outcome, view.doubt, unstated) if text],
        "advice": [*view.advice, CAUTION_LINE] if view.advice else [],
        "fixture": air_text(view) if view.fixture != "off" else "",
        "links": link_text(view, _INK),
        "packs": [_pack(view, index) for index in range(len(view.packs))],
        "strokes": [
            {
                "n": one.stroke.n,
                "travel": f"{number(travel_nm(one.stroke, view.measure), unit)} {unit}",
                "says": f"{counted(one)} {flag_words(one.stroke.flags)}".strip(),
            }
            for one in view.strokes
        ],
        "trace": _trace(view),
    }
    if verdict is not None:
        look = LOOKS[verdict.verdict]
        far = measuring(view)
        told["verdict"] = {"word": verdict.verdict, "shape": look.shape, "so_far": far}
    return told


def _pack(view: BenchView, index: int) -> dict[str, Any]:
    pack = view.packs[index]
    shape, says = "··", str(pack.state)
    if pack.recheck:
        shape, says = RECHECK.shape, "re-check needed"
    elif pack.verdict is not None:
        shape = LOOKS[pack.verdict.verdict].shape
        says = pack.verdict.verdict + (" so far" if pack.state == "measuring" else "")
    return {"name": pack.name, "shape": shape, "says": says, "here": index == view.pack}


def _trace(view: BenchView) -> dict[str, Any] | None:
    """The last ten seconds as parts of a window: across from the oldest, up from the rest, and where the range lies."""
    if view.silence or not view.trace:
        return None
    newest = view.trace[-1][0]
    recent = [point for point in view.trace if newest - point[0] < 10_000_000_000]
    top = max(1, round(view.high_nm * 1.15), *(offset for _, offset in recent))
    step = max(1, len(recent) // _POINTS)
    return {
        "points": [
            [round(1 - (newest - t_ns) / 10e9, 4), round(offset / top, 4)] for t_ns, offset in recent[::-step][::-1]
        ],
        "low": round(view.low_nm / top, 4),
        "high": round(view.high_nm / top, 4),
    }
