"""What happened to a pack between its checks, in words for a report: parts changed and why, what came out, what was let
pass, and the corrections of any of it. Plain data, no clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from capture.clearance.signing import signer_words
from capture.output.words import number
from capture.record import FactEntry, Job, KeptCheck
from capture.report.finishing import Note
from capture.report.times import Times
from capture.sheet.sheet import Sheet
from capture.unit.facts import ChangeUndone, Correction, Override, PartsChanged
from capture.unit.words import changed_words, fact_words, predicted_words
from drivers.reading import LengthUnit
from drivers.units import format_length


def result_words(check: KeptCheck, unit: LengthUnit) -> str:
    """Return the mean and expanded uncertainty of a check that has a verdict, with the unit."""
    verdict = check.stands
    assert verdict is not None
    return f"{number(verdict.mean_nm, unit)} ± {format_length(verdict.expanded_uncertainty_nm, unit)}"


class History:
    """The facts of one job. `came_out` has how changes came out against what they predicted, by the entry's number."""

    def __init__(self, job: Job, sheet: Sheet | None, times: Times, came_out: Mapping[int, str]) -> None:
        self.sheet, self.times, self.came_out = sheet, times, came_out
        self.unit: LengthUnit = sheet.display_unit if sheet else "mm"
        self.undone: dict[int, FactEntry] = {}
        self.corrections: dict[int, list[FactEntry]] = {}
        for entry in job.facts:
            if isinstance(entry.fact, ChangeUndone):
                self.undone[entry.fact.entry] = entry
            if isinstance(entry.fact, Correction):
                self.corrections.setdefault(entry.fact.entry, []).append(entry)

    def change_notes(self, entry: FactEntry, judged: Sequence[KeptCheck]) -> list[Note]:
        """What was changed, by whom, why, what it was to bring and what came out; and its corrections."""
        fact = entry.fact
        assert isinstance(fact, PartsChanged)
        told = [f"{changed_words(self.sheet, fact)}, by {fact.by or 'nobody named'}, {self.times.text(entry.at)}"]
        before = [check for check in judged if check.verdict is not None and check.verdict.number < entry.number]
        if before and (last := before[-1].verdict) is not None:
            why = f"why: check {before[-1].number} was {last.verdict.verdict}, {result_words(before[-1], self.unit)}"
            advised = str(last.advice[0].get("text", "")) if last.advice else ""
            told.append(f"{why}{f' (advised then: {advised})' if advised else ''}")
        else:
            told.append("why: the record holds no verdict on this pack before it")
        told.append(predicted_words(self.sheet, fact) or "nothing was predicted")
        after = (
            None
            if entry.number in self.undone
            else next((check for check in judged if check.started_number > entry.number), None)
        )
        if entry.number in self.came_out:
            told.append(f"came out: {self.came_out[entry.number]}")
        elif after is not None and after.verdict is not None:
            told.append(f"came out: {after.verdict.verdict.verdict}, {result_words(after, self.unit)}")
        elif entry.number not in self.undone:
            told.append("not checked again since")
        text = "; ".join(told).removesuffix(".")
        notes = [Note("Changed", f"{text} (entry {entry.number})"), *self.corrected(entry.number)]
        undone = self.undone.get(entry.number)
        if undone is not None:
            said = f"by {undone.fact.by}, {self.times.text(undone.at)}: written by mistake, never made"
            notes.append(Note("Undone", f"{said} (entry {undone.number})", loud=True))
        return notes

    def left_out_notes(self, check: KeptCheck) -> list[Note]:
        """The strokes of a check that a person left out, and what the others said."""
        notes = []
        for entry in check.left_out:
            text = f"{fact_words(self.sheet, entry.fact)}, {self.times.text(entry.at)} (entry {entry.number})"
            notes += [Note("Left out", text, loud=True), *self.corrected(entry.number)]
        return notes

    def override_notes(self, entry: FactEntry, holds: bool) -> list[Note]:
        fact = entry.fact
        assert isinstance(fact, Override)
        ended = "" if holds else "; it no longer holds, since the pack was checked or changed after it"
        by = signer_words(fact.by, fact.signed)
        text = f"by {by}, {self.times.text(entry.at)}: {fact.reason}{ended} (entry {entry.number})"
        return [Note("Let pass as it is", text, loud=True), *self.corrected(entry.number)]

    def corrected(self, number_: int) -> list[Note]:
        """The corrections of an entry, and theirs."""
        notes = []
        for entry in self.corrections.get(number_, []):
            fact = entry.fact
            assert isinstance(fact, Correction)
            who = f"by {signer_words(fact.by, fact.signed)}, {self.times.text(entry.at)} (entry {entry.number})"
            notes.append(
                Note(f"Correction of entry {number_}", f"{fact.text}; reason: {fact.reason}; {who}", loud=True)
            )
            notes += self.corrected(entry.number) if entry.number > number_ else []
        return notes
