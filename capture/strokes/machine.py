"""What the stroke finder is about, and where each sign in the readings leads it: one table.

Theory. A pack is at rest, is pushed, held and let go, and comes to rest again. What a reading shows is a sign; which
sign it is, `signs` says, and what is done about it, `finder`. Nothing else changes the state. A sign that cannot be
seen in a state has no cell there.
"""

from __future__ import annotations

from enum import Enum

__all__ = ["TABLE", "Notice", "Sign", "StrokeState"]


class StrokeState(Enum):
    """Where in a stroke the pack is, as far as the readings tell."""

    STARTING = "unknown"
    REST = "rest"
    LEAVING = "moving"
    APPLIED = "applied"
    RETURNING = "returning"


class Notice(Enum):
    """What a person at the bench should know of the readings; the words for it are the screen's."""

    AIR_ON = "air_on"
    """A fixture gives air, and the reading rests."""
    AIR_WAS_ON = "air_was_on"
    """The check began, or seems to have begun, while the air was on."""
    MOVED = "moved"
    """The indicator was moved or set anew, and the rest level was taken anew, since the last stroke but one."""
    UNSEEN = "unseen"
    """A fixture gave air, and no stroke was seen."""
    SHAKES = "shakes"
    """The reading at rest is so restless that small strokes cannot be told."""
    SAME = "same"
    """Of single values: the newest lies no further from the rest before than a rest may."""
    DAMAGED = "damaged"
    """Of single values: the newest came damaged, and is not used."""
    NOT_SENT = "not_sent"
    """Of single values: a fixture gave air, and nothing was sent meanwhile."""


class Sign(Enum):
    """What the readings show, or the end of them."""

    AGREE = "the first readings agree"
    AT_ONCE = "the third reading leaves where the first two agreed"
    LEAVES = "a reading leaves the band of rest"
    NOTHING = "it was a nudge or a wild reading"
    BRIEF = "a stroke so short that hardly a reading shows it: complete"
    STAYS = "it stays where a nudge left it"
    CLEARS = "the travel clears the threshold"
    HOME = "a piston that had stuck went home"
    ZEROED = "the release of a hold that was zeroed"
    CROSSES = "through rest to the far side: rest had moved"
    FALLS = "the travel falls below half the top"
    DIPPED = "it had only dipped"
    STICKS = "the release ends above half the top: complete"
    MOVED = "it stands where no stroke goes: the indicator was moved"
    STOOD = "a stroke where a move had left it: complete"
    TOO_LONG = "held longer than any hold: complete"
    SETTLES = "the return settles: complete"
    AGAIN = "the next apply begins: complete"
    ENDS = "the stream ends"


_S, _R, _L, _A, _B = StrokeState
#: Where each sign leads, by the state it is seen in.
_ROWS: tuple[tuple[Sign, *tuple[StrokeState | None, ...]], ...] = (
    # sign            from STARTING  REST  LEAVING  APPLIED  RETURNING
    (Sign.AGREE,               _R, None,    None,    None,    None),
    (Sign.AT_ONCE,             _L, None,    None,    None,    None),
    (Sign.LEAVES,            None,   _L,    None,    None,    None),
    (Sign.NOTHING,           None, None,      _R,    None,    None),
    (Sign.BRIEF,             None, None,      _R,    None,    None),
    (Sign.STAYS,             None, None,      _R,    None,    None),
    (Sign.CLEARS,            None, None,      _A,    None,    None),
    (Sign.HOME,              None, None,      _R,      _R,    None),
    (Sign.ZEROED,            None, None,    None,      _R,    None),
    (Sign.CROSSES,           None, None,    None,      _L,      _L),
    (Sign.FALLS,             None, None,    None,      _B,    None),
    (Sign.DIPPED,            None, None,    None,    None,      _A),
    (Sign.STICKS,            None, None,    None,      _R,    None),
    (Sign.MOVED,             None, None,      _R,      _R,    None),
    (Sign.STOOD,             None, None,    None,      _R,      _R),
    (Sign.TOO_LONG,          None, None,    None,      _R,    None),
    (Sign.SETTLES,           None, None,    None,    None,      _R),
    (Sign.AGAIN,             None, None,    None,    None,      _L),
    (Sign.ENDS,                _S,   _S,      _S,      _S,      _S),
)  # fmt: skip
TABLE: dict[tuple[StrokeState, Sign], StrokeState] = {
    (state, row[0]): to for row in _ROWS for state, to in zip(StrokeState, row[1:], strict=True) if to is not None
}
"""Every state by every sign that can be seen in it."""
