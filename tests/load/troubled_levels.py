"""What trouble makes of the numbers and of the verdict: `python -m tests.load.troubled_levels [--json FILE]`.

Whole checks of six strokes, drawn from formulas, a trouble at a time. For each: how many strokes were lost, invented
and counted; the bias of a travel in display steps; the spread against the least that is possible in the white noise
alone (`bounds`); in how many checks the 95 % interval of the verdict holds the clearance; and how often a pack whose
clearance lies exactly on a limit is called `good`. Beside it stand the same figures of the afternoon's `max - min`. The
first five strokes that count are judged, or as many as there are from three on.

    calm         noise of up to a display step, nothing else
    leak         the travel falls by 0.003 to 0.03 inch a second while held: from the apply on, from a third of a second
                 on, or after an even rise. The truth is the highest travel reached
    no hold      pushed and pulled by hand, 11 to 36 mm, a hundred readings a second. The truth of a stroke is its
                 highest median of five readings; there is nothing to judge
    drift        the base moves by 0.5 to 2 um/s, either way
    settling     the stand settles by 20 um with a time constant of 3 s, either way
    squeeze-out  the last 3 % come with a time constant of 0.6 s, in holds of 0.35 to 0.6 s
    slow return  the last 3 % of the way back take as long
    play         the plunger loses something between nothing and its `hysteresis` of 1, 3 or 5 um where it turns round,
                 and in every second check all of it

The other troubles are those of `hard_streams`. Drift, settling, squeeze-out, slow return and play are drawn on the fine
displays, 0.001 mm and 0.0001 in, where they matter; calm and leak on 0.01 mm and 0.0005 in as well.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.clearance.remarks import remarks_on
from capture.clearance.verdict import MeasurementLimits, judge
from capture.strokes.finder import FinderSettings, StrokeFinder
from capture.strokes.stroke import Stroke
from drivers.reading import Reading
from tests.load import hard_streams
from tests.load.afternoon import max_minus_min
from tests.load.bounds import at_least, at_most, least_error
from tests.support.sheets import pack, sheet

__all__ = ["METHODS", "TROUBLES", "UNJUDGED", "Check", "draw", "falls_short", "measure", "report"]

Floats = NDArray[np.float64]

OWN = ("calm", "leak", "no hold", "drift", "settling", "squeeze-out", "slow return", "play")
#: Of `unlike` it is asked which level is rest: most of its stays end before any level could be told.
TROUBLES = (*OWN, *(trouble for trouble in hard_streams.TROUBLES if trouble not in (*OWN, "unlike")))
#: None of their strokes is meant to count, and there is no verdict. Without a hold the bias is that of all found.
UNJUDGED = ("no hold", "brief")
METHODS = ("strokelog", "max - min")
STROKES, AVERAGED, LEAST = 6, 5, 3
SECOND = 1_000_000_000
FINE, ALL = (1_000, 2_540), (1_000, 2_540, 10_000, 12_700)
#: A range so wide that its other limit plays no part.
WIDE_NM = 3_000_000
NEAR = 0.03
"""So near a stroke without a hold must be."""

#: The bias in display steps that a trouble may leave, the least and the most coverage.
MOST_BIAS = {"drift": 0.1, "settling": 0.3}
COVERED = {"calm": (0.93, 0.98), "drift": (0.93, 0.98), "squeeze-out": (0.90, 1.0)}
MOST_SPREAD_CALM, MOST_GOOD, LEAST_REMARKED, MOST_FALSE, MOST_LOST = 1.3, 0.05, 0.98, 0.001, 0.003
_PACK = sheet(pack("any")).packs[0]


@dataclass(slots=True)
class Check:
    """One check as displayed, and its truth."""

    resolution_nm: int
    noise_nm: float
    t_s: Floats
    values_nm: NDArray[np.int64]
    strokes: list[tuple[float, float, float]]
    """(apply s, release s, travel nm)"""
    clearance_nm: float
    unseen: int = 0
    """How many strokes no reading shows."""
    hysteresis_nm: int = 0
    air: list[tuple[int, bool]] = field(default_factory=list)
    """When a fixture says that it gave or took air, ns."""


def draw(trouble: str, rng: np.random.Generator) -> Check:
    """Draw one check with this trouble."""
    if trouble not in OWN:
        hard = hard_streams.draw(trouble, rng)
        t_s, values = np.array(hard.times_ns) / SECOND, np.array(hard.values_nm)
        return Check(
            hard.resolution_nm, hard.noise_nm, t_s, values, hard.strokes, hard.clearance_nm, hard.unseen, air=hard.air
        )
    return _by_hand(rng) if trouble == "no hold" else _held(trouble, rng)


def _shown(rng: np.random.Generator, x_nm: Floats, noise_nm: float, step_nm: int) -> NDArray[np.int64]:
    mounted = rng.uniform(3e6, 9e6) + rng.choice((-1, 1)) * x_nm
    counts = np.floor((mounted + noise_nm * rng.standard_normal(len(x_nm))) / step_nm + 0.5)
    return np.asarray(counts, dtype=np.int64) * step_nm


def _held(trouble: str, rng: np.random.Generator) -> Check:
    """A check whose strokes are held: a first-order rise and return, and what the trouble adds."""
    uniform = rng.uniform
    rate = float(rng.choice((10, 20, 50, 100)))
    step = int(rng.choice(ALL if trouble in ("calm", "leak") else FINE))
    noise, clearance = uniform(0, 1) * step, 10 ** uniform(5.6, 6.4)
    scatter = uniform(500, 4_000)
    late = 0.03 if trouble == "squeeze-out" else 0.0
    slow = 0.03 if trouble == "slow return" else 0.0
    pressed = _leaking(rng) if trouble == "leak" else _squeezed(uniform(0.01, 0.04), late)
    short = clearance - float(pressed(clearance, np.linspace(0, 0.6, 6_001)).max()) if trouble == "leak" else 0.0
    fall_s, t, strokes = uniform(0.01, 0.04), uniform(2, 4) + 6 / rate, []
    for _ in range(STROKES):
        hold = uniform(0.35, 0.6) if late else uniform(1.4, 2) if trouble == "leak" else uniform(0.8, 1.8)
        strokes.append((t, t + hold, clearance + scatter * rng.standard_normal()))
        t += hold + uniform(1, 2.5)
    t_s = (np.arange(int(t * rate)) + uniform() + 0.02 * rng.standard_normal(int(t * rate))) / rate
    x = np.zeros_like(t_s)
    for (apply_s, release_s, travel), end_s in zip(strokes, [a for a, *_ in strokes[1:]] + [math.inf], strict=True):
        held, back = (t_s >= apply_s) & (t_s < release_s), (t_s >= release_s) & (t_s < end_s)
        x[held] = pressed(travel, t_s[held] - apply_s)
        top, since = float(pressed(travel, np.array([release_s - apply_s]))[0]), t_s[back] - release_s
        x[back] = top * ((1 - slow) * np.exp(-since / fall_s) + slow * np.exp(-since / 0.6))
    hysteresis = 0
    if trouble == "drift":
        x += rng.choice((-1, 1)) * uniform(500, 2_000) * t_s
    elif trouble == "settling":
        x += rng.choice((-1, 1)) * 20_000 * np.exp(-t_s / 3)
    elif trouble == "play":
        hysteresis = int(rng.choice((1_000, 3_000, 5_000)))
        x = _with_play(x, min(1.0, uniform(0, 2)) * hysteresis)
    true = [(apply_s, release_s, travel - short) for apply_s, release_s, travel in strokes]
    values = _shown(rng, x, noise, step)
    return Check(step, noise, t_s, values, true, clearance - short, hysteresis_nm=hysteresis)


def _squeezed(rise_s: float, late: float) -> Callable[[float, Floats], Floats]:
    def pressed(travel: float, s: Floats) -> Floats:
        return np.asarray(travel * (1 - (1 - late) * np.exp(-s / rise_s) - late * np.exp(-s / 0.6)))

    return pressed


def _leaking(rng: np.random.Generator) -> Callable[[float, Floats], Floats]:
    """Return a travel that leaks while held, nm of seconds since the apply."""
    fall, way, rise_s = 25.4e6 * 10 ** rng.uniform(-2.523, -1.523), int(rng.integers(3)), rng.uniform(0.01, 0.04)

    def pressed(travel: float, s: Floats) -> Floats:
        if way == 2:
            return np.minimum(travel * s / 0.06, travel - fall * (s - 0.06))
        return np.asarray(travel * (1 - np.exp(-s / rise_s)) - fall * np.clip(s - (0, 0.3)[way], 0, None))

    return pressed


def _with_play(x_nm: Floats, play_nm: float) -> Floats:
    """Return what a plunger with so much play shows: it follows once the play is taken up."""
    shown, at = [], x_nm[0] + play_nm / 2
    for x in x_nm.tolist():
        at = min(max(at, x - play_nm / 2), x + play_nm / 2)
        shown.append(at)
    return np.array(shown)


def _by_hand(rng: np.random.Generator) -> Check:
    """A piston pushed and pulled by hand: out, a turn, and back, with even and uneven speed."""
    uniform, step, rate = rng.uniform, 10_000, 100.0
    ways, t = [], 2.0
    for _ in range(STROKES):
        out_s, turn_s, back_s = uniform(0.15, 1.5), rng.choice((0, uniform(0, 0.12))), uniform(0.15, 1.5)
        ways.append((t, uniform(0.3, 1) * 36e6, out_s, turn_s, back_s, uniform(0.8, 1.6), uniform(0.8, 1.6)))
        t += out_s + turn_s + back_s + uniform(0.4, 1.5)
    t_s = np.arange(int(t * rate)) / rate
    x = np.zeros_like(t_s)
    for apply_s, travel, out_s, turn_s, back_s, out_power, back_power in ways:
        s = t_s - apply_s
        for u, power, inside in (
            (s / out_s, out_power, (s >= 0) & (s < out_s)),
            (np.ones_like(s), 1.0, (s >= out_s) & (s < out_s + turn_s)),
            (1 - (s - out_s - turn_s) / back_s, back_power, (s >= out_s + turn_s) & (s < out_s + turn_s + back_s)),
        ):
            # The smoothest way from here to there: 10 u^3 - 15 u^4 + 6 u^5 (Flash and Hogan, 1985; from memory).
            x[inside] = travel * (10 * u**3 - 15 * u**4 + 6 * u**5)[inside] ** power
    noise = uniform(1e3, 3e4)
    values = _shown(rng, x, noise, step)
    offsets = np.abs(values - np.median(values[t_s < 1.9]))
    fives = np.median(np.lib.stride_tricks.sliding_window_view(offsets, 5), axis=1)
    strokes = []
    for apply_s, _, out_s, turn_s, back_s, *_ in ways:
        end_s = apply_s + out_s + turn_s + back_s
        inside = (t_s[2:-2] >= apply_s) & (t_s[2:-2] < end_s)
        strokes.append((apply_s, end_s, float(fives[inside].max())))
    return Check(step, noise, t_s, values, strokes, 0.0)


def found_in(check: Check) -> list[Stroke]:
    """Return what the finder makes of it as a recording: anew from the release, where it began with the air on."""
    finder, found = _fed(check, 0)
    until_ns = finder.air_was_on_until_ns
    return found if until_ns is None else _fed(check, until_ns)[1]


def _fed(check: Check, from_ns: int) -> tuple[StrokeFinder, list[Stroke]]:
    finder, air = StrokeFinder(FinderSettings(check.resolution_nm)), list(check.air)
    if from_ns:
        finder.begin_at_rest()
    found: list[Stroke] = []
    for t_ns, value in zip(np.rint(check.t_s * SECOND).astype(int).tolist(), check.values_nm.tolist(), strict=True):
        while air and air[0][0] <= t_ns:
            finder.trigger(*air.pop(0))
        if t_ns >= from_ns:
            found += finder.feed(t_ns, [Reading(value, "mm")])
    finder.ends_by_itself()
    return finder, found + finder.finish()


@dataclass(slots=True)
class Tally:
    """One method on all checks with one trouble. Lengths in display steps."""

    strokes: int = 0
    lost: int = 0
    false: int = 0
    counted: int = 0
    near: int = 0
    biases: list[float] = field(default_factory=list)
    squares: list[float] = field(default_factory=list)
    """Mean square error against the least possible, a check."""
    covered: list[bool] = field(default_factory=list)
    good: int = 0
    """How many of two verdicts a check, on the lower and on the upper limit, say `good`."""

    def take(self, check: Check, travels: Sequence[tuple[int, float]], counted: Sequence[Stroke] | None) -> None:
        """Take the travels (index of the true stroke, nm, corrected as the verdict corrects them) of one check.

        With `counted`, those strokes are judged, else the travels.
        """
        step, truth = check.resolution_nm, check.clearance_nm
        errors = np.array([travel - check.strokes[index][2] for index, travel in travels])
        self.near += sum(abs(way - check.strokes[index][2]) <= NEAR * check.strokes[index][2] for index, way in travels)
        if len(errors):
            self.biases.append(float(errors.mean()) / step)
            bounds = [bound_of(check, index) for index, _ in travels]
            self.squares.append(float(np.mean(errors**2)) / float(np.mean(bounds)))
        if counted is None:
            judged, left, inferred = [round(travel) for _, travel in travels[:AVERAGED]], [], []
        else:
            judged = [stroke.peak_travel_nm for stroke in counted[:AVERAGED]]
            left = [stroke.rounding_nm for stroke in counted[:AVERAGED]]
            inferred = [stroke.inferred_nm for stroke in counted[:AVERAGED]]
        if len(judged) < LEAST or not truth:
            return
        limits = MeasurementLimits(step, hysteresis_nm=check.hysteresis_nm if counted is not None else 0)
        for low in (truth, truth - WIDE_NM):
            verdict = judge(judged, round(low), round(low + WIDE_NM), limits, left, inferred_nm=inferred)
            assert verdict is not None
            self.good += verdict.verdict == "good"
        self.covered.append(abs(verdict.mean_nm - truth) <= verdict.expanded_uncertainty_nm)

    def figures(self) -> dict[str, float]:
        """Return what is reported."""
        biases, squares = np.array(self.biases), np.array(self.squares)
        ratio = math.sqrt(float(squares.mean())) if len(squares) else None
        many = len(biases) > 1
        return {
            "strokes": self.strokes, "lost": self.lost, "false": self.false, "counted": self.counted, "near": self.near,
            "bias": round(float(biases.mean()), 4) if len(biases) else None,
            "bias_se": round(float(biases.std(ddof=1)) / math.sqrt(len(biases)), 4) if many else None,
            "spread": round(ratio, 3) if ratio is not None else None,
            "spread_se": round(float(squares.std(ddof=1)) / math.sqrt(len(squares)) / 2 / ratio, 3) if many else None,
            "judged": len(self.covered), "covered": sum(self.covered), "good": self.good,
        }  # type: ignore[dict-item]  # fmt: skip


def bound_of(check: Check, index: int) -> float:
    """Return the least mean square error of one travel, nm^2: from its hold and the second of rest before it."""
    apply_s, release_s, _ = check.strokes[index]
    since_s = max(check.strokes[index - 1][1] + 0.2 if index else 0.0, apply_s - 1)
    held = np.count_nonzero((check.t_s >= apply_s + 0.1) & (check.t_s < release_s))
    rested = np.count_nonzero((check.t_s >= since_s) & (check.t_s < apply_s))
    return least_error(check.noise_nm, check.resolution_nm, int(held), int(rested))


def _matched(check: Check, spans_s: Sequence[tuple[float, float]]) -> list[int | None]:
    """Return for each span the true stroke it overlaps, None for one that is none or the second of the same."""
    left, matched = list(range(len(check.strokes))), []
    for start_s, end_s in spans_s:
        mine = next(
            (i for i in left if start_s < check.strokes[i][1] + 0.25 and end_s > check.strokes[i][0] - 0.3), None
        )
        if mine is not None:
            left.remove(mine)
        matched.append(mine)
    return matched


def measure(checks: int, seed: int, troubles: Sequence[str] = TROUBLES) -> dict[str, Any]:
    """Draw so many checks of each trouble; return the figures of both methods by trouble."""
    result: dict[str, Any] = {}
    for trouble in troubles:
        tallies, remarked = {method: Tally() for method in METHODS}, 0
        for number in range(checks):
            check = draw(trouble, np.random.default_rng([seed, TROUBLES.index(trouble), number]))
            found = found_in(check)
            guesses = max_minus_min(check.t_s, check.values_nm)
            counted = [stroke for stroke in found if stroke.accepted]
            # Where the seal loses so much that no stroke counts, there is no verdict, and each row says why.
            told = counted or [stroke for stroke in found if "leak" in stroke.flags]
            remarked += bool(remarks_on(told, _PACK, MeasurementLimits(check.resolution_nm), "mm"))
            spans = [[(s.start_ns / SECOND, s.end_ns / SECOND) for s in found], [(at, at) for at, _ in guesses]]
            for tally, at in zip(tallies.values(), spans, strict=True):
                matched = _matched(check, at)
                tally.strokes += len(check.strokes)
                tally.false += matched.count(None)
                tally.lost += max(0, len(check.strokes) - len(matched) + matched.count(None) - check.unseen)
                if tally is tallies["max - min"]:
                    travels = [(i, way) for i, (_, way) in zip(matched, guesses, strict=True) if i is not None]
                    tally.counted += len(guesses)
                    tally.take(check, travels, None)
                    continue
                tally.counted += len(counted)
                shown = [
                    (index, stroke.peak_travel_nm + check.hysteresis_nm / 2)
                    for index, stroke in zip(matched, found, strict=True)
                    if index is not None and (stroke.accepted or trouble == "no hold")
                ]
                tally.take(check, shown, counted)
        result[trouble] = {method: tally.figures() for method, tally in tallies.items()}
        result[trouble] |= {"checks": checks, "remarked": remarked}
    return result


def falls_short(trouble: str, figures: dict[str, Any]) -> list[str]:
    """Return in words what is beyond its bound by more than chance allows (one-sided 95 %)."""
    ours, short = figures["strokelog"], []
    if at_least(ours["false"], ours["strokes"]) > MOST_FALSE:
        short.append("strokes invented")
    # Of brief holds some show in no reading or in one, and the screen says so.
    if trouble != "brief" and at_least(ours["lost"], ours["strokes"]) > MOST_LOST:
        short.append("strokes lost")
    least, most = COVERED.get(trouble, (0.93, 1.0))
    judged, covered = ours["judged"], ours["covered"]
    low = bool(judged) and at_most(covered, judged) < least
    beyond = ours["bias"] is not None and abs(ours["bias"]) - 1.645 * (ours["bias_se"] or 0) > MOST_BIAS.get(
        trouble, 0.25
    )
    # Where the uncertainty says so, a bias is no fault; a drift must be taken out.
    if trouble not in UNJUDGED and beyond and (low or trouble in ("calm", "drift")):
        short.append("bias")
    if trouble == "calm" and ours["spread"] - 1.645 * ours["spread_se"] > MOST_SPREAD_CALM:
        short.append("spread")
    if low:
        short.append("coverage too low")
    if judged and at_least(covered, judged) > most:
        short.append("coverage too high")
    if judged and at_least(ours["good"], 2 * judged) > MOST_GOOD:
        short.append("`good` on the limit too often")
    if trouble == "leak" and at_most(figures["remarked"], figures["checks"]) < LEAST_REMARKED:
        short.append("leaks not remarked")
    if trouble != "leak" and at_least(figures["remarked"], figures["checks"]) > MOST_GOOD:
        short.append("leaks remarked that are none")
    if trouble == "no hold" and ours["near"] < ours["strokes"] - ours["lost"]:
        short.append("peaks off by more than 3 %")
    return short


def report(result: dict[str, Any], write: Callable[[str], object]) -> list[str]:
    """Write the figures as a table; return the bounds that were missed."""
    write(f"\n{'trouble':<13}{'method':<11}strokes lost false count%   bias +-     /bound cover% judged good!%\n")
    missed = []
    for trouble, figures in result.items():
        short = falls_short(trouble, figures)
        missed += [f"{trouble}: {bound}" for bound in short]
        for method in METHODS:
            f = figures[method]
            judged = f["judged"]
            shares = f"{100 * f['covered'] / judged:>6.1f}{judged:>7}{50 * f['good'] / judged:>6.1f}" if judged else ""
            number = [math.nan if f[name] is None else f[name] for name in ("bias", "bias_se", "spread")]
            write(
                f"{trouble:<13}{method:<11}{f['strokes']:>7}{f['lost']:>5}{f['false']:>6}"
                f"{100 * f['counted'] / f['strokes']:>7.0f}{number[0]:>8.2f}{number[1]:>6.2f}{number[2]:>8.2f}{shares}"
                + (f"  MISSED {', '.join(short)}" if short and method == "strokelog" else "")
                + "\n"
            )
    return missed


def main() -> int:
    """Print the table; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--checks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there")
    parser.add_argument("troubles", nargs="*", default=TROUBLES)
    options = parser.parse_args()
    result = measure(options.checks, options.seed, options.troubles)
    missed = report(result, sys.stdout.write)
    sys.stdout.write(f"{len(missed)} bounds missed{': ' if missed else ''}{'; '.join(missed)}\n")
    if options.json:
        text = json.dumps({"checks": options.checks, "seed": options.seed, "troubles": result}, indent=1)
        options.json.write_text(text + "\n", encoding="utf-8")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
