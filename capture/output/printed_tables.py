"""Tables for people: the uncertainty budget behind a verdict, and the strokes of a recording."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.console import Group
from rich.table import Table
from rich.text import Text

from capture.clearance.budget import BudgetLine
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.output.words import LOOKS, chance, counted, flag_words, number, unstated_words
from capture.plumbing.plaintext import clean
from capture.strokes.stroke import Stroke
from drivers.units import PressureUnit, format_length, format_pressure

#: What `capture.clearance.verdict` decides by, for people.
DECISION_RULE = (
    "Guarded (JCGM 106): a verdict is given only where the probability of its being right is at least {coverage:.0%}; "
    "inconclusive otherwise."
)


def _plain(text: str, style: str = "") -> Text:
    return Text(clean(text), style=style)


def dof_words(dof: float) -> str:
    """Return degrees of freedom for people."""
    if math.isinf(dof):
        return "∞"
    # Past a thousand, more of them change nothing that anyone could see.
    return "> 1000" if dof > 1000 else f"{dof:.1f}".removesuffix(".0")


def small_length(value_nm: float, unit: str) -> str:
    """Return a standard uncertainty with one more place than a travel has."""
    return format_length(round(value_nm), unit, 5 if unit == "in" else 4)


def shape_words(line: BudgetLine) -> str:
    """Return how a line of a budget is distributed, for people."""
    return "normal" if line.distribution == "t" and math.isinf(line.dof) else line.distribution


def quantile_words(verdict: Verdict, unit: str) -> str:
    """Return how far to either side of the mean the clearance lies with which probability, of its distribution."""
    spread = verdict.spread
    widths = ((coverage, small_length(spread.half_width(coverage), unit)) for coverage in (0.5, 0.95, 0.99))
    return ", ".join(f"{width} ({coverage:.0%})" for coverage, width in widths)


def guard_words(verdict: Verdict, unit: str) -> str:
    """Return how far inside a limit the mean must lie for a verdict that is looked at once (JCGM 106, 8.3.2)."""
    return small_length(verdict.spread.quantile(verdict.coverage), unit)


def budget_table(verdict: Verdict, unit: str) -> Group:
    """Return the budget (JCGM 100) as a table, and what follows from it as a second one."""
    table = Table(title="Uncertainty budget", title_justify="left")
    table.add_column("source", overflow="fold")
    table.add_column("basis", overflow="fold")
    table.add_column("distribution", overflow="fold")
    for heading in ("standard uncertainty", "dof", "share"):
        table.add_column(heading, justify="right")
    total = sum(line.standard_nm**2 for line in verdict.budget)
    for line in verdict.budget:
        share = f"{line.standard_nm**2 / total:.0%}" if total > 0 else "-"
        table.add_row(
            _plain(line.source),
            _plain(line.basis),
            shape_words(line),
            small_length(line.standard_nm, unit),
            dof_words(line.dof),
            share,
        )
    facts = Table(show_header=False, box=None, pad_edge=False)
    facts.add_column(style="bold", no_wrap=True)
    facts.add_column(overflow="fold")
    look = LOOKS[verdict.verdict]
    low, high = number(verdict.low_nm, unit), format_length(verdict.high_nm, unit)
    for name, value in (
        ("combined standard uncertainty u", small_length(verdict.standard_uncertainty_nm, unit)),
        ("effective degrees of freedom", dof_words(verdict.dof)),
        ("coverage factor k", f"{verdict.coverage_factor:.2f}"),
        ("coverage probability", f"{verdict.coverage:.0%}"),
        ("expanded uncertainty U", format_length(verdict.expanded_uncertainty_nm, unit)),
        ("to either side of the mean", quantile_words(verdict, unit)),
        ("guard band", guard_words(verdict, unit)),
        ("mean travel", f"{format_length(verdict.mean_nm, unit)} from {verdict.strokes} strokes"),
        ("range", f"{low} to {high}"),
        ("probability of conformance", chance(verdict.conformance_probability)),
        ("decision rule", DECISION_RULE.format(coverage=verdict.coverage)),
    ):
        facts.add_row(name, _plain(value))
    facts.add_row("verdict", _plain(f"{look.shape} {verdict.verdict}", look.style))
    for remark in verdict.remarks:
        facts.add_row("remark", _plain(remark.text))
    if verdict.more_strokes is not None:
        facts.add_row("strokes that would settle it", f"{verdict.more_strokes} more")
    facts.add_row("next step", _plain(verdict.next_step))
    if unstated := unstated_words(verdict):
        facts.add_row("not counted", _plain(unstated))
    return Group(table, facts)


def _air(stroke: Stroke, unit: PressureUnit) -> str:
    """Return the lowest and highest pressure while held, and how fast it fell if it did."""
    if stroke.pressure_min_pa is None or stroke.pressure_max_pa is None:
        return "-"
    low = format_pressure(stroke.pressure_min_pa, unit).split(" ")[0]
    text = f"{low} to {format_pressure(stroke.pressure_max_pa, unit)}"
    if stroke.leak_down_pa_per_s:
        text += f", falling {format_pressure(stroke.leak_down_pa_per_s, unit)}/s"
    return text


def report_strokes(strokes: Sequence[StrokeKept], unit: str, pressure: PressureUnit) -> Table:
    """Return the strokes as a table, in a unit of length and one of pressure."""
    table = Table(title="Strokes", title_justify="left")
    for heading in ("n", "held", "peak", "rise", "return error"):
        table.add_column(heading, justify="right")
    has_air = any(kept.stroke.pressure_min_pa is not None for kept in strokes)
    if has_air:
        table.add_column("air, gauge", justify="right")
    table.add_column("use")
    table.add_column("remarks", overflow="fold")
    for kept in strokes:
        stroke = kept.stroke
        table.add_row(
            str(stroke.n),
            format_length(stroke.held_travel_nm, unit),
            format_length(stroke.peak_travel_nm, unit),
            # Single values have no rise: nobody saw the pack on its way.
            f"{stroke.rise_ns / 1e9:.2f} s" if stroke.rise_ns else "-",
            format_length(stroke.return_error_nm, unit),
            *([_air(stroke, pressure)] if has_air else []),
            counted(kept),
            _plain(kept.left_out or flag_words(stroke.flags)),
        )
    return table
