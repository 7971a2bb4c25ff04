"""What every screen of a bench shares: the line at its head, the cautions and warnings, the links and the keys."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len

from capture.dashboard.view import BenchView
from capture.plumbing.terminal.canvas import Ink, Row, fit, shorten, wrap
from drivers.units import format_pressure

_LINKS = {"up": ("●", "+"), "connecting": ("○", "o"), "down": ("×", "x"), "off": ("-", "-")}
#: A fact of the head line that is shortened keeps so many characters while there is room for any; which variant is
#: fitted says by which limits the unit is judged, and keeps more.
_LEAST, _LEAST_FITTED = 8, 24
_STAY = ("q end", "? keys")


def header(view: BenchView, width: int, ink: Ink) -> Row:
    """Return the line that says whose unit this is, and where. Each fact has a place: what is long is shortened with a
    mark, the sheet's name first, and stands whole on the screen of the keys."""
    facts = [("bench", view.bench), ("unit", view.unit_serial), ("tech", view.technician), ("fitted", view.fitted)]
    facts += [("job", view.job), ("sheet", view.sheet_name)]
    told = [(name, ink.text(value)) for name, value in facts if value]
    least = [min(_LEAST_FITTED if name == "fitted" else _LEAST, cell_len(text)) for name, text in told]
    while told and told[-1][0] in ("job", "sheet") and _taken(told, least) > width:
        told.pop()  # no window for it
        least.pop()
    lengths = [cell_len(text) for _, text in told]
    if told and told[-1][0] == "sheet":
        lengths[-1] = max(least[-1], min(lengths[-1], lengths[-1] + width - _taken(told, lengths)))
    while _taken(told, lengths) > width and max(lengths) > 1:
        spare = [length - most for length, most in zip(lengths, least, strict=True)]
        lengths[spare.index(max(spare)) if max(spare) > 0 else lengths.index(max(lengths))] -= 1
    texts = [f"{name} {shorten(text, length, ink)}" for (name, text), length in zip(told, lengths, strict=True)]
    gap = "   " if cell_len("   ".join(texts)) < width else "  "
    return [*fit([(f" {gap.join(texts)}", "bold reverse")], width, "bold reverse")]


def _taken(told: Sequence[tuple[str, str]], lengths: Sequence[int]) -> int:
    """How wide a head line is whose facts are so long."""
    return 1 + sum(cell_len(name) + 1 for name, _ in told) + sum(lengths) + 2 * (len(told) - 1)


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
    """Return the bottom line: the keys that do something now, or why none does; those without room go whole, the last
    ones first, but how to end and where all of them are told stays."""
    words = key_words(ink.text(view.looking or keys))
    while len(words) > 1 and cell_len("   ".join(words)) > width - 1:
        words.remove(next((one for one in reversed(words) if one not in _STAY), words[-1]))
    return [*fit([(f" {'   '.join(words)}", "reverse")], width, "reverse")]


def key_words(keys: str) -> list[str]:
    """Return the keys of a bottom line, each with what it is called."""
    return keys.split("   ")


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


def link_rows(view: BenchView, width: int, most: int, ink: Ink) -> list[Row]:
    """Return how broker and indicator are linked, wrapped with a hanging indent; no readings are loud."""
    style = "bold red" if view.indicator == "down" or view.silence else ""
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
