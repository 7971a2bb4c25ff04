"""How many strokes a check takes and how often its verdict is wrong, for four ways to end it:
`python -m tests.load.compare_stopping [--checks N]`.

    fixed      the sheet's count, whatever the verdict
    until 95 % strokes until one look at 95 % settles it: what a capable person writes first
    spent      as `capture.looks` says, from the sheet's count on
    early      the same, where the sheet allows to end from three strokes on

A clearance exactly on a limit, or just beyond it, is where a wrong verdict is most likely; the risk must hold there.
Strokes scatter normally (standard deviation 1 here), ranges are in units of that; nothing else errs.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

import numpy as np

from capture.clearance.stopping import Looks
from capture.clearance.verdict import COVERAGE, MeasurementLimits, judge, one_look

SCATTER_NM = 10_000
PLANNED, MOST = 5, 15
RISK = 1 - COVERAGE


#: Name: counts at which it may end, and how sure it must be.
WAYS: dict[str, tuple[range, Callable[[int], float]]] = {
    "fixed": (range(PLANNED, PLANNED + 1), one_look),
    "until 95 %": (range(PLANNED, MOST + 1), one_look),
    "spent": (range(PLANNED, MOST + 1), Looks(PLANNED, PLANNED, MOST, RISK).confidence),
    "early": (range(3, MOST + 1), Looks(3, PLANNED, MOST, RISK).confidence),
}
#: Where the clearance truly is, from the upper limit of a range 20 wide, in standard deviations of a stroke.
PLACES = {"on the limit": 0.0, "0.3 beyond": 0.3, "1 beyond": 1.0, "1 inside": -1.0, "3 inside": -3.0, "middle": -10.0}


def check(way: str, beyond: float, rng: np.random.Generator) -> tuple[str, int]:
    """Make strokes until this way ends; return the verdict's word and how many they were."""
    looks, asked = WAYS[way]
    low, high = 1_000_000, 1_000_000 + 20 * SCATTER_NM
    travels: list[int] = []
    for count in range(1, looks[-1] + 1):
        travels.append(round(high + (beyond + float(rng.standard_normal())) * SCATTER_NM))
        if count < looks[0]:
            continue
        verdict = judge(travels, low, high, MeasurementLimits(0), asked=asked)
        assert verdict is not None
        if verdict.verdict != "inconclusive":
            return verdict.verdict, count
    return "inconclusive", looks[-1]


def figures(way: str, beyond: float, checks: int, seed: int = 1) -> tuple[float, float, float]:
    """Return how often the verdict is wrong, how often inconclusive, and the mean count of strokes.

    On the limit itself, or within it, `loose` is wrong; beyond it, `good` is.
    """
    rng = np.random.default_rng([seed, round(100 + 10 * beyond)])
    ended = [check(way, beyond, rng) for _ in range(checks)]
    wrong = "good" if beyond > 0 else "loose"
    return (
        sum(word == wrong for word, _ in ended) / checks,
        sum(word == "inconclusive" for word, _ in ended) / checks,
        sum(count for _, count in ended) / checks,
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; return 1 if a way that spends its risk exceeds it by more than chance allows."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--checks", type=int, default=4000)
    checks = parser.parse_args(arguments).checks
    held = True
    sys.stdout.write(f"{'':14}{'':14}{'wrong %':>9}{'undecided %':>13}{'strokes':>9}\n")
    for place, beyond in PLACES.items():
        for way in WAYS:
            wrong, undecided, strokes = figures(way, beyond, checks)
            most = RISK + 3 * (RISK * (1 - RISK) / checks) ** 0.5
            beyond_risk = wrong > most
            held &= not beyond_risk or way == "until 95 %"
            sys.stdout.write(
                f"{place:14}{way:14}{100 * wrong:>9.2f}{100 * undecided:>13.1f}{strokes:>9.2f}"
                + ("  MORE THAN THE RISK\n" if beyond_risk else "\n")
            )
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
