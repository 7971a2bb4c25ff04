"""What a recording, its sheet and the ledger decide, worked out again: plain data in, plain data out.

Theory. Every way of measuring is asked through this, the present one and those that were frozen with their own copy of
this file (see `earlier_methods`), so what is asked and answered never changes its meaning: a later way may take more
and answer more. `main` is what a frozen one runs: a question a line on its input, JSON, and an answer a line.

    check      recording, sheet, pack, left_out -> asked, strokes, verdict
    left_out   sheet, pack, indicator, gauge, strokes, left_out -> verdict
    masters    recording, masters, room -> indicator, started_at, resolution_nm, max_error_nm, check, linearity
    gauge      gauge, bench, at, origin, before -> gauge, by what the ledger says of gauges up to that entry

What cannot be worked out is answered by `refused`: what it is of, what was expected, and what was found.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from capture.clearance.check import StrokeKept, judged_again
from capture.clearance.gauge.facts import GaugeEntry, gauge_fact_of
from capture.clearance.gauge.masters import Room, master_of
from capture.clearance.kept_form import columns_of_stroke, columns_of_verdict, stroke_of
from capture.clearance.verdict import Verdict
from capture.job.gauge_now import kept_with
from capture.plumbing.outward import write
from capture.recordings.blocks import SentTexts
from capture.recordings.file import RecordingError
from capture.recordings.master_strokes import measure_masters
from capture.recordings.replay import Replay
from capture.recordings.stream import indicator_from, limits_of
from capture.sheet.sheet import Pack, Sheet, SheetError, parse_sheet
from capture.unit.gauge_identity import gauge_of

Plain = dict[str, Any]


def plain(value: Any) -> Any:
    """Return `value` as JSON hands it on: one form for what is kept and what is worked out. Floats stay exact."""
    return json.loads(json.dumps(value, default=str))


class _Refused(Exception):
    def __init__(self, what: str, expected: object, error: Exception) -> None:
        self.answer = {"refused": [what, str(expected), str(error)]}
        super().__init__(what)


class Derivation:
    """The way of measuring of the program that this is part of."""

    def __init__(self, gauges: Sequence[GaugeEntry] = ()) -> None:
        """`gauges` is what the ledger says of the shop's gauges, in its order."""
        self._gauges = list(gauges)
        self._told: list[Mapping[str, Any]] = []
        self._texts = SentTexts()

    def answer(self, asked: Mapping[str, Any]) -> Plain:
        """Answer one question. Raises KeyError, TypeError or ValueError for one that is none."""
        ways = {"check": self._check, "left_out": self._left_out, "masters": self._masters, "gauge": self._gauge}
        try:
            found: Plain = plain(ways[asked["what"]](asked))
        except _Refused as refused:
            found = refused.answer
        return found

    def know(self, entries: Sequence[Mapping[str, Any]]) -> None:
        """Take what the ledger says of gauges as plain data: number, hash, time, kind and body of each entry."""
        self._told = list(entries)

    def _known_before(self, number: int) -> list[GaugeEntry]:
        # Only those that are asked for: what later versions wrote after them may be beyond this one.
        told = [one for one in self._told if one["number"] < number]
        for one in told:
            at, fact = datetime.fromisoformat(one["at"]), gauge_fact_of(one["kind"], one["body"])
            self._gauges.append(GaugeEntry(one["number"], one["sha256"], at, fact))
        self._told = [one for one in self._told if one["number"] >= number]
        return [one for one in self._gauges if one.number < number]

    def _check(self, asked: Mapping[str, Any]) -> Plain:
        sheet, pack = _pack(asked)
        wanted = {
            "low_nm": pack.low_nm,
            "high_nm": pack.high_nm,
            "strokes_wanted": pack.strokes,
            "seat_wanted": pack.seat_strokes,
            "measure": pack.measure,
        }
        if self._texts.crowded:
            self._texts = SentTexts()
        try:
            replay = Replay(
                Path(asked["recording"]), pack, sheet.display_unit, sheet.air, stop_when_settled=True,
                left_out=asked["left_out"], texts=self._texts,
            )  # fmt: skip
            strokes = [{**columns_of_stroke(kept.stroke), "seat": kept.seat} for kept in replay.strokes()]
        except RecordingError as error:
            return {"asked": wanted, "refused": ["its recording", "one that can be measured", str(error)]}
        return {"asked": wanted, "strokes": strokes, "verdict": _columns(replay.verdict)}

    def _left_out(self, asked: Mapping[str, Any]) -> Plain:
        sheet, pack = _pack(asked)
        limits = limits_of(indicator_from(asked["indicator"])[1], asked["gauge"])
        strokes = [StrokeKept(stroke_of(one), one["seat"]) for one in asked["strokes"]]
        return {"verdict": _columns(judged_again(pack, limits, strokes, asked["left_out"], sheet.display_unit))}

    def _masters(self, asked: Mapping[str, Any]) -> Plain:
        masters = [master_of(one) for one in asked["masters"]]
        try:
            made = measure_masters(Path(asked["recording"]), masters, Room(**asked.get("room", {})))
        except RecordingError as error:
            raise _Refused("its recording", "one that can be measured", error) from error
        return {
            "indicator": made.header.indicator,
            "started_at": made.header.started.astimezone(UTC).isoformat(),
            "resolution_nm": made.settings.resolution_nm,
            "max_error_nm": made.settings.max_error_nm,
            "check": asdict(made.check),
            "linearity": None if made.linearity is None else asdict(made.linearity),
        }

    def _gauge(self, asked: Mapping[str, Any]) -> Plain:
        before = self._known_before(asked["before"])
        at = datetime.fromisoformat(asked["at"])
        return {"gauge": kept_with(gauge_of(asked["gauge"]), before, asked["bench"], at, asked["origin"])}


def _pack(asked: Mapping[str, Any]) -> tuple[Sheet, Pack]:
    try:
        sheet = parse_sheet(asked["sheet"], "the sheet kept with it")
    except SheetError as error:
        raise _Refused("its build sheet", "one that this version can read", error) from error
    try:
        return sheet, sheet.pack(asked["pack"])
    except SheetError as error:
        raise _Refused("its pack in the sheet kept with it", asked["pack"], error) from error


def _columns(verdict: Verdict | None) -> Plain | None:
    return None if verdict is None else columns_of_verdict(verdict)


def main() -> None:
    """Answer what comes on the standard input until it ends. The first line is what the ledger says of gauges."""
    way = Derivation()
    way.know(json.loads(sys.stdin.readline()))
    for line in sys.stdin:
        write(json.dumps(way.answer(json.loads(line))) + "\n")
