"""Strokes and a range in; mean, uncertainty and a verdict out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

VerdictWord = Literal["good", "tight", "loose", "inconclusive"]


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One row of an uncertainty budget: where it comes from, its standard uncertainty in nm, its dof."""

    source: str
    standard_nm: float
    dof: float
    basis: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is known about a pack's clearance after its strokes. Lengths in nm."""

    verdict: VerdictWord
    mean_nm: int
    expanded_uncertainty_nm: int
    coverage: float
    """Coverage probability of the expanded uncertainty (0.95)."""
    coverage_factor: float
    dof: float
    standard_uncertainty_nm: float
    strokes: int
    low_nm: int
    high_nm: int
    conformance_probability: float
    budget: tuple[BudgetLine, ...]
    next_step: str
    """What the technician should do next, in words."""
    more_strokes: int | None
    """How many more strokes would settle an inconclusive verdict; None where strokes cannot or need not."""
