"""A recording measured again: the same strokes as when it was made, and a verdict if a sheet is given."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from pydantic import ValidationError

from capture.clearance.advice import Advice, advise
from capture.clearance.check import Check, StrokeKept
from capture.clearance.diagnosis import how_far_off
from capture.clearance.remarks import AIR_MAY_HAVE_BEEN_ON, AIR_WAS_ON
from capture.clearance.verdict import Remark, Verdict
from capture.plumbing.wrong_values import wrong_values
from capture.recordings.blocks import SentTexts, blocks_of
from capture.recordings.file import RecordingError, begin_reading, lines_of, part_read
from capture.recordings.in_bulk import StreamInBulk
from capture.recordings.stream import FixtureStream, fixture_from, indicator_from, limits_of
from capture.sheet.sheet import Pack, SheetAir
from capture.strokes.stroke import Stroke
from drivers.reading import LengthUnit
from drivers.wirings.protocol import FixtureDriver, FixtureSettings


class Replay:
    """Measures one recording. Iterate over `strokes()`; then `verdict` and `advice` hold the outcome."""

    def __init__(
        self,
        path: Path,
        pack: Pack | None = None,
        unit: LengthUnit = "mm",
        air: SheetAir | None = None,
        *,
        stop_when_settled: bool = False,
        left_out: Iterable[tuple[int, int]] = (),
        keep_readings: bool = False,
        texts: SentTexts | None = None,
        progress: Callable[[float], None] = lambda part: None,
    ) -> None:
        """Open the recording at `path`; raises RecordingError if it or its indicator's settings are no good.

        `air` is what the sheet asks of the supply; with it, a recording that holds a fixture's bytes has its
        strokes' pressure judged. `stop_when_settled` ends the check where a live one ends, and ignores what follows.
        `left_out` are strokes that a person left out while the check ran: after which stroke, and which.
        `keep_readings` keeps every reading, for whoever draws them. `texts` are those of recordings measured before.
        `progress` is told, now and then, which part of the file was read; of one that is measured at its pace it is
        not.
        """
        self._path = path
        self.header, self._file, self._reader = begin_reading(path)
        try:
            driver, settings, self.unknown_settings = indicator_from(self.header.indicator)
        except LookupError as error:
            raise RecordingError(f"{path}, line 1: {error.args[0]}") from error
        except ValidationError as error:
            raise RecordingError(f"{path}, line 1: indicator: {wrong_values(error)[0]}") from error
        self._indicator, self._wiring = (driver, settings), self._fixture(path)
        self._window_pa = air.window_pa if air else None
        self.pack = pack
        self._unit = unit
        self._as_live = stop_when_settled
        if pack is not None:
            try:
                self._limits = limits_of(settings, self.header.gauge)
            except (TypeError, KeyError, ValueError) as error:
                raise RecordingError(f"{path}, line 1: gauge.error: {error}; expected what a check found") from error
        self._left_out = list(left_out)
        self._keep_readings = keep_readings
        self._progress = progress
        self._texts = texts if texts is not None else SentTexts()
        self._begin(0)

    def _begin(self, from_ns: int) -> None:
        """Begin to measure, with the strokes from that time on."""
        self._from_ns = from_ns
        by_air = self.pack is None or self.pack.moved_by == "air"  # what a hand moves the valve knows nothing of
        told = self.pack.pressure_unit if self.pack is not None else "kPa"
        fixture = FixtureStream(*self._wiring, self._window_pa, told) if self._wiring and by_air else None
        self.stream = StreamInBulk(
            *self._indicator,
            self.pack.measure if self.pack else "peak",
            fixture,
            from_ns=from_ns,
            keep_readings=self._keep_readings,
            texts=self._texts,
        )
        self._check: Check | None = None
        if self.pack is not None:
            self._check = Check(self.pack, self._limits, stop_when_settled=self._as_live, unit=self._unit)

    def _fixture(self, path: Path) -> tuple[FixtureDriver, FixtureSettings] | None:
        header = self.header.fixture
        if header is None:
            return None
        try:
            return fixture_from(header)
        except LookupError:
            # Made elsewhere: the strokes are in the indicator's bytes all the same.
            self.unknown_settings.append(f"fixture {header.get('driver')!r}")
            return None
        except ValidationError as error:
            raise RecordingError(f"{path}, line 1: fixture: {wrong_values(error)[0]}") from error

    def strokes(self, speed: float | None = None, sleep: Callable[[float], None] = time.sleep) -> Iterator[StrokeKept]:
        """Yield each stroke as it completes; with `speed`, at that many times the pace it was recorded at.

        A check by hand that began with the air on is known by all of its readings only. Where a live one ends, nothing
        is known that it did not know; else it is measured once more from where that air had gone.

        Raises RecordingError where a line is no line, and where its readings cannot be measured: a fault of ours, but
        one that must not end the proof, or the report, of whatever else there is.
        """
        try:
            yield from self._all(speed, sleep)
            _ = self.verdict  # worked out here, so that what cannot be judged is told as what cannot be found
        except (ArithmeticError, LookupError, RuntimeError, TypeError, ValueError) as error:
            what = f"{type(error).__name__}: {error}".rstrip(": ")
            raise RecordingError(
                f"strokes cannot be found ({what}) in {self._path}. That is a fault of strokelog, not of the "
                "bench; keep the recording and send it to whoever looks after strokelog"
            ) from error

    def _all(self, speed: float | None, sleep: Callable[[float], None]) -> Iterator[StrokeKept]:
        if self._as_live:
            yield from self._measured(speed, sleep)
            return
        kept = list(self._measured(None, sleep))
        until_ns = self.stream.moving.air_was_on_until_ns if self.stream.moving is not None else None
        if speed is not None or until_ns is not None:
            _, self._file, self._reader = begin_reading(self._path)
            self._begin(until_ns or 0)
            yield from self._measured(speed, sleep)
        else:
            yield from kept

    def _measured(self, speed: float | None, sleep: Callable[[float], None]) -> Iterator[StrokeKept]:
        for found in self._in_bulk() if speed is None else self._at_pace(speed, sleep):
            yield from self._kept(found)
        if self.stream.moving is not None and not (self._as_live or self.stream.broken_off):
            self.stream.moving.ends_by_itself()
        yield from self._kept(self.stream.finish(self._reader.last_ns), last=True)

    def _in_bulk(self) -> Iterator[list[Stroke]]:
        for block in blocks_of(self._file, self._reader, self._texts):
            yield from self.stream.feed_block(block)
            if not self._file.closed:
                self._progress(part_read(self._file))

    def _at_pace(self, speed: float, sleep: Callable[[float], None]) -> Iterator[list[Stroke]]:
        began = time.monotonic()
        for line in lines_of(self._file, self._reader):
            wait = line.t_ns / 1e9 / speed - (time.monotonic() - began)
            if wait > 0:
                sleep(wait)
            yield self.stream.feed_line(line)

    @property
    def readings(self) -> list[tuple[int, int]]:
        """With `keep_readings`, what the indicator displayed and when: (ns since the recording began, nm)."""
        return self.stream.readings

    @property
    def gaps_ns(self) -> list[int]:
        """When the indicator was lost."""
        return self.stream.gaps_ns

    @property
    def air_at_start(self) -> str:
        """What is known of the air when the check began, in words; empty where it was off."""
        if self._from_ns:
            return AIR_WAS_ON
        return AIR_MAY_HAVE_BEEN_ON if self.stream.air_may_have_been_on else ""

    def _kept(self, found: list[Stroke], *, last: bool = False) -> Iterator[StrokeKept]:
        if self._check is not None and (found or last):
            self._check.tell_air_at_start(self.air_at_start)
        for stroke in found:
            if self._check is None:
                yield StrokeKept(stroke, seat=False)
            else:
                yield from (effect for effect in self._check.take(stroke) if isinstance(effect, StrokeKept))
                for after, number in self._left_out:
                    if after == stroke.n:
                        self._check.leave_out(number)

    def leave_out(self, numbers: Iterable[int]) -> None:
        """Judge what was measured without some of its strokes. Raises ValueError for one that does not count."""
        for number in numbers:
            if self._check is not None:
                self._check.leave_out(number)

    @property
    def shown_unit(self) -> LengthUnit | None:
        """The unit that the indicator showed last, None before its first reading."""
        return self.stream.newest.unit if self.stream.newest is not None else None

    @property
    def verdict(self) -> Verdict | None:
        """The verdict over every stroke that counts, None without a sheet or with fewer than two such strokes."""
        return self._check.verdict if self._check else None

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What the strokes show beside the clearance, even where too few count for a verdict."""
        return self._check.remarks if self._check else ()

    @property
    def counted(self) -> int:
        """How many strokes count, 0 without a sheet."""
        return self._check.counted if self._check else 0

    @property
    def advice(self) -> list[Advice]:
        """Which part to change, best first."""
        return advise(self.pack, self.verdict, self._unit) if self.pack and self.verdict else []

    @property
    def out_of_reach(self) -> str:
        """Where no change reaches the range: by how much, the closest, and what it looks like. Else empty."""
        return how_far_off(self.pack, self.verdict, self._unit) if self.pack and self.verdict else ""
