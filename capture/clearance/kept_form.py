"""A stroke and a verdict in the form that records keep them in, and back, exactly: plain values by the names of their
fields."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from capture.clearance.budget import BudgetLine
from capture.clearance.verdict import Remark, Verdict
from capture.strokes.stroke import Stroke


def columns_of_stroke(stroke: Stroke) -> dict[str, Any]:
    """Return the columns that keep `stroke`."""
    return {**_columns(stroke), "flags": list(stroke.flags)}


def _columns(kept: Stroke | Verdict | BudgetLine | Remark) -> dict[str, Any]:
    """Return the fields of what has only plain values, or replaces what has not: `asdict` copies each to its depth."""
    return {name: getattr(kept, name) for name in kept.__slots__}


def stroke_of(columns: Mapping[str, Any]) -> Stroke:
    """Return the stroke that `columns` keep, whatever else stands among them."""
    told = {field.name: columns[field.name] for field in fields(Stroke) if field.name in columns}
    return Stroke(**{**told, "flags": tuple(told["flags"])})


# Neither JSON nor every database can hold an infinite number, and dof is often infinite: null stands for it.
def _dof_out(dof: float) -> float | None:
    return None if math.isinf(dof) else dof


def _dof_in(dof: float | None) -> float:
    return math.inf if dof is None else dof


def columns_of_verdict(verdict: Verdict) -> dict[str, Any]:
    """Return the columns that keep `verdict`. Raises ValueError for a number that is none (NaN)."""
    columns = _columns(verdict)
    for name, value in columns.items():
        if isinstance(value, float) and math.isnan(value):
            raise ValueError(f"the verdict's {name} is not a number")
    columns["dof"] = _dof_out(verdict.dof)
    columns["budget"] = [{**_columns(line), "dof": _dof_out(line.dof)} for line in verdict.budget]
    columns["remarks"] = tuple(map(_columns, verdict.remarks))
    return columns


def verdict_of(columns: Mapping[str, Any]) -> Verdict:
    """Return the verdict that `columns` keep, whatever else stands among them."""
    told = {field.name: columns[field.name] for field in fields(Verdict) if field.name in columns}
    budget = tuple(BudgetLine(**{**line, "dof": _dof_in(line["dof"])}) for line in told["budget"])
    remarks = tuple(Remark(**remark) for remark in columns["remarks"])
    return Verdict(**{**told, "dof": _dof_in(told["dof"]), "budget": budget, "remarks": remarks})
