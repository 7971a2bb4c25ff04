"""The sign-off screen: how packs and steps stand, what is open, and who has signed. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.output.words import LOOKS, RECHECK
from capture.plumbing.terminal.canvas import Frame, Ink, Row
from capture.unit.signoff_standing import Standing
from capture.unit.words import STATE_WORDS, items_open, let_pass_words, signed_words


@dataclass(frozen=True, slots=True)
class PackStands:
    """How a pack stands before the sign-off."""

    pack: str
    state: Literal["good", "not good", "recheck", "unchecked"]
    words: str
    let_pass: str
    """Who lets it pass as it is, to stand behind other words."""


@dataclass(frozen=True, slots=True)
class SignOffShown:
    """What there is to show of a unit before and after its sign-off, in words."""

    packs: tuple[PackStands, ...]
    steps_closed: int
    steps: int
    cautions: tuple[str, ...]
    remarks: tuple[str, ...]
    open: tuple[tuple[str, str], ...]
    """What bars the sign-off, each with what to do about it."""
    signed: str
    """Who signed it off and when; empty for nobody."""


def signoff_shown(standing: Standing) -> SignOffShown:
    """Return what is shown of how a unit stands."""
    signed = standing.signed
    return SignOffShown(
        packs=tuple(
            PackStands(one.pack, one.state, one.words, let_pass_words(standing, one.pack)) for one in standing.packs
        ),
        steps_closed=sum(one.closed for one in standing.steps),
        steps=len(standing.steps),
        cautions=standing.cautions,
        remarks=tuple(remark.text for remark in standing.remarks),
        open=tuple((item.text, item.do) for item in standing.open),
        signed=f"{signed_words(signed)}, {signed.at.astimezone():%Y-%m-%d %H:%M}" if signed is not None else "",
    )


def _pack_rows(pack: PackStands, width: int, ink: Ink) -> list[Row]:
    shape, style, words = ink.pick("··", ".."), "", "not checked"
    look = RECHECK if pack.state == "recheck" else LOOKS["good"] if pack.state == "good" else None
    if pack.state == "not good":
        look = next((one for word, one in LOOKS.items() if word == pack.words), LOOKS["inconclusive"])
    if look is not None:
        shape, style = ink.pick(look.shape, look.ascii_shape), look.style
        words = pack.words if pack.state == "not good" else STATE_WORDS[pack.state]
    return bullet(f" {shape} ", f"{pack.pack}: {words}{pack.let_pass}", width, ink, mark_style=style)


def release_screen(
    view: BenchView, page: Page, shown: SignOffShown, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen. What can be chosen is what is open."""
    ink = Ink(ascii_only)
    head: list[Row] = [row for pack in shown.packs for row in _pack_rows(pack, width, ink)]
    head.append([(f" steps: {shown.steps_closed} of {shown.steps} done", "")])
    for caution in shown.cautions:
        head += bullet(" look at: ", caution, width, ink, mark_style="bold yellow")
    for remark in shown.remarks:
        head += bullet(" to acknowledge: ", remark, width, ink, mark_style="bold yellow")
    blocks: list[list[Row]] = []
    for i, (text, do) in enumerate(shown.open):
        mark = ink.pick("▸", ">") if i == page.chosen else " "
        blocks.append(bullet(f"{mark}{i + 1:>2} ", f"{text}: {do}", width, ink))
    if shown.signed:
        blocks.append(bullet(f" {ink.pick('■■', '##')} ", f"{shown.signed}.", width, ink, style="bold"))
        keys, aside = "Enter next unit   Escape back", "signed off"
    elif shown.open:
        keys = "o override the chosen one   s steps   c parts   arrows choose   Escape back"
        aside = items_open(len(shown.open))
    else:
        said = "Nothing bars it, but whoever signs must acknowledge what is above." if shown.remarks else ""
        said = said or "Nothing is open. Whoever signs releases the unit."
        blocks.append(bullet(" ", said, width, ink, style="bold"))
        aside = f"{len(shown.remarks)} to acknowledge" if shown.remarks else "nothing open"
        aside += f", {len(shown.cautions)} to look at" if shown.cautions else ""
        keys = "Enter signs off   s steps   Escape back"
    # What is chosen must be seen; the packs above it are one block that may scroll away.
    at = Page(page.chosen + 1 if shown.open else 1, page.form, page.note)
    return unit_page(view, at, "SIGN-OFF", aside, [[*head, []], *blocks], keys, width, height, ink)
