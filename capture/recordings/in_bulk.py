"""A stream measured from a recording, a block of its lines at a time: the same readings and strokes as one by one.

What a fixture says of the pressure changes nothing for the indicator until its valve turns, nor does any mark but a
lost port: so only those cut a block.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from capture.recordings.blocks import Block, SentTexts
from capture.recordings.file import AIR_OFF_NOTE, FIXTURE_GAP_NOTE, GAP_NOTE, RecordedLine
from capture.recordings.stream import FixtureStream, IndicatorStream
from capture.strokes.in_bulk import FinderInBulk, ManyChunks
from capture.strokes.stroke import Stroke
from drivers.bulk.any_wire import AnyWire
from drivers.bulk.display_lines import DisplayLines, ManyReadings
from drivers.indicators.line import LineDecoder
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings

#: After a chunk that cannot be taken with others so many are taken by themselves, ever more where that is usual.
_FEWEST, _MOST = 1, 256
#: The notes of the marks that something follows from.
_TELLING: Final = (GAP_NOTE, FIXTURE_GAP_NOTE, AIR_OFF_NOTE)


class StreamInBulk(IndicatorStream):
    """One recording's worth of a bench; lines fed one by one may come between blocks."""

    def __init__(
        self,
        driver: IndicatorDriver,
        settings: IndicatorSettings,
        measure: str = "peak",
        fixture: FixtureStream | None = None,
        *,
        from_ns: int = 0,
        keep_readings: bool = False,
        texts: SentTexts | None = None,
    ) -> None:
        """What the indicator sent before `from_ns` is decoded and no more. `keep_readings` keeps every reading, for
        whoever draws them. `texts` are those that the blocks come with."""
        super().__init__(driver, settings, measure, fixture, finder=FinderInBulk)
        decoder = self.decoder
        texts = texts if texts is not None else SentTexts()
        if isinstance(decoder, LineDecoder):
            self._wire: DisplayLines | AnyWire = DisplayLines(decoder, texts.read_by(driver, settings))
        else:
            self._wire = AnyWire(decoder)
        self._alone = _FEWEST
        self._from_ns = from_ns
        if from_ns and self.moving is not None:
            self.moving.begin_at_rest()
        self.broken_off = False
        """Whether the newest line is a mark: somebody ended it, or something happened."""
        self._keep_readings = keep_readings
        self.readings: list[tuple[int, int]] = []
        """With `keep_readings`, what the indicator displayed and when: (ns since the recording began, nm)."""
        self.gaps_ns: list[int] = []
        """When the indicator was lost."""

    def feed_line(self, line: RecordedLine) -> list[Stroke]:
        """Take one line; return the strokes it completes."""
        self.broken_off = line.source == "mark"
        if line.source == "indicator":
            return self._feed_one(line.t_ns, line.data)
        if line.source == "fixture":
            self.feed_fixture(line.t_ns, line.data)
        elif line.mark is not None and line.mark.get("note") == GAP_NOTE:
            self.gaps_ns.append(line.t_ns)
            return self.lost(line.t_ns)
        elif line.mark is not None and line.mark.get("note") == FIXTURE_GAP_NOTE:
            self.fixture_lost(line.t_ns)
        elif line.mark is not None and line.mark.get("note") == AIR_OFF_NOTE:
            self.deny_air()
        return []

    def feed_block(self, block: Block) -> Generator[list[Stroke], None, None]:
        """Take a block of lines; yield the strokes they complete."""
        begin = 0
        for at, line in block.others:
            signals = self.heard(line.data) if line.source == "fixture" else []
            if self.turns_valve(signals) or (line.mark is not None and line.mark.get("note") in _TELLING):
                yield from self._stretch(block, begin, at)
                begin = at + 1
            if line.source == "fixture":
                self.follow_fixture(line.t_ns, signals)
            else:
                yield self.feed_line(line)
        yield from self._stretch(block, begin, len(block.times_ns))
        self.broken_off = bool(block.which[-1] < 0) and block.others[-1][1].source == "mark"

    def _stretch(self, block: Block, begin: int, end: int) -> Iterator[list[Stroke]]:
        """Take the indicator's chunks among these lines."""
        which, times_ns = block.which[begin:end], block.times_ns[begin:end]
        if len(which) and which.min() < 0:
            which, times_ns = which[which >= 0], times_ns[which >= 0]
        at = int(times_ns.searchsorted(self._from_ns))
        for number in which[:at].tolist():
            self.decoder.feed(block.texts[number])
        finder = self.finder
        if not isinstance(finder, FinderInBulk):  # single values, which a person decides about one by one
            chunks = zip(times_ns[at:].tolist(), which[at:].tolist(), strict=True)
            yield from (self._feed_one(t_ns, block.texts[number]) for t_ns, number in chunks)
            return
        while at < len(which):
            taken = self._wire.take(block.texts, block.remembered, which[at:])
            count = len(taken.counts)
            if len(taken.which):
                yield from self._find(finder, taken, times_ns[at : at + count])
            at += count
            many = at == len(which) or count >= _MOST
            self._alone = _FEWEST if many else min(2 * self._alone, _MOST)
            for _ in range(min(self._alone, len(which) - at)):
                yield self._feed_one(int(times_ns[at]), block.texts[which[at]])
                at += 1

    def _find(self, finder: FinderInBulk, taken: ManyReadings, times_ns: NDArray[np.int64]) -> Iterator[list[Stroke]]:
        self.newest = taken.shown[taken.which[-1]]
        if self._keep_readings:
            shown = [taken.shown[number].value_nm for number in taken.which.tolist()]
            self.readings += zip(np.repeat(times_ns, taken.counts).tolist(), shown, strict=True)
        chunks = ManyChunks(times_ns, taken.counts, taken.which, taken.shown)
        if len(taken.counts) > len(taken.which) or not taken.counts.all():
            some = taken.counts > 0
            chunks = ManyChunks(times_ns[some], taken.counts[some], taken.which, taken.shown)
        yield from map(self.with_air, finder.feed_many(chunks))

    def _feed_one(self, t_ns: int, data: bytes) -> list[Stroke]:
        if t_ns < self._from_ns:
            self.decoder.feed(data)
            return []
        readings, found = self.feed(t_ns, data)
        if self._keep_readings:
            self.readings += [(t_ns, reading.value_nm) for reading in readings]
        return found
