"""The dashboard without a bench: `python -m tests.support.preview` prints or plays an invented view."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from collections import deque

from rich.console import Console

from capture.clearance.budget import BudgetLine
from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict, VerdictWord
from capture.dashboard.bench_screen import render
from capture.dashboard.caution_screen import caution_screen
from capture.dashboard.view import BenchView, PackView
from capture.plumbing.terminal.canvas import Frame
from capture.plumbing.terminal.keys import Keys
from capture.plumbing.terminal.screen import Screen
from capture.strokes.stroke import Stroke

__all__ = ["STATES", "main", "sample_verdict", "sample_view"]

STATES = ("good", "tight", "loose", "inconclusive", "waiting", "lost", "caution")
_STEP_NS = 20_000_000
_PERIOD_NS = 4_000_000_000
_MEANS: dict[VerdictWord, int] = {
    "good": 1_104_000, "tight": 702_000, "loose": 1_483_000, "inconclusive": 1_391_000,
}  # fmt: skip
_NEXT: dict[VerdictWord, str] = {
    "good": "Record the pack and go on to the next one.",
    "tight": "Change the shims as below, seat the pack again, and repeat the check.",
    "loose": "Change the shims as below, seat the pack again, and repeat the check.",
    "inconclusive": "Apply 3 more strokes: the interval still reaches over the upper limit.",
}
_ADVICE: dict[VerdictWord, list[str]] = {
    "good": [],
    "tight": [
        "Take out 2 shims of 0.20 mm: predicted 1.102 mm ± 0.031 mm, in range with 99 %.",
        "Fit the 3.80 mm ring in place of 4.20 mm: predicted 1.098 mm ± 0.034 mm, in range with 98 %.",
    ],
    "loose": [
        "Add 2 shims of 0.20 mm: predicted 1.083 mm ± 0.031 mm, in range with 99 %.",
        "Fit the 4.60 mm ring in place of 4.20 mm: predicted 1.079 mm ± 0.034 mm, in range with 98 %.",
    ],
    "inconclusive": [],
}


def sample_verdict(word: VerdictWord, low_nm: int = 800_000, high_nm: int = 1_400_000) -> Verdict:
    """Return an invented verdict that reads `word`."""
    return Verdict(
        verdict=word,
        mean_nm=_MEANS[word],
        expanded_uncertainty_nm=21_000,
        coverage=0.95,
        coverage_factor=2.13,
        dof=14.6,
        standard_uncertainty_nm=9_860.0,
        strokes=5,
        low_nm=low_nm,
        high_nm=high_nm,
        conformance_probability={"good": 0.9999, "tight": 0.0001, "loose": 0.0002, "inconclusive": 0.81}[word],
        budget=(
            BudgetLine("spread of the strokes", 5_400.0, 4, "standard deviation of the mean of 5 strokes"),
            BudgetLine("maximum error", 7_600.0, float("inf"), "maker's limit, rectangular"),
            BudgetLine("resolution", 3_200.0, float("inf"), "one step, rectangular"),
        ),
        next_step=_NEXT[word],
        more_strokes=3 if word == "inconclusive" else None,
    )


def _stroke(n: int, travel_nm: int, flags: tuple[str, ...] = (), accepted: bool = True) -> Stroke:
    return Stroke(
        n=n,
        start_ns=n * _PERIOD_NS,
        end_ns=n * _PERIOD_NS + 2_500_000_000,
        released_nm=12_000,
        peak_travel_nm=travel_nm + 6_000,
        held_travel_nm=travel_nm,
        rise_ns=340_000_000,
        creep_nm=1_000,
        return_error_nm=2_000,
        flags=flags,
        accepted=accepted,
    )


def _trace(travel_nm: int, until_ns: int) -> deque[tuple[int, int]]:
    """Return an invented trace of repeated applies that ends at `until_ns`."""
    points: deque[tuple[int, int]] = deque(maxlen=4000)
    for t_ns in range(max(0, until_ns - 24_000_000_000), until_ns, _STEP_NS):
        phase = t_ns % _PERIOD_NS
        if phase < 600_000_000:
            part = 0.0
        elif phase < 950_000_000:
            part = (phase - 600_000_000) / 350_000_000
        elif phase < 2_900_000_000:
            part = 1.0 + 0.03 * (1.0 if phase < 1_100_000_000 else 0.0)
        else:
            part = max(0.0, 1.0 - (phase - 2_900_000_000) / 250_000_000)
        points.append((t_ns, round(travel_nm * part)))
    return points


def sample_view(state: str, until_ns: int = 26_000_000_000) -> BenchView:
    """Return the invented bench in `state`; `until_ns` is where its trace ends."""
    word: VerdictWord = state if state in _MEANS else "good"
    verdict = sample_verdict(word) if state in _MEANS else None
    mean = _MEANS[word]
    view = BenchView(
        bench="north-2",
        job="J-0187",
        unit_serial="FW-30442",
        technician="badge 17",
        sheet_name="forwarder 6-speed rev C",
        packs=[
            PackView("forward low", "done", sample_verdict("good")),
            PackView("forward high", "done", sample_verdict("tight")),
            PackView("reverse", "done" if verdict else "measuring", verdict),
            PackView("second", "waiting"),
            PackView("third", "waiting"),
        ],
        pack=2,
        low_nm=800_000,
        high_nm=1_400_000,
        preferred_nm=1_100_000,
        strokes_wanted=5,
        seat_wanted=1,
        air="140 ± 10 kPa",
        verdict=verdict,
        indicator="up",
        indicator_text="/dev/ttyUSB0, line",
        broker="up",
        keys="a apply   r release   s sign off   u unit   q leave",
    )
    if state == "waiting":
        view.message = "Apply the pack once to seat it, then release."
        view.reading_nm, view.offset_nm, view.moving = 12_000, 0, "rest"
        view.trace.extend((t, 0) for t in range(20_000_000_000, until_ns, _STEP_NS))
        return view
    view.strokes = [
        StrokeKept(_stroke(1, mean + 41_000), seat=True),
        StrokeKept(_stroke(2, mean - 3_000), seat=False),
        StrokeKept(_stroke(3, mean - 160_000, ("leak", "pressure"), accepted=False), seat=False),
        StrokeKept(_stroke(4, mean + 2_000, ("glitch",)), seat=False),
        StrokeKept(_stroke(5, mean + 1_000), seat=False),
        StrokeKept(_stroke(6, mean - 2_000), seat=False),
        StrokeKept(_stroke(7, mean + 2_000), seat=False),
    ]
    view.trace = _trace(mean, until_ns)
    view.offset_nm = view.trace[-1][1]
    view.reading_nm = view.offset_nm + 12_000
    view.moving = "applied" if view.offset_nm > mean // 2 else "rest"
    if verdict is not None:
        view.advice = list(_ADVICE[word])
        view.message = {
            "good": "Release the air, then press s to sign this pack off.",
            "tight": "Release the air and open the pack.",
            "loose": "Release the air and open the pack.",
            "inconclusive": "Apply again.",
        }[word]
        view.then = verdict.next_step
    if state == "lost":
        view.indicator, view.indicator_text = "down", "/dev/ttyUSB0 is gone: plug the indicator in again"
        view.broker, view.broker_waiting = "down", 3
        view.message = "Plug the indicator in again; the check goes on where it stopped."
        view.warning = "The stream stopped during stroke 8: that stroke will not count."
        view.strokes.append(StrokeKept(_stroke(8, mean - 400_000, ("gap", "sparse"), accepted=False), seat=False))
    if state == "caution":
        view.verdict = view.packs[2].verdict = sample_verdict("inconclusive")
        view.message = "Press a to apply."
        view.caution = "Hands clear: air is about to be applied."
    return view


def _frame(state: str, width: int, height: int, ascii_only: bool, until_ns: int = 26_000_000_000) -> Frame:
    if state == "first":
        return caution_screen(width, height, ascii_only=ascii_only)
    return render(sample_view(state, until_ns), width, height, ascii_only=ascii_only)


async def _play(state: str, seconds: float, crash: bool) -> None:
    """Play the invented bench on this terminal until the time is up or `q` is pressed."""
    until_ns = 26_000_000_000
    with Screen(lambda w, h, a: _frame(state, w, h, a, until_ns)) as screen, Keys() as keys:
        pressed = asyncio.create_task(_until_q(keys))
        drawing = asyncio.create_task(screen.run())
        loop = asyncio.get_running_loop()
        end = loop.time() + seconds
        try:
            while loop.time() < end and not (pressed.done() and pressed.result()):
                await asyncio.sleep(0.05)
                until_ns += 50_000_000
                screen.changed()
                if crash and screen.drawn > 2:
                    raise RuntimeError("crashed on purpose, to show that the terminal is left in order")
        finally:
            pressed.cancel()
            drawing.cancel()


async def _until_q(keys: Keys) -> bool:
    async for key in keys:
        if key == "q":
            return True
    return False


def main(arguments: list[str] | None = None) -> int:
    """Print or play the preview; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.support.preview", description=__doc__)
    parser.add_argument("--size", default="80x24", help="columns by rows, such as 80x24")
    parser.add_argument("--state", default="good", choices=[*STATES, "first"])
    parser.add_argument("--ascii", action="store_true", help="draw with ASCII alone")
    parser.add_argument("--live", type=float, metavar="SECONDS", help="play on this terminal for so long")
    parser.add_argument("--crash", action="store_true", help="with --live: fail after a few frames")
    options = parser.parse_args(arguments)
    if options.live is not None:
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_play(options.state, options.live, options.crash))
            return 0
        return 130
    width, height = (int(part) for part in options.size.split("x"))
    console = Console(file=sys.stdout, width=width, height=height, legacy_windows=False)
    console.print(_frame(options.state, width, height, options.ascii), soft_wrap=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
