"""The uncertainty budget as a screen of the bench: every figure and the next step whole, reasons where there is room.
Pure; the same budget as a table to print is in `capture.output.printed_tables`."""

from __future__ import annotations

from rich.cells import cell_len

from capture.clearance.verdict import Verdict
from capture.dashboard.head_and_foot import header, keys_row, said, urgent_rows
from capture.dashboard.view import BenchView
from capture.output.printed_tables import DECISION_RULE, dof_words, guard_words, quantile_words, small_length
from capture.output.words import LOOKS, chance, number, unstated_words
from capture.plumbing.terminal.canvas import Frame, Ink, Row, fit, wrap
from drivers.units import format_length

_NAMES = 29


def _fact(name: str, value: str, width: int, ink: Ink, style: str = "") -> list[Row]:
    """Return a fact under its name, wrapped beside it."""
    head = f" {name:<{_NAMES}} "
    lines = wrap(ink.text(value), max(8, width - len(head)), 6)
    return [[(head if i == 0 else " " * len(head), "bold"), (line, style)] for i, line in enumerate(lines)]


def _source_rows(verdict: Verdict, unit: str, width: int, ink: Ink) -> tuple[list[list[Row]], list[list[Row]]]:
    """Return a block for every line of the budget, without and with what it is based on."""
    total = sum(line.standard_nm**2 for line in verdict.budget)
    bare, based = [], []
    for line in verdict.budget:
        share = f"{line.standard_nm**2 / total:.0%}" if total > 0 else "-"
        dof = ink.text(dof_words(line.dof))
        figures = f"{small_length(line.standard_nm, unit):>12}  dof {dof:>6}  {share:>4} "
        room = max(8, width - len(figures) - 2)
        lines = wrap(ink.text(line.source), room, 3) or [""]
        rows: list[Row] = [[*fit([(f" {lines[0]}", "")], width - cell_len(figures)), (figures, "")]]
        rows += [[(f" {more}", "")] for more in lines[1:]]
        bare.append(rows)
        based.append([*rows, *([(f"   {more}", "dim")] for more in wrap(ink.text(line.basis), max(8, width - 4), 3))])
    return bare, based


def budget_screen(view: BenchView, verdict: Verdict, width: int, height: int, *, ascii_only: bool = False) -> Frame:
    """Return the screen."""
    ink, unit = Ink(ascii_only), view.display_unit
    width, height = max(1, width), max(1, height)
    look = LOOKS[verdict.verdict]
    low, high = number(verdict.low_nm, unit), format_length(verdict.high_nm, unit)
    measuring = 0 <= view.pack < len(view.packs) and view.packs[view.pack].state == "measuring"
    shape = ink.pick(look.shape, look.ascii_shape)
    word = f"{shape} {verdict.verdict}{' so far' if measuring else ''}"
    mean = f"{number(verdict.mean_nm, unit)} ± {format_length(verdict.expanded_uncertainty_nm, unit)}"
    needed: list[Row] = []
    needed += _fact("mean and expanded uncertainty", f"{mean} ({verdict.strokes} strokes)", width, ink)
    needed += _fact("range", f"{low} to {high}", width, ink)
    needed += _fact("probability of conformance", chance(verdict.conformance_probability), width, ink)
    needed += _fact("verdict", word, width, ink, look.style)
    if verdict.more_strokes is not None:
        needed += _fact("strokes that would settle it", f"{verdict.more_strokes} more", width, ink)
    needed += said("NEXT", verdict.next_step, width, 8, "bold", ink)
    needed += said("MIND", unstated_words(verdict), width, 2, "bold", ink)
    combined = f"{small_length(verdict.standard_uncertainty_nm, unit)}, dof {dof_words(verdict.dof)}"
    extra = [
        _fact("combined standard uncertainty", combined, width, ink),
        _fact("coverage", f"{verdict.coverage:.0%}, factor k {verdict.coverage_factor:.2f}", width, ink),
        _fact("decision rule", DECISION_RULE.format(coverage=verdict.coverage), width, ink),
    ]
    further = [
        _fact("to either side of the mean", quantile_words(verdict, unit), width, ink),
        _fact("guard band", guard_words(verdict, unit), width, ink),
    ]
    head: list[Row] = [header(view, width, ink), [(" UNCERTAINTY BUDGET", "bold")]]
    foot = [*urgent_rows(view, width, height >= 30, ink), keys_row(view, "any key: back", width, ink)]
    bare, based = _source_rows(verdict, unit, width, ink)
    room = height - len(head) - len(foot) - len(needed)
    if sum(map(len, based)) + sum(map(len, extra)) <= room:
        sources = [row for block in based for row in block]
    else:
        sources = [row for block in bare for row in block]
        if len(sources) > room:
            left = len(sources) - max(0, room - 1)
            sources = [*sources[: max(0, room - 1)], [(f" ({left} more: make the window higher)", "")]][: max(0, room)]
    room -= len(sources)
    facts: list[Row] = []
    for block in [*extra, *further]:
        if len(block) <= room:
            facts += block
            room -= len(block)
    rows = [*head, *sources, *facts, *needed]
    rows = rows[: max(0, height - len(foot))]
    filler: list[Row] = [[] for _ in range(height - len(foot) - len(rows))]
    return Frame([*rows, *filler, *foot][-height:], width, height)
