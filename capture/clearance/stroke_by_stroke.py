"""How a stroke is made, in words, by who gives the air and how the indicator is read."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

#: How air is applied: by a valve in the hand, or at the fixture by a button that is held, or pressed once for a run.
Way = Literal["by hand", "hold", "press"]


class HowTo(NamedTuple):
    """What there is to do for a seat stroke, for one that counts, and for another; each the end of a sentence."""

    seat: str
    one: str
    another: str


#: With an indicator that sends by itself.
HOW_TO: Final[dict[Way, HowTo]] = {
    "by hand": HowTo("apply and release the air", "apply, hold until steady, release", "apply and release again"),
    "hold": HowTo(
        "hold the button, then let go",
        "hold the button until steady, then let go",
        "hold the button again, then let go",
    ),
    "press": HowTo("press the button", "press the button", "press the button"),
}


def how_to_send(standing: str, way: Way, typed: bool = False) -> HowTo:
    """Return the same with an indicator that sends at a press, or a needle whose reading is `typed`: one move and one
    value, by what the newest value was ("unknown", "rest" or "applied")."""
    what, do = ("needle", "type the reading") if typed else ("reading", "send it")
    if standing == "unknown":
        step = f"with the air off and the {what} at rest, {do}"
    elif standing == "rest":
        step = f"{'apply' if way == 'by hand' else 'hold the button'} until the {what} is steady, and {do}"
    else:
        step = f"{'release' if way == 'by hand' else 'let go'}, wait until the {what} rests, and {do}"
    return HowTo(step, step, step)
