"""What every screen of a bench shares: the line at its head, the cautions and warnings, the links and the keys."""

from __future__ import annotations

from rich.cells import cell_len

from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Ink, Row, fit, shorten, wrap
from drivers.units import format_pressure

_LINKS = {"up": ("●", "+"), "connecting": ("○", "o"), "down": ("×", "x"), "off": ("-", "-")}


def header(view: BenchView, width: int, ink: Ink) -> Row:
    """Return the line that says whose unit this is, and where."""
    whose = [("bench", view.bench), ("unit", view.unit_serial), ("tech", view.technician)]
    whose += [("fitted", view.fitted)] if view.fitted else []
    facts = [*whose, ("job", view.job), ("sheet", view.sheet_name)]
    texts = [f"{name} {ink.text(value)}" for name, value in facts if value]
    line = " " + "   ".join(texts)
    if cell_len(line) > width:
        # The first say whose result this is, and by whose limits: each keeps a fair part of the line, the rest goes.
        share = (width - 1) // len(whose) - 2
        lead = texts[: len(whose)]
        line = " " + "   ".join(lead)
        if cell_len(line) > width or all(cell_len(text) <= share for text in lead):
            line = " " + "  ".join(shorten(text, share, ink).ljust(share) for text in lead)
    return [*fit([(line, "bold reverse")], width, "bold reverse")]


def urgent_rows(view: BenchView, width: int, roomy: bool, ink: Ink) -> list[Row]:
    """Return what nobody at the bench may miss, whatever else is on the screen."""
    rows: list[Row] = []
    if view.caution:
        rows += said("CAUTION", view.caution, width, 2, "bold yellow reverse", ink)
    if view.asked:
        rows += said("KEYS", view.asked, width, 3, "bold yellow", ink)
    if view.question is not None:
        rows += said("SURE?", view.question.text, width, 4, "bold yellow", ink)
    if view.warning:
        rows += said("WARNING", view.warning, width, 4, "bold red", ink)
    return rows


def keys_row(view: BenchView, keys: str, width: int, ink: Ink) -> Row:
    """Return the bottom line: the keys that do something now, or why none does; those without room go whole."""
    words = ink.text(view.looking or keys).split("   ")
    while len(words) > 1 and cell_len("   ".join(words)) > width - 1:
        words.pop()
    return [*fit([(f" {'   '.join(words)}", "reverse")], width, "reverse")]


def link_text(view: BenchView, ink: Ink) -> str:
    """Return how broker and indicator are linked."""
    mark = "down" if view.silence else view.indicator
    indicator = f"{ink.pick(*_LINKS[mark])} indicator {view.indicator}"
    if view.silence:
        indicator += ", no readings"
    if view.indicator_text:
        indicator += f": {ink.text(view.indicator_text)}"
    broker = f"{ink.pick(*_LINKS[view.broker])} broker {view.broker}"
    if view.broker != "off" or view.broker_waiting:
        broker += f", {view.broker_waiting} waiting"
    return f"{broker}; {indicator}"


def link_rows(view: BenchView, width: int, most: int, style: str, ink: Ink) -> list[Row]:
    """Return how broker and indicator are linked, wrapped with a hanging indent."""
    text = link_text(view, ink)
    lines = wrap(text, width - 1, most)
    lines = wrap(text, width - 3, most) if len(lines) > 1 else lines
    return [[((" " if n == 0 else "   ") + line, style)] for n, line in enumerate(lines)]


def air_text(view: BenchView) -> str:
    """Return the air beside the travel: pressure, the valve as commanded and confirmed, and why it will not apply."""
    pressure = "no pressure"
    if view.pressure_pa is not None:
        pressure = f"{format_pressure(view.pressure_pa, view.pressure_unit)} gauge"
    valve = "valve open" if view.valve_commanded else "valve shut"
    if view.valve_confirmed is None:
        valve += ", unconfirmed"
    elif view.valve_confirmed == view.valve_commanded:
        valve += ", confirmed"
    else:
        valve += f", fixture says {'open' if view.valve_confirmed else 'shut'}"
    parts = [view.air_state or f"fixture {view.fixture}", pressure, valve]
    return "; ".join(parts) + (f". {view.air_text}" if view.air_text else "")


def said(label: str, text: str, width: int, most: int, style: str, ink: Ink) -> list[Row]:
    """Return `text` under a label, wrapped with a hanging indent."""
    cleaned = ink.text(text)
    if not cleaned.strip():
        return []
    head = f" {label}  "
    lines = wrap(cleaned, width - len(head), most)
    return [[(head if i == 0 else " " * len(head), "bold"), (line, style)] for i, line in enumerate(lines)]
