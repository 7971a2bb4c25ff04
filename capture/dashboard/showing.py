"""What one bench shows at one moment, whole and as plain data: the view, which screen is open, and what stands on it.

It crosses from the bench's process to whoever looks as one JSON text (`encoded`, `decoded`), and is drawn there. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, ClassVar, Literal

from capture.dashboard.bench_screen import render
from capture.dashboard.budget_screen import budget_screen
from capture.dashboard.caution_screen import caution_screen
from capture.dashboard.gauge_screen import GaugeShown, gauge_screen
from capture.dashboard.keys_screen import keys_screen
from capture.dashboard.notes_screen import NotesShown, notes_screen
from capture.dashboard.parts_screen import PartsShown, parts_screen
from capture.dashboard.signoff_screen import SignOffShown, release_screen
from capture.dashboard.steps_screen import StepsShown, steps_screen
from capture.dashboard.strokes_screen import strokes_screen
from capture.dashboard.unit_page import Page
from capture.dashboard.units_screen import UnitsShown, units_screen
from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Frame

if TYPE_CHECKING:
    from pydantic import TypeAdapter

ScreenName = Literal[
    "cautions", "bench", "budget", "keys", "gauge", "parts", "steps", "sign-off", "strokes", "units", "notes"
]
#: No screen shows more of the trace than this, nanoseconds.
_TRACE_NS = 20_000_000_000


@dataclass(frozen=True, slots=True)
class Showing:
    """One bench at one moment. What belongs to a screen that is not open is None."""

    #: Degrees of freedom may be infinite, and JSON has no such number.
    __pydantic_config__: ClassVar[dict[str, str]] = {"ser_json_inf_nan": "strings"}

    view: BenchView
    screen: ScreenName = "bench"
    page: Page = field(default_factory=Page)
    parts: PartsShown | None = None
    steps: StepsShown | None = None
    signoff: SignOffShown | None = None
    gauge: GaugeShown | None = None
    units: UnitsShown | None = None
    notes: NotesShown | None = None


def draw(shown: Showing, width: int, height: int, ascii_only: bool) -> Frame:
    """Return the open screen."""
    view, page = shown.view, shown.page
    if shown.screen == "cautions":
        return caution_screen(width, height, ascii_only=ascii_only)
    if shown.screen == "budget" and view.verdict is not None:
        return budget_screen(view, view.verdict, width, height, ascii_only=ascii_only)
    if shown.screen == "keys":
        return keys_screen(view, width, height, ascii_only=ascii_only)
    if shown.gauge is not None:
        return gauge_screen(view, page, shown.gauge, width, height, ascii_only=ascii_only)
    if shown.parts is not None:
        return parts_screen(view, page, shown.parts, width, height, ascii_only=ascii_only)
    if shown.steps is not None:
        return steps_screen(view, page, shown.steps, width, height, ascii_only=ascii_only)
    if shown.signoff is not None:
        return release_screen(view, page, shown.signoff, width, height, ascii_only=ascii_only)
    if shown.notes is not None:
        return notes_screen(view, page, shown.notes, width, height, ascii_only=ascii_only)
    if shown.units is not None:
        return units_screen(view, page, shown.units, width, height, ascii_only=ascii_only)
    if shown.screen == "strokes":
        return strokes_screen(view, page, width, height, ascii_only=ascii_only)
    return render(view, width, height, ascii_only=ascii_only)


def encoded(shown: Showing) -> bytes:
    """Return it as a JSON object without a line end. Of the trace, what a screen can show."""
    trace = shown.view.trace
    if trace and trace[0][0] <= trace[-1][0] - _TRACE_NS:
        newest = type(trace)(point for point in trace if point[0] > trace[-1][0] - _TRACE_NS)
        shown = replace(shown, view=replace(shown.view, trace=newest))
    return _form().dump_json(shown)


def decoded(text: bytes) -> Showing:
    """Return what `encoded` made a text of. Raises ValueError for any other text."""
    return _form().validate_json(text)


@cache
def _form() -> TypeAdapter[Showing]:
    from pydantic import TypeAdapter

    return TypeAdapter(Showing)
