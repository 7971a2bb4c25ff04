"""Short runs of bytes that were seen before, looked up many at once in a buffer with NumPy: what a display shows
repeats, so that what each run means is worked out once. What it means is for others.

Theory. A run is up to ten words of eight bytes, as many as the longest needs, loaded from wherever it begins, with what
follows it masked away. The words and the length make a key, a product of the key a place in a table, and what stands at
that place is compared with the whole key: a run that is not there, or whose place another took, is told by its bytes.
So no run is ever taken for another.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import cycle

import numpy as np
from numpy.typing import NDArray

#: A longer run is not remembered: thirteen bytes as JSON writes them are no longer.
LONGEST = 80
#: So many bytes must follow the last run in a buffer, whatever they are.
PADDING = LONGEST + 8
#: How many runs are remembered; what more there are is told by its bytes every time.
REMEMBERED = 4096
_PLACES_BITS = 16
#: From so many runs on those at the front are told first, so that the rest finds them.
_MANY, _FRONT = 512, 128

_ONES = ~np.uint64(0)
#: What of each word belongs to a run of so many bytes.
_MASKS = tuple(
    np.array([(1 << 8 * min(max(size - 8 * word, 0), 8)) - 1 for size in range(LONGEST + 1)], np.uint64)
    for word in range(LONGEST // 8)
)
#: Odd, and without a pattern: the golden ratio and pi in 64 bits.
_SPREAD = (0x9E3779B97F4A7C15, 0x243F6A8885A308D3, 0x13198A2E03707345, 0xA4093822299F31D1)
_SPREAD_U64 = tuple(np.uint64(factor) for factor in _SPREAD)


def words_of(buffer: bytes | bytearray) -> NDArray[np.uint64]:
    """Return the eight bytes from every place of a buffer on, as words whose least significant byte comes first."""
    return np.ndarray((len(buffer) - 7,), "<u8", buffer, 0, (1,))


class KnownTexts:
    """Gives each run of bytes a number, the same for the same bytes."""

    def __init__(self) -> None:
        self.texts: list[bytes] = []
        """The runs by their numbers."""
        self._numbers: dict[bytes, int] = {}
        places = 1 << _PLACES_BITS
        self._words: list[NDArray[np.uint64]] = []  # as many as the longest run so far needs: most are short
        self._sizes = np.full(places, -1, np.int64)
        self._at = np.zeros(places, np.int64)

    def numbers(
        self, words: NDArray[np.uint64], begins: NDArray[np.int64], sizes: NDArray[np.int64],
        told: Callable[[int], bytes],
    ) -> NDArray[np.int64]:  # fmt: skip
        """Return the number of each run of bytes in a buffer, -1 for one that is too long, or one too many.

        `words` are those of the buffer, which goes on for PADDING bytes after the last run; `told` returns the bytes of
        a run by its place among these.
        """
        found = np.full(len(begins), -1, np.int64)
        if len(begins) > _MANY:
            found[:_FRONT] = self.numbers(words, begins[:_FRONT], sizes[:_FRONT], told)
            rest = self._look_up(words, begins[_FRONT:], sizes[_FRONT:], lambda at: told(at + _FRONT))
            found[_FRONT:] = rest
            return found
        return self._look_up(words, begins, sizes, told)

    def _look_up(
        self, words: NDArray[np.uint64], begins: NDArray[np.int64], sizes: NDArray[np.int64],
        told: Callable[[int], bytes],
    ) -> NDArray[np.int64]:  # fmt: skip
        if len(sizes) and (sizes == sizes[0]).all():
            sizes = sizes[:1]
        short = np.minimum(sizes, LONGEST)
        # What is not loaded is zero, as it is masked to be.
        many = -(-int(short.max(initial=1)) // 8)
        self._words += [np.zeros_like(self._sizes, np.uint64) for _ in range(many - len(self._words))]
        parts = [words[begins + 8 * word] & _MASKS[word][short] for word in range(many)]
        mixed = short.astype(np.uint64) * _SPREAD_U64[3]
        for part, factor in zip(parts, cycle(_SPREAD_U64), strict=False):
            mixed = mixed ^ part * factor
            mixed ^= mixed >> np.uint64(29)
            if len(parts) > len(_SPREAD_U64):  # a factor comes again: not for the same sum
                mixed *= _SPREAD_U64[0]
        places = (mixed * _SPREAD_U64[0] >> np.uint64(64 - _PLACES_BITS)).astype(np.int64)
        known = self._sizes[places] == sizes
        for part, kept in zip(parts, self._words, strict=False):
            known &= kept[places] == part
        if known.all():
            return self._at[places]
        found = np.where(known, self._at[places], -1)
        for at in np.flatnonzero(~known & (sizes <= LONGEST)).tolist():
            found[at] = self._number(told(at), int(places[at]), [part[at] for part in parts])
        return found

    def _number(self, text: bytes, place: int, parts: list[np.uint64]) -> int:
        number = self._numbers.get(text, -1)
        if number < 0 and len(self.texts) < REMEMBERED:
            number = self._numbers[text] = len(self.texts)
            self.texts.append(text)
        if number >= 0 and self._sizes[place] < 0:
            self._sizes[place], self._at[place] = len(text), number
            for kept, part in zip(self._words, parts, strict=False):
                kept[place] = part
        return number
