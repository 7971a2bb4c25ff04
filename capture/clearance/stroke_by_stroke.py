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


#: The same for what a hand moves (common practice: to one stop, to the other, and back, with the same force each time).
PUSH_AND_PULL: Final = HowTo(
    "push it to its stop, pull it to the other, and push it back",
    "from its stop pull it to the other, hold it steady, push it back",
    "from its stop pull it to the other again, hold it steady, push it back",
)
#: What a hand, or the air, does before each of the three values of a stroke; what is watched stands in the braces.
_MOVES: Final[dict[Way | Literal["moved"], tuple[str, str, str]]] = {
    "by hand": (
        "with the air off and the {} at rest",
        "apply until the {} is steady",
        "release, wait until the {} rests",
    ),
    "hold": (
        "with the air off and the {} at rest",
        "hold the button until the {} is steady",
        "let go, wait until the {} rests",
    ),
    "moved": (
        "push it against its stop until the {} is steady",
        "pull it against its other stop until the {} is steady",
        "push it back against its first stop until the {} is steady",
    ),
}


def how_to_send(standing: str, way: Way | Literal["moved"], typed: bool = False) -> HowTo:
    """Return the same with an indicator that sends at a press, or a needle whose reading is `typed`: one move and one
    value, by what the newest value was ("unknown", "rest" or "applied")."""
    what, do = ("needle", "type the reading") if typed else ("reading", "send it")
    first, applied, after = _MOVES["hold" if way == "press" else way]
    if standing == "unknown":
        step = f"{first.format(what)}, {do}"
    else:
        step = f"{(applied if standing == 'rest' else after).format(what)}, and {do}"
    return HowTo(step, step, step)
