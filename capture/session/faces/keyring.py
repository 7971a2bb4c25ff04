"""Who has the keys of a bench. Pure: no I/O, no clock; times are nanoseconds of one clock.

Theory. Any number of faces look; one has the keys. The first that wants them has them. Whoever asks for them is shown
to the holder, who gives them, or keeps them by pressing any other key; a holder who presses none for a stated time is
away, and they are given without him. Keys that nobody has go to the first who asks.
"""

from __future__ import annotations

from typing import Final

#: A holder who is asked and presses no key for so long is not there.
AWAY_NS: Final = 20_000_000_000


class Keyring:
    """The keys of one bench; faces are numbers."""

    def __init__(self) -> None:
        self.holder: int | None = None
        self.asker: int | None = None
        self.kept: int | None = None
        """Whose asking the holder answered by keeping them, until it asks anew."""
        self._asked_ns = 0

    def arrive(self, face: int, *, wants: bool) -> None:
        """A face attached."""
        if wants and self.holder is None:
            self.holder = face

    def leave(self, face: int) -> None:
        """A face is gone."""
        if self.asker == face:
            self.asker = None
        if self.holder == face:
            self.holder, self.asker = self.asker, None

    def ask(self, face: int, now_ns: int) -> bool:
        """A face asks for the keys; say whether it has them now."""
        if self.holder in (None, face):
            self.holder = face
        elif self.asker is None:
            self.asker, self._asked_ns = face, now_ns
        self.kept = None if self.kept == face else self.kept
        return self.holder == face

    def answer(self, *, gives: bool) -> None:
        """The holder was asked, and pressed a key: the one that gives, or another."""
        if self.asker is not None:
            self.holder, self.kept = (self.asker, None) if gives else (self.holder, self.asker)
            self.asker = None

    def look(self, now_ns: int) -> bool:
        """Look whether an asked holder is away; say whether the keys were given for that."""
        if self.asker is None or now_ns - self._asked_ns < AWAY_NS:
            return False
        self.holder, self.asker = self.asker, None
        return True

    def left_s(self, now_ns: int) -> int:
        """Return for how long the holder may still answer, seconds."""
        return max(0, -((now_ns - self._asked_ns - AWAY_NS) // 1_000_000_000))
