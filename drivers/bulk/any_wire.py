"""Chunks of any wire form decoded one by one, to be taken many at once: for forms whose frames do not stand alone."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from drivers.bulk.display_lines import ManyReadings
from drivers.indicators.protocol import Decoder
from drivers.reading import Reading

#: How many different readings are remembered.
_REMEMBERED: Final = 1 << 16


class AnyWire:
    """What one decoder read so far."""

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._shown: list[Reading] = []
        self._numbers: dict[Reading, int] = {}

    def take(self, texts: list[bytes], remembered: int, which: NDArray[np.int64]) -> ManyReadings:
        """Take all chunks; `which` says of each which of `texts` it is."""
        if len(self._shown) > _REMEMBERED:
            self._shown, self._numbers = [], {}
        counts, found = [], []
        feed, numbers, shown = self._decoder.feed, self._numbers, self._shown
        for number in which.tolist():
            readings = feed(texts[number])
            counts.append(len(readings))
            for reading in readings:
                known = numbers.setdefault(reading, len(shown))
                if known == len(shown):
                    shown.append(reading)
                found.append(known)
        return ManyReadings(np.array(counts, np.int64), np.array(found, np.int64), shown)
