"""What the dashboard says: flags in words, verdicts with shape and colour, lengths for people."""

from __future__ import annotations

from dataclasses import dataclass

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict, VerdictWord
from capture.plumbing.plaintext import clean
from capture.strokes.stroke import Stroke
from drivers.units import format_length

#: Every flag a stroke can carry, as a technician would say it; short enough for a line at 80 columns.
FLAG_WORDS: dict[str, str] = {
    "glitch": "a reading rejected",
    "no_return": "not back at rest",
    "base_moved": "rest position shifted",
    "out_of_reach": "plunger near its end",
    "creep": "moving when released",
    "leak": "fell away while held",
    "short_hold": "held too briefly",
    "sparse": "too few readings",
    "rezeroed": "zero or unit changed",
    "pressure": "air outside window",
    "gap": "readings interrupted",
}


@dataclass(frozen=True, slots=True)
class Look:
    """How a verdict shows: a shape (drawn, spelled in ASCII, and as dots for the big form) and a colour."""

    shape: str
    ascii_shape: str
    style: str
    dots: tuple[str, ...]


# The shapes say the thing itself: pressed together, pulled apart, solid, or wavering. The colours stay apart for
# the common colour vision deficiencies, and nothing depends on them.
LOOKS: dict[VerdictWord, Look] = {
    "good": Look("■■", "##", "bold cyan", ("#####", "#####", "#####", "#####", "#####")),
    "tight": Look("►◄", "><", "bold magenta", ("#...#", "##.##", "#####", "##.##", "#...#")),
    "loose": Look("◄►", "<>", "bold yellow", ("..#..", ".#.#.", "#...#", ".#.#.", "..#..")),
    "inconclusive": Look("≈≈", "~~", "bold bright_white", ("...", ".##", "##.", ".##", "##.")),
}


#: A seal that leaks: a drop. For people as large as the verdict that it stands beside.
LEAKS = Look("▼·", "V.", "bold red", ("..#..", "..#..", ".###.", "#####", ".###."))


#: A check that no longer counts: hollow, where a good one is solid.
RECHECK = Look("□□", "[]", "bold blue", ())


def flag_words(flags: tuple[str, ...]) -> str:
    """Return the flags as one sentence part; a flag without words is shown as it is spelled."""
    return ", ".join(FLAG_WORDS.get(flag, flag) for flag in flags)


def leak_word(verdict: Verdict) -> str:
    """Return in a word what the seal does, by a verdict that remarks on it: one stroke alone is a question."""
    return "leaks" if verdict.leaks else "leaks?"


#: Beside every verdict that knows nothing of the indicator's own error.
UNSTATED = "No max_error is stated: the ± leaves out the indicator's own error."


def unstated_words(verdict: Verdict | None) -> str:
    """Return that the indicator's limit of error is not counted in a verdict; empty where it is, or for none."""
    return UNSTATED if verdict is not None and verdict.budget and not verdict.limit_known else ""


def chance(probability: float) -> str:
    """Return a probability as a percentage that never claims certainty."""
    if probability > 0.999:
        return ">99.9%"
    return "<0.1%" if probability < 0.001 else f"{probability:.1%}"


def number(value_nm: int, unit: str) -> str:
    """Return a length without its unit, at the usual places."""
    return format_length(value_nm, unit).rsplit(" ", 1)[0]


def travel_nm(stroke: Stroke, measure: str) -> int:
    """Return the travel that the build sheet averages: at the peak, or while held."""
    return stroke.peak_travel_nm if measure == "peak" else stroke.held_travel_nm


def counted(shown: StrokeKept) -> str:
    """Return in a word or two what a stroke is used for."""
    if shown.seat:
        return "seat"
    if shown.left_out:
        return shown.left_out.split(":")[0]
    return "counts" if shown.stroke.accepted else "not counted"


def plain_line(event: StrokeKept | Verdict | str, unit: str, pack: str = "", measure: str = "held") -> str:
    """Return one harmless line for a terminal that cannot be drawn on, or a log: a stroke, a verdict, a warning."""
    prefix = f"{pack}: " if pack else ""
    if isinstance(event, str):
        return clean(f"{prefix}warning: {event}")
    if isinstance(event, StrokeKept):
        flags = f" ({flag_words(event.stroke.flags)})" if event.stroke.flags else ""
        travel = format_length(travel_nm(event.stroke, measure), unit)
        return clean(f"{prefix}stroke {event.stroke.n}: {travel}, {counted(event)}{flags}")
    mean, spread = number(event.mean_nm, unit), format_length(event.expanded_uncertainty_nm, unit)
    low, high = number(event.low_nm, unit), format_length(event.high_nm, unit)
    basis = f"{event.coverage:.0%}, {event.strokes} strokes"
    beside = "".join(f"{remark.text} " for remark in event.remarks)
    said = f"{prefix}{event.verdict.upper()}: {mean} ± {spread} ({basis}), range {low} to {high}. {beside}"
    said += f"{event.next_step} {unstated_words(event)}"
    return clean(said).rstrip()


#: The one line wherever words make a person reach into a unit, or release one; it fits a window of 80 columns.
CAUTION_LINE = "Air off first. Follow the maker's literature, local codes, licensed practice."

CAUTIONS: tuple[str, ...] = (
    "Wear eye protection: compressed air injects and blinds.",
    "Keep hands and tools clear: an air-applied piston pinches and can throw parts.",
    "Use a regulated and relieved air supply, and check the gauge before the first apply.",
    "Follow the manufacturer's service literature for this transmission.",
    "Follow local codes and a licensed practitioner's judgement.",
    "This software is not a safety device: the fixture needs its own relief valve and a hard-wired release.",
)
