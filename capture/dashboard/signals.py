"""What a technician whose eyes are on the work must notice of a bench: which of five signals is due, how it looks, and
how it sounds. Pure; who has the keys sees it as a colour of the whole screen, and hears it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from capture.dashboard.view import BenchView
from capture.output.words import number, travel_nm
from capture.plumbing.terminal.canvas import Frame

SignalName = Literal["counts", "does not count", "verdict good", "verdict not good", "fault"]


@dataclass(frozen=True, slots=True)
class SignalLook:
    """How one signal looks and sounds. Bells in seconds after the first; tones in hertz and seconds."""

    colour: str
    bells: tuple[float, ...]
    tones: tuple[tuple[float, float], ...]


#: Told apart by their number and rhythm, not by pitch alone: a shop is loud, and a terminal's bell has one pitch.
SIGNALS: Final[dict[SignalName, SignalLook]] = {
    "counts": SignalLook("bold white on blue", (0.0,), ((880, 0.09),)),
    "does not count": SignalLook("bold black on yellow", (0.0, 0.15), ((440, 0.12), (0, 0.05), (330, 0.2))),
    "verdict good": SignalLook("bold black on cyan", (0.0, 0.4, 0.8), ((523, 0.12), (659, 0.12), (784, 0.3))),
    "verdict not good": SignalLook(
        "bold white on magenta", (0.0, 0.15, 0.6, 0.75), ((784, 0.15), (0, 0.05), (523, 0.15), (0, 0.05), (392, 0.4))
    ),
    "fault": SignalLook(
        "bold white on red",
        (0.0, 0.15, 0.3, 0.45, 0.6, 0.75),
        ((300, 0.15), (0, 0.06), (300, 0.15), (0, 0.06), (300, 0.4)),
    ),
}


def signal_between(before: BenchView, now: BenchView) -> SignalName | None:
    """Return the signal that is due when what is shown goes from `before` to `now`: the most urgent, or None."""
    lost = before.indicator == "up" and now.indicator == "down"
    silent = bool(now.silence) and not before.silence
    tripped = now.air_state == "tripped" and before.air_state != "tripped"
    if lost or silent or tripped:
        return "fault"
    if now.pack < 0 or now.pack != before.pack or now.pack >= len(before.packs):
        return None
    was, is_now = before.packs[now.pack], now.packs[now.pack]
    if was.state == "measuring" and is_now.state == "done" and is_now.verdict is not None:
        return "verdict good" if is_now.verdict.verdict == "good" else "verdict not good"
    if len(now.strokes) > len(before.strokes):
        newest = now.strokes[-1]
        # One that settled the pack is as it should be, though it is not averaged.
        return "counts" if newest.counts or (newest.seat and not newest.left_out) else "does not count"
    return None


def spoken(signal: SignalName, view: BenchView) -> str:
    """Return what is spoken with a signal: the travel, or the mean with its verdict, in figures without a unit."""
    if signal == "fault":
        return "fault"
    if signal in ("verdict good", "verdict not good"):
        verdict = view.verdict
        word = verdict.verdict if verdict is not None else ""
        return f"{word}, {number(verdict.mean_nm, view.display_unit)}" if verdict is not None else signal
    if not view.strokes:
        return signal
    newest = view.strokes[-1]
    seat = "seat" if newest.seat and signal == "counts" else signal
    return f"{number(travel_nm(newest.stroke, view.measure), view.display_unit)}, {seat}"


def flooded(frame: Frame, signal: SignalName) -> Frame:
    """Return the screen with the signal's colour over all of it; every text stays where it was."""
    colour = SIGNALS[signal].colour
    return Frame([[(text, colour) for text, _ in row] for row in frame.rows], frame.width, frame.height)
