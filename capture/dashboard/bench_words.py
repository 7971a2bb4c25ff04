"""What the bench's screen and its page say of the reading, the strokes and the mean, in words and figures. Pure."""

from __future__ import annotations

from capture.dashboard.view import BenchView
from capture.output.words import number
from capture.plumbing.terminal.canvas import Ink
from drivers.units import format_length

_MOVING = {
    "rest": "at rest",
    "moving": "moving",
    "applied": "applied",
    "returning": "returning",
    "unknown": "rest not known yet",
}

#: What a person should know of the readings before what the pack does.
_NOTICES = {
    "air_on": "is the air on? release it",
    "air_was_on": "was the air on when the check began?",
    "moved": "indicator moved: new rest",
    "unseen": "a stroke was too short to see",
    "shakes": "it shakes",
    "same": "no further than a rest: sent twice?",
    "damaged": "it came damaged: send it again",
    "not_sent": "nothing was sent while the air was on",
}

#: What the newest value of an indicator that sends at a press was, or of one that is typed.
_SENT = {"rest": "sent at rest", "applied": "sent while applied", "unknown": "nothing sent yet"}

_TYPED = {"rest": "typed at rest", "applied": "typed while applied", "unknown": "nothing typed yet"}


def measuring(view: BenchView) -> bool:
    """Say whether the pack on the screen is being measured."""
    return 0 <= view.pack < len(view.packs) and view.packs[view.pack].state == "measuring"


def mean_text(view: BenchView, ink: Ink) -> str:
    """Return the mean with its expanded uncertainty and coverage."""
    verdict = view.verdict
    if verdict is None:
        return "no mean yet"
    mean, unit = number(verdict.mean_nm, view.display_unit), view.display_unit
    return ink.text(f"{mean} ± {number(verdict.expanded_uncertainty_nm, unit)} {unit} ({verdict.coverage:.0%})")


def reading_figures(view: BenchView) -> str:
    """Return the reading's figures; dashes where the link is not up, since an old reading misleads."""
    places = reading_places(view)
    if view.reading_nm is None or view.indicator != "up":
        return f"-.{'-' * places}" if places else "-"
    return format_length(view.reading_nm, view.display_unit, places).removesuffix(f" {view.display_unit}")


def reading_places(view: BenchView) -> int:
    """As many decimals as the instrument itself shows, else the usual ones."""
    return view.reading_places if view.reading_places is not None else 4 if view.display_unit == "in" else 3


def travel_figures(view: BenchView) -> str:
    """Return the travel's figures, as `_reading` does the reading's."""
    if view.offset_nm is None or view.indicator != "up":
        return "-.----" if view.display_unit == "in" else "-.---"
    return number(view.offset_nm, view.display_unit)


def moves(view: BenchView) -> str:
    """Return what the pack does as far as readings tell, or why none do."""
    if view.indicator != "up":
        return f"indicator {view.indicator}"
    if view.silence:
        return "no readings"
    if view.notices:
        return _NOTICES[view.notices[0]]
    words = _TYPED if view.entry is not None else _SENT if view.at_press else _MOVING
    return words.get(view.moving, view.moving)


def progress_text(view: BenchView) -> str:
    """Return how many strokes count and seat."""
    done = sum(shown.counts for shown in view.strokes)
    seated = sum(shown.seat for shown in view.strokes)
    if 0 <= view.pack < len(view.packs) and view.packs[view.pack].recheck:
        return f"{done} counted in the check before"
    progress = f"{done} of {view.strokes_wanted} count" if view.strokes_wanted else f"{done} count"
    return f"{progress}, seat {seated} of {view.seat_wanted}" if view.seat_wanted else progress
