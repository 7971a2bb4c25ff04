"""The sign-off screen: how packs and steps stand, what is open, and who has signed. Pure."""

from __future__ import annotations

from capture.dashboard.unit_page import Page, bullet, unit_page
from capture.dashboard.view import BenchView
from capture.output.words import LOOKS, RECHECK
from capture.plumbing.terminal.canvas import Frame, Ink, Row
from capture.unit.pack_states import PackState
from capture.unit.signoff_rules import Standing
from capture.unit.words import STATE_WORDS, items_open, let_pass_words

__all__ = ["release_screen"]


def _pack_rows(pack: PackState, standing: Standing, width: int, ink: Ink) -> list[Row]:
    shape, style, words = ink.pick("··", ".."), "", "not checked"
    look = RECHECK if pack.state == "recheck" else LOOKS["good"] if pack.state == "good" else None
    if pack.state == "not good":
        look = next((one for word, one in LOOKS.items() if word == pack.words), LOOKS["inconclusive"])
    if look is not None:
        shape, style = ink.pick(look.shape, look.ascii_shape), look.style
        words = pack.words if pack.state == "not good" else STATE_WORDS[pack.state]
    words += let_pass_words(standing, pack.pack)
    return bullet(f" {shape} ", f"{pack.pack}: {words}", width, ink, mark_style=style)


def release_screen(
    view: BenchView, page: Page, standing: Standing, width: int, height: int, *, ascii_only: bool = False
) -> Frame:
    """Return the screen. What can be chosen is what is open."""
    ink = Ink(ascii_only)
    closed = sum(one.closed for one in standing.steps)
    head: list[Row] = [row for pack in standing.packs for row in _pack_rows(pack, standing, width, ink)]
    head.append([(f" steps: {closed} of {len(standing.steps)} done", "")])
    for caution in standing.cautions:
        head += bullet(" look at: ", caution, width, ink, mark_style="bold yellow")
    for remark in standing.remarks:
        head += bullet(" to acknowledge: ", remark.text, width, ink, mark_style="bold yellow")
    blocks: list[list[Row]] = []
    for i, item in enumerate(standing.open):
        mark = ink.pick("▸", ">") if i == page.chosen else " "
        blocks.append(bullet(f"{mark}{i + 1:>2} ", f"{item.text}: {item.do}", width, ink))
    if standing.signed is not None:
        blocks.append(bullet(f" {ink.pick('■■', '##')} ", _signed(standing), width, ink, style="bold"))
        keys, aside = "Escape back", "signed off"
    elif standing.open:
        keys = "o override the chosen one   s steps   c parts   arrows choose   Escape back"
        aside = items_open(standing)
    else:
        said = "Nothing bars it, but whoever signs must acknowledge what is above." if standing.remarks else ""
        said = said or "Nothing is open. Whoever signs releases the unit."
        blocks.append(bullet(" ", said, width, ink, style="bold"))
        aside = f"{len(standing.remarks)} to acknowledge" if standing.remarks else "nothing open"
        aside += f", {len(standing.cautions)} to look at" if standing.cautions else ""
        keys = "Enter signs off   s steps   Escape back"
    # What is chosen must be seen; the packs above it are one block that may scroll away.
    shown = Page(page.chosen + 1 if standing.open else 1, page.form, page.note)
    return unit_page(view, shown, "SIGN-OFF", aside, [[*head, []], *blocks], keys, width, height, ink)


def _signed(standing: Standing) -> str:
    assert standing.signed is not None
    return f"Signed off by {standing.signed.fact.by}, {standing.signed.at.astimezone():%Y-%m-%d %H:%M}."
