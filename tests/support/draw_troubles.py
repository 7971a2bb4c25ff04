"""Draws how good the numbers are under trouble, and writes the page of the guide that says so.

python -m tests.load.troubled_levels --checks 400 --seed 12 --json fixtures/pictures/troubles.json
python -m tests.support.draw_troubles

The second command makes three pictures and `capture/guide/how-good-are-the-numbers.md` from the figures of the first; a
test holds page and pictures against them, and a short run against the stored figures.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import Any

from scipy.stats import beta

from tests.load.troubled_levels import METHODS, falls_short

__all__ = ["FIGURES", "GUIDE_PAGE", "PICTURES", "page", "pictures"]

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "fixtures" / "pictures"
FIGURES = PICTURES / "troubles.json"
GUIDE_PAGE = ROOT / "capture" / "guide" / "how-good-are-the-numbers.md"
WIDTH, LEFT, RIGHT, TOP, ROW = 900, 130, 40, 86, 27
OURS, THEIRS = "#12507a", "#b25a00"

#: What each trouble is, and what a technician does about it.
WORDS = {
    "calm": "noise of up to a display step, and nothing else: a bench as it should be",
    "leak": "the travel falls by 3 to 30 thousandths of an inch a second while held. Look for the leak before you "
    "trust the pack: a clearance in range does not make a leaking seal good",
    "no hold": "pushed and pulled by hand, without a hold. Hold it: what was not held is shown, and does not count",
    "drift": "the base moves by 0.5 to 2 µm a second, as a stand in the sun does. Let it settle all the same",
    "settling": "the stand gives by 20 µm within some seconds after somebody leaned on it. Wait half a minute",
    "squeeze-out": "oil still being squeezed out when the air goes after half a second. Hold for two seconds and more",
    "slow return": "the last of the way back takes a second and more. Wait longer between strokes",
    "play": "a plunger that loses up to 1, 3 or 5 µm where it turns round, and the setting `hysteresis` says so. "
    "Without that setting nobody can know it",
    "moved": "the indicator is moved or set anew between strokes. Look for `indicator moved` on the screen",
    "air on": "the check begins while the air is on, with a fixture or zeroed at rest",
    "small": "0.1 mm of travel with noise of 2 to 4 µm, ten readings a second",
    "wander": "the level wanders by 20 to 40 µm on a display of 0.01 mm. Clamp the stand: what wanders within a stroke "
    "cannot be told from travel",
    "vibration": "something shakes the stand 25 to 50 times a second, by 20 to 40 µm. Stop it: the screen says so",
    "begun held": "the same by hand and not zeroed, as a recording of it is measured. At the bench it is asked about",
    "brief": "holds of 0.10 to 0.20 s, five to ten readings a second. Hold longer",
}

# -- pictures ----------------------------------------------------------------------------------------------


def _text(x: float, y: float, words: str, **attributes: object) -> str:
    more = "".join(f' {name.replace("_", "-")}="{value}"' for name, value in attributes.items())
    return f'<text x="{x:.1f}" y="{y:.1f}"{more}>{escape(words)}</text>'


def _chart(
    title: str,
    told: str,
    troubles: Sequence[str],
    place: Callable[[float], float],
    ticks: Sequence[tuple[float, str]],
    band: tuple[float, float],
    marks: Callable[[str, str], tuple[float | None, float | None, float | None]],
) -> str:
    """Draw a row a trouble and a mark a method; `place` puts a value from 0 to 1, `marks` gives value and ends."""
    height = TOP + ROW * len(troubles) + 50
    span = WIDTH - LEFT - RIGHT

    def x(value: float) -> float:
        return LEFT + span * min(1.0, max(0.0, place(value)))

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif" '
        'font-size="14">',
        f'<rect width="{WIDTH}" height="{height}" fill="white"/>',
        _text(LEFT, 26, title, font_size=18, fill="#222"),
        _text(LEFT, 46, told, font_size=12, fill="#555"),
        _text(LEFT, height - 8, "A line through a mark: where the figure lies with 95 %.", font_size=12, fill="#555"),
        f'<circle cx="{LEFT + 6}" cy="64" r="6" fill="{OURS}"/>' + _text(LEFT + 18, 69, METHODS[0], fill=OURS),
        _diamond(LEFT + 116, 64) + _text(LEFT + 128, 69, METHODS[1], fill=THEIRS),
        f'<rect x="{LEFT + 220}" y="57" width="20" height="14" fill="#d9ead9"/>'
        + _text(LEFT + 246, 69, "where it should be", fill="#3c6b3c"),
        f'<rect x="{x(band[0]):.1f}" y="{TOP}" width="{max(3.0, x(band[1]) - x(band[0])):.1f}" '
        f'height="{ROW * len(troubles)}" fill="#d9ead9"/>',
    ]
    for value, words in ticks:
        parts.append(
            f'<line x1="{x(value):.1f}" x2="{x(value):.1f}" y1="{TOP}" y2="{TOP + ROW * len(troubles)}" stroke="#ddd"/>'
            + _text(x(value), TOP + ROW * len(troubles) + 20, words, text_anchor="middle", fill="#555")
        )
    for number, trouble in enumerate(troubles):
        y = TOP + ROW * number + ROW / 2
        parts.append(_text(LEFT - 12, y + 5, trouble, text_anchor="end", fill="#222"))
        for method, colour, shift in ((METHODS[1], THEIRS, 4), (METHODS[0], OURS, -4)):
            value, low, high = marks(trouble, method)
            if value is None:
                if method == METHODS[0]:
                    parts.append(_text(LEFT + span * 0.3, y + 5, "no stroke counts, no verdict", fill="#888"))
                continue
            if low is not None and high is not None:
                parts.append(
                    f'<line x1="{x(low):.1f}" x2="{x(high):.1f}" y1="{y + shift:.1f}" y2="{y + shift:.1f}" '
                    f'stroke="{colour}" stroke-width="2"/>'
                )
            dot = f'<circle cx="{x(value):.1f}" cy="{y + shift:.1f}" r="6" fill="{colour}"/>'
            parts.append(dot if method == METHODS[0] else _diamond(x(value), y + shift))
    return "\n".join([*parts, "</svg>", ""])


def _diamond(x: float, y: float) -> str:
    points = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in ((0, -6), (6, 0), (0, 6), (-6, 0)))
    return f'<polygon points="{points}" fill="white" stroke="{THEIRS}" stroke-width="2"/>'


def _both_ends(hits: int, of: int) -> tuple[float, float]:
    """Return the two-sided 95 % limits of a proportion in percent (Clopper and Pearson, 1934)."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, of - hits + 1))
    high = 1.0 if hits == of else float(beta.ppf(0.975, hits + 1, of - hits))
    return 100 * low, 100 * high


def pictures(told: dict[str, Any]) -> dict[str, str]:
    """Return the pictures by the name of their file."""
    figures = told["troubles"]
    troubles = list(figures)

    def with_error(name: str) -> Callable[[str, str], tuple[float | None, float | None, float | None]]:
        def marks(trouble: str, method: str) -> tuple[float | None, float | None, float | None]:
            value, error = figures[trouble][method][name], figures[trouble][method][f"{name}_se"]
            if value is None or error is None:
                return value, None, None
            return value, value - 1.96 * error, value + 1.96 * error

        return marks

    def coverage(trouble: str, method: str) -> tuple[float | None, float | None, float | None]:
        f = figures[trouble][method]
        if not f["judged"]:
            return None, None, None
        return 100 * f["covered"] / f["judged"], *_both_ends(f["covered"], f["judged"])

    def signed(value: float) -> float:
        return 0.5 + math.copysign(math.log10(1 + abs(value) / 0.25) / math.log10(1 + 200 / 0.25) / 2, value)

    return {
        "troubles-bias.svg": _chart(
            "Bias: how far the travels are off on average, in display steps",
            "The middle is stretched. To the right: reads too long.",
            troubles, signed,
            [(v, f"{v:+g}" if v else "0") for v in (-100, -10, -1, -0.25, 0, 0.25, 1, 10, 100)],
            (-0.25, 0.25), with_error("bias"),
        ),
        "troubles-spread.svg": _chart(
            "Spread: how far single travels are off, against the least that is possible",
            "1: as good as can be in the noise alone. Each tick: about three times as far off.",
            troubles, lambda v: (math.log10(max(v, 0.1)) + 0.1) / 3.6,
            [(v, f"{v:g}") for v in (1, 3, 10, 30, 100, 300, 1000)], (0.9, 1.3), with_error("spread"),
        ),
        "troubles-coverage.svg": _chart(
            "Coverage: in how many of 100 checks the 95 % interval holds the true clearance",
            "Left of the band the verdict believes too much. Right of it, it is too careful.",
            troubles, lambda v: v / 100, [(v, f"{v}") for v in range(0, 101, 10)], (93, 98), coverage,
        ),
    }  # fmt: skip


# -- the page ----------------------------------------------------------------------------------------------


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)


def _share(hits: int, of: int) -> str:
    if not of:
        return "-"
    percent = 100 * hits / of
    return f"{percent:.0f} %" if percent >= 10 or not hits else "< 0.1 %" if percent < 0.1 else f"{percent:.1f} %"


def _row(trouble: str, told: dict[str, Any]) -> str:
    ours, theirs = (told[method] for method in METHODS)
    cells = [
        trouble,
        _share(ours["lost"], ours["strokes"]),
        str(ours["false"]),
        _share(ours["counted"], ours["strokes"]),
        f"{_number(ours['bias'], '+.2f')} ({_number(theirs['bias'], '+.1f')})",
        f"{_number(ours['spread'], '.1f')} ({_number(theirs['spread'], '.0f')})",
        f"{_share(ours['covered'], ours['judged'])} ({_share(theirs['covered'], theirs['judged'])})",
        f"{_share(ours['good'], 2 * ours['judged'])} ({_share(theirs['good'], 2 * theirs['judged'])})",
        _share(told["remarked"], told["checks"]),
    ]
    return "| " + " | ".join(cells) + " |"


def _honest(figures: dict[str, Any]) -> str:
    """Say which rows hold and which fall short."""
    short = {trouble: falls_short(trouble, told) for trouble, told in figures.items()}
    held = ", ".join(trouble for trouble, what in short.items() if not what)
    text = f"Within their bounds, as far as chance lets one tell: {held}.\n"
    if any(short.values()):
        text += "\nThese fall short today; trust them less than the screen says:\n\n"
        text += "".join(f"- {trouble}: {', '.join(what)}.\n" for trouble, what in short.items() if what)
    return text


_HEAD = """\
# How good are the numbers?

How far off is a travel, does the stated uncertainty hold, and how often is a pack called `good` that is not? A script
knows: it draws {checks} checks of six strokes for each trouble below, with a clearance that it keeps to itself, and
measures them as a bench does. Its figures are on this page as they came out, good or bad. They hold for what was drawn,
not for your stand: see yours with a gauge block or a pack that you know.

In brackets stands what comes of the program that anybody would write in an afternoon: the highest reading less the
lowest, `max - min`.

| trouble | lost | invented | count | bias, steps | spread / least | interval holds | `good` on the limit | leak said |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""
_MIDDLE = """\

![Bias by trouble](../../fixtures/pictures/troubles-bias.svg)

![Spread against the least possible, by trouble](../../fixtures/pictures/troubles-spread.svg)

![Coverage of the 95 % interval, by trouble](../../fixtures/pictures/troubles-coverage.svg)

## Where they hold, and where they fall short

"""
_COLUMNS = """\

Without a hold there is no verdict, and the shown peak is within 3 % of what was reached in {near} of {by_hand} strokes.

## What the columns mean

- lost, invented: strokes that were made and not found, and strokes found that nobody made, of {strokes}. Watch that the
  count on the screen goes up by one.
- count: how many of the strokes count. Those that do not are shown with the reason, and asked for again.
- bias: how far travels are off on average, in steps of the display; plus reads too long. A quarter of a step is what
  they should stay within. More strokes do not take it away.
- spread / least: how far single travels are off, against the least that noise and display allow (Cramér and Rao). 1 is
  as good as can be. A pack does not repeat to the micrometre either, so that 2 or 3 is seldom felt.
- interval holds: how often the clearance lies within the uncertainty that stands beside it. 95 % is what it says; more
  is careful, less is too sure.
- `good` on the limit: how often a pack whose clearance lies exactly on its limit is called `good`. It may be 5 %.
- leak said: how often the verdict says that the seal leaks. With `leak` it should, else it should not.

## The troubles, and what to do

"""
_END = """\

What no script can know is left out: the error of the indicator itself (`max_error`), a plunger that stands askew
(`misalignment`), and a pack that was put together wrong. No figure here takes the place of the manufacturer's
literature, of the daily look at the gauge (`strokelog guide gauge`), or of the cautions in the README.
"""


def page(told: dict[str, Any]) -> str:
    """Return the page of the guide."""
    figures = told["troubles"]
    by_hand = figures["no hold"][METHODS[0]]
    rows = "".join(f"{_row(trouble, figures[trouble])}\n" for trouble in figures)
    hints = "".join(f"- {trouble}: {WORDS[trouble]}.\n" for trouble in figures)
    columns = _COLUMNS.format(near=by_hand["near"], by_hand=by_hand["strokes"], strokes=by_hand["strokes"])
    return _HEAD.format(checks=told["checks"]) + rows + _MIDDLE + _honest(figures) + columns + hints + _END


def main() -> None:
    """Write pictures and page."""
    told = json.loads(FIGURES.read_text(encoding="utf-8"))
    for name, picture in pictures(told).items():
        (PICTURES / name).write_text(picture, encoding="utf-8")
    GUIDE_PAGE.write_text(page(told), encoding="utf-8")


if __name__ == "__main__":
    main()
