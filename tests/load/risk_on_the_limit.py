"""How often a pack that lies on its limit is called good, over budgets of every kind:
`python -m tests.load.risk_on_the_limit [--checks N]`.

Whole checks are drawn as JCGM 101 draws: the indicator's error and where the rest lies between two display steps once a
check, the scatter once a stroke. The clearance is the upper limit itself, so that neither `good` nor `loose` is shown,
and each may come in at most 5 of 100 checks. Where every stroke shows whole display steps the mean moves by a part of
one, and the last column is what any rule for the mean of the planned strokes could spend.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from capture.clearance.check import Check, Finished
from capture.clearance.verdict import COVERAGE, MeasurementLimits
from capture.strokes.stroke import Stroke
from tests.support.sheets import pack, sheet

RISK = 1 - COVERAGE


@dataclass(frozen=True, slots=True)
class Budget:
    """One indicator and one bench: display step, limit of error, play, scatter of a stroke, nm."""

    step: int
    error: int
    play: int
    scatter: int
    strokes: int
    dithered: bool
    """Whether noise averages the display's steps away within a stroke."""


BUDGETS = (
    Budget(10_000, 20_000, 0, 3_000, 5, dithered=False),
    Budget(10_000, 20_000, 0, 3_000, 5, dithered=True),
    Budget(10_000, 20_000, 0, 300, 5, dithered=False),
    Budget(10_000, 20_000, 5_000, 3_000, 3, dithered=True),
    Budget(12_700, 25_400, 0, 3_000, 5, dithered=False),
    Budget(1_000, 4_000, 0, 2_000, 5, dithered=False),
    Budget(1_000, 3_000, 3_000, 3_000, 5, dithered=True),
    Budget(10_000, 20_000, 0, 20_000, 5, dithered=False),
    Budget(1_000, 0, 0, 3_000, 5, dithered=True),
    Budget(10_000, 0, 0, 1_000, 5, dithered=False),
)


def wrong(budget: Budget, checks: int, seed: int = 1) -> tuple[float, float]:
    """Return how often a pack on its upper limit is called good, and how often loose."""
    rng = np.random.default_rng([seed, budget.step, budget.error, budget.scatter, budget.strokes, budget.dithered])
    of = sheet(pack("low", keys=f"strokes = {budget.strokes}\nseat_strokes = 0", limits='["0.80 mm", "1.40 mm"]'))
    limits = MeasurementLimits(budget.step, budget.error, hysteresis_nm=budget.play)
    words = [_word(Check(of.pack("low"), limits), budget, rng) for _ in range(checks)]
    return words.count("good") / checks, words.count("loose") / checks


def _word(check: Check, budget: Budget, rng: np.random.Generator) -> str:
    error = rng.uniform(-budget.error, budget.error) - rng.uniform(0, budget.play)
    rest = rng.uniform(0, budget.step)
    for n in range(1, 100):
        travel = 1_400_000 + error + budget.scatter * rng.standard_normal()
        shown, left = round(travel), budget.step // 10
        if not budget.dithered:
            shown, left = (round((rest + travel) / budget.step) - round(rest / budget.step)) * budget.step, None
        for effect in check.take(Stroke(n, n, n, 0, shown, shown, 1, 0, 0, (), True, left)):
            if isinstance(effect, Finished):
                return effect.verdict.verdict
    raise AssertionError("a check that does not end")


def allowed_by_digits(budget: Budget, checks: int = 40_000, seed: int = 2) -> float:
    """Return how often a pack on its upper limit can be called good, at most by the risk, by any rule that looks at the
    mean of the planned strokes: where all show whole display steps, that moves by a part of one."""
    if budget.dithered:
        return RISK
    rng = np.random.default_rng(seed)
    error = rng.uniform(-budget.error, budget.error, checks) - rng.uniform(0, budget.play or 1e-9, checks)
    rest = rng.uniform(0, budget.step, checks)
    travels = error[:, None] + budget.scatter * rng.standard_normal((checks, budget.strokes))
    shown = np.rint((rest[:, None] + travels) / budget.step) - np.rint(rest / budget.step)[:, None]
    _, counts = np.unique(shown.sum(axis=1), return_counts=True)
    risks = np.cumsum(counts) / checks
    return float(risks[risks <= RISK].max(initial=0.0))


def most(checks: int) -> float:
    """Return the risk and three standard errors of a binomial proportion (NIST/SEMATECH e-Handbook, 7.2.4)."""
    return RISK + 3 * (RISK * (1 - RISK) / checks) ** 0.5


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; return 1 if a budget exceeds the risk by more than chance allows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--checks", type=int, default=4000)
    checks = parser.parse_args(arguments).checks
    held = True
    head = ("step", "error", "play", "scatter", "strokes", "good %", "loose %", "digits %")
    sys.stdout.write("".join(f"{name:>9}" for name in head) + "\n")
    for budget in BUDGETS:
        good, loose = wrong(budget, checks)
        beyond = max(good, loose) > most(checks)
        held &= not beyond
        lengths = (budget.step, budget.error, budget.play, budget.scatter, budget.strokes)
        shares = (good, loose, allowed_by_digits(budget))
        sys.stdout.write(
            "".join(f"{length:>9}" for length in lengths)
            + "".join(f"{100 * share:>9.2f}" for share in shares)
            + ("  dithered" if budget.dithered else "")
            + ("  MORE THAN THE RISK\n" if beyond else "\n")
        )
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
