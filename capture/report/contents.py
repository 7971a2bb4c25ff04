"""What is on a report: words and numbers worked out from a job of the record, and the pictures that go with them.

Plain data out; the text from the record is as it was written, and is made harmless where the page is made. Nothing
here reads a clock: the same record gives the same report.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime

from capture.clearance.check import StrokeKept
from capture.clearance.gauge.facts import GaugeEntry
from capture.clearance.verdict import Verdict, VerdictWord
from capture.custody.verify import Proof
from capture.job.told_of_job import technicians_of
from capture.job.unit_on_record import happened_in, judged_in
from capture.output.words import chance, flag_words, number, travel_nm, unstated_words
from capture.record import FactEntry, Job, KeptCheck
from capture.report.drawing import Scale, Use, mark_svg, range_svg, shape_svg, stroke_svg
from capture.report.finishing import Finishing, Note, finishing
from capture.report.history import History, result_words
from capture.report.measurement import study_parts
from capture.report.page_parts import CheckPart, Contents, PackPart, PhotoPart, RecordingPart, StrokePart
from capture.report.photographs import Picture
from capture.report.times import Times
from capture.report.traces import Trace
from capture.sheet.sheet import Pack, Sheet
from capture.strokes.methods import FIRST_METHOD
from capture.unit.acknowledge import remarks
from capture.unit.changes import PlanError, outcomes, packs_to_recheck
from capture.unit.facts import CameBack, Fact, NoteMade, Override, PartsChanged, PhotoKept, ToAcknowledge
from capture.unit.gauge_identity import gauge_of
from capture.unit.origin import not_measured_words, origin_words
from capture.unit.pack_states import PackState, pack_states
from capture.unit.words import changed_words, fact_words
from drivers.reading import LengthUnit
from drivers.units import format_length, format_pressure, pressure_unit_beside

__all__ = ["Contents", "contents", "newest_at"]

_NO_TRACE = Trace(missing="The recording was not looked for.")


def newest_at(job: Job) -> datetime:
    """Return when the newest thing that the record holds of a job happened."""
    times = [job.opened_at, *(entry.at for entry in job.facts)]
    times += [job.closed_at] if job.closed_at else []
    for check in job.checks:
        times += [at for at in (check.started_at, check.ended_at, check.verdict and check.verdict.at) if at]
    return max(times).astimezone(UTC)


def contents(
    job: Job,
    sheet: Sheet | None,
    sheet_problem: str,
    proof: Proof,
    unproven: str,
    head: tuple[int, str],
    traces: Mapping[int, Trace],
    came_back: Sequence[int] = (),
    gauges: Sequence[GaugeEntry] = (),
    photos: Mapping[int, Picture] | None = None,
) -> Contents:
    """Return what is on the report of `job`.

    `sheet` is the job's own, None with `sheet_problem` where it cannot be read; `unproven` says why the proof could not
    even be tried; `traces` are by the check's id; `came_back` are the later jobs in which this unit came back; `gauges`
    is what the record says of the shop's gauges; `photos` are by the number of their entries.
    """
    return _Report(job, sheet, head, traces, came_back, gauges, photos or {}).contents(sheet_problem, proof, unproven)


class _Report:
    def __init__(
        self,
        job: Job,
        sheet: Sheet | None,
        head: tuple[int, str],
        traces: Mapping[int, Trace],
        came_back: Sequence[int],
        gauges: Sequence[GaugeEntry],
        photos: Mapping[int, Picture],
    ) -> None:
        self.job, self.sheet, self.head, self.traces, self.gauges = job, sheet, head, traces, gauges
        self.came_back, self.photos = came_back, photos
        self.unit: LengthUnit = sheet.display_unit if sheet else "mm"
        told = [job.opened_at, *([job.closed_at] if job.closed_at else []), *(entry.at for entry in job.facts)]
        self.times = Times([*told, *(check.started_at for check in job.checks)])
        self.problems: list[Note] = []
        self.states: dict[str, PackState] = {}
        self.followed = True
        self.known: tuple[ToAcknowledge, ...] = ()
        came_out: dict[int, str] = {}
        if sheet is not None:
            try:
                judged = judged_in(job)
                happened = happened_in(job)
                states = pack_states(sheet, judged, job.facts, packs_to_recheck(sheet, happened))
                self.states = {state.pack: state for state in states}
                came = outcomes(sheet, happened)
                self.known = remarks(job.facts, judged, came)
                told_of = {id(one.change): one.text for one in came}
                came_out = {e.number: told_of[id(e.fact)] for e in job.facts if id(e.fact) in told_of}
            except PlanError as error:
                self.followed = False
                self.problems.append(Note("The changes of parts cannot be followed", f"{error}", loud=True))
        self.history = History(job, sheet, self.times, came_out)

    def contents(self, sheet_problem: str, proof: Proof, unproven: str) -> Contents:
        job = self.job
        if sheet_problem:
            self.problems.insert(0, Note("The build sheet kept with the job cannot be read", sheet_problem, loud=True))
        names = [pack.name for pack in self.sheet.order()] if self.sheet else []
        # A record may speak of packs that its sheet does not have; what it says of them is printed all the same.
        told_of = {check.pack for check in job.checks} | {name for e in job.facts if (name := _pack_of(e.fact))}
        names += sorted(told_of - set(names))
        states = self.states if self.followed else None
        end = finishing(job, self.sheet, states, self.known, self.times, self.history.corrected)
        packs = tuple(self.pack_part(name, end) for name in names)
        return Contents(
            title=f"Clutch pack report, job {job.id}",
            unit=job.unit_serial or "unit without a serial number",
            proven=proof.mismatch is None and not unproven,
            proof=_proof_words(job, proof, unproven),
            facts=tuple(self.facts()),
            packs=packs,
            finishing=end,
            notes=(*self.problems, *end.remarks),
            studies=study_parts(self.gauges, job, self.sheet, self.times, self.unit),
            recordings=tuple(self.recordings()),
            photos=tuple(self.photo_parts()),
            head=f"{self.head[0]}:{self.head[1]}" if self.head[0] else "no entry",
            newest=newest_at(job),
            paper="letter" if self.unit == "in" else "A4",
        )

    # -- the head of the page

    def facts(self) -> list[tuple[str, str]]:
        job, sheet = self.job, self.sheet
        closed = self.times.text(job.closed_at) if job.closed_at else "still open"
        told = [
            ("build sheet", f"{job.sheet_name}, revision {job.sheet_revision}"),
            ("technician", technicians_of(job)),
            ("bench", job.bench),
            ("opened, closed", f"{self.times.text(job.opened_at)}, {closed}"),
        ]
        if sheet is not None:
            told.insert(1, ("limits from", sheet.sheet.source))
            if sheet.sheet.variant:
                told.insert(2, ("variant", f"{sheet.sheet.variant}, confirmed by {sheet.sheet.variant_by}"))
            if sheet.air is not None:
                told.append(("air", sheet.air.text(sheet.pressure_unit)))
        back = [entry for entry in job.facts if isinstance(entry.fact, CameBack)]
        told += [("came back", f"{fact_words(sheet, entry.fact)} (entry {entry.number})") for entry in back]
        told += [("came back in", f"job {later}") for later in self.came_back]
        notes = [one for one in job.facts if isinstance(one.fact, NoteMade) and not one.fact.pack]
        told += [("note", f"{fact_words(sheet, one.fact)} (entry {one.number})") for one in notes]
        told += [("indicator", text) for text in dict.fromkeys(self.indicator(check) for check in job.checks)]
        judged = [check.verdict for check in job.checks if check.verdict is not None]
        versions = dict.fromkeys((one.software_version, one.method or FIRST_METHOD) for one in judged)
        if versions:
            by = (f"strokelog {version} (method {method})" for version, method in versions)
            told.append(("measured by", ", ".join(by)))
        return told

    def indicator(self, check: KeptCheck) -> str:
        wire = str(check.indicator.get("driver", "unknown"))
        resolution = check.indicator.get("resolution")
        error = check.indicator.get("max_error")
        told = [f"driver {wire}"]
        told += [f"resolution {resolution}"] if resolution else []
        told += [f"maximum error {error}"] if error else []
        if check.gauge is None:
            return ", ".join(["serial number not recorded", *told])
        gauge = gauge_of(check.gauge)
        due = (
            f"calibration due {gauge.calibration_due}" if gauge.calibration_due else "calibration due date not recorded"
        )
        late = " (OVERDUE when this was measured)" if gauge.overdue(check.started_at.astimezone().date()) else ""
        return ", ".join([f"serial {gauge.serial}", due + late, *told])

    # -- the packs

    def pack_part(self, name: str, end: Finishing) -> PackPart:
        checks = [check for check in self.job.checks if check.pack == name]
        judged = [check for check in checks if check.verdict is not None]
        newest = judged[-1] if judged else None
        pack = self.pack(name)
        changes = [
            entry for entry in self.job.facts if isinstance(entry.fact, PartsChanged) and entry.fact.pack == name
        ]
        passes = [entry for entry in self.job.facts if isinstance(entry.fact, Override) and entry.fact.pack == name]
        events: list[tuple[int, CheckPart | Note]] = []
        for check in checks:
            events.append((check.started_number, self.check_part(check, pack, checks, changes)))
            events += [(check.started_number, note) for note in self.history.left_out_notes(check)]
        for entry in changes:
            events += [(entry.number, note) for note in self.history.change_notes(entry, judged)]
        for entry in passes:
            events += [(entry.number, note) for note in self.history.override_notes(entry, name in end.let_pass)]
        for entry in self.job.facts:
            if isinstance(entry.fact, NoteMade) and entry.fact.pack == name:
                text = f"{fact_words(self.sheet, entry.fact)}, {self.times.text(entry.at)} (entry {entry.number})"
                events.append((entry.number, Note("Note", text)))
        events.sort(key=lambda event: event[0])
        verdict = newest.stands if newest is not None else None
        word: VerdictWord | None = verdict.verdict if verdict else None
        limits = pack or (checks[-1] if checks else None)
        return PackPart(
            name=name,
            word=word or "no verdict",
            shape=shape_svg(word, 3.0),
            result=result_words(newest, self.unit) if newest else "",
            range_text=self.range_text(limits.low_nm, limits.high_nm) if limits else "",
            stands=self.stands(name, checks, end),
            changed="; ".join(
                changed_words(self.sheet, entry.fact) for entry in changes if isinstance(entry.fact, PartsChanged)
            ),
            events=tuple(event for _, event in events),
        )

    def pack(self, name: str) -> Pack | None:
        packs = self.sheet.packs if self.sheet else ()
        return next((pack for pack in packs if pack.name == name), None)

    def stands(self, name: str, checks: Sequence[KeptCheck], end: Finishing) -> str:
        state = self.states.get(name)
        if checks and checks[-1].state == "measuring":
            return "is being measured"
        if name in end.let_pass:
            return f"let pass by {end.let_pass[name]}"
        if state is None:
            return "not in the build sheet" if self.sheet and self.pack(name) is None else "cannot be said"
        if state.state == "recheck":
            return f"RE-CHECK NEEDED: {state.words}"
        if checks and checks[-1].state == "abandoned":
            return f"{state.state}; the last check was abandoned"
        return {"unchecked": "not checked", "not good": "not good", "good": "good"}[state.state]

    def range_text(self, low_nm: int, high_nm: int) -> str:
        return f"{number(low_nm, self.unit)} to {format_length(high_nm, self.unit)}"

    def check_part(
        self, check: KeptCheck, pack: Pack | None, checks: Sequence[KeptCheck], changes: Sequence[FactEntry]
    ) -> CheckPart:
        trace = self.traces.get(check.id, _NO_TRACE)
        entry = check.verdict
        verdict = entry.verdict if entry is not None else None
        scale = Scale(check.low_nm, check.high_nm, _top(check), check.measure, self.unit)
        word = verdict.verdict if verdict else None
        basis = f"judged by the {check.measure} travel"
        if verdict is not None:
            basis = (
                f"{verdict.coverage:.0%} coverage, k = {verdict.coverage_factor:.2f}, {verdict.strokes} strokes, "
                f"{basis}; in range with probability {chance(verdict.conformance_probability)}"
            )
        columns = min(max(len(check.strokes), 6), 8)
        preferred = pack.preferred_nm if pack else None
        return CheckPart(
            pack=check.pack,
            number=check.number,
            word=word or {"measuring": "being measured", "abandoned": "abandoned"}.get(check.state, "no verdict"),
            shape=shape_svg(word),
            result=result_words(check, self.unit) if verdict else "",
            basis=basis,
            budget=self.budget(verdict) if verdict else "",
            range_text=self.range_text(check.low_nm, check.high_nm),
            range_picture=range_svg(check.low_nm, check.high_nm, preferred, verdict, self.unit),
            strokes=tuple(self.stroke_part(one, trace, scale, columns) for one in check.strokes),
            columns=columns,
            notes=tuple(self.check_notes(check, trace, checks, changes)),
            made=self.made(check),
        )

    def stroke_part(self, kept: StrokeKept, trace: Trace, scale: Scale, columns: int) -> StrokePart:
        stroke = kept.stroke
        use: Use = "seat" if kept.seat else "counts" if kept.counts else "not counted"
        travel = format_length(travel_nm(stroke, scale.measure), self.unit)
        width, height = {6: (30.5, 21.0), 7: (26.1, 19.0), 8: (22.7, 16.5)}[columns]
        return StrokePart(
            n=stroke.n,
            use=use,
            mark=mark_svg(use),
            picture=stroke_svg(stroke, use, trace, scale, width, height) if trace.readings else "",
            travel=travel,
            remarks=kept.left_out or flag_words(stroke.flags),
        )

    def budget(self, verdict: Verdict) -> str:
        places = 5 if self.unit == "in" else 4  # one more than a travel has
        lines = (
            f"{line.source} {format_length(round(line.standard_nm), self.unit, places)}" for line in verdict.budget
        )
        return f"standard uncertainties: {', '.join(lines)}"

    def check_notes(
        self, check: KeptCheck, trace: Trace, checks: Sequence[KeptCheck], changes: Sequence[FactEntry]
    ) -> list[Note]:
        notes = [Note("No picture", trace.missing, loud=True)] if trace.missing else []
        notes += [Note("Look at the picture with care", trace.doubt, loud=True)] if trace.doubt else []
        moved = {pack.name for pack in self.sheet.packs if pack.moved_by == "hand"} if self.sheet is not None else set()
        if check.pack in moved:
            notes.append(Note("Moved by hand", "pushed and pulled from stop to stop; no air"))
        if not check.strokes:
            notes.append(Note("No strokes", "the record holds none of this check"))
        remarks = check.stands.remarks if check.stands is not None else ()
        for label, begun in (("The seal", False), ("The air", True)):
            told = "; ".join(one.text.rstrip(".") for one in remarks if (one.code == "air_at_start") == begun)
            if told:
                notes.append(Note(label, told, loud=True))
        if unstated := unstated_words(check.verdict.verdict if check.verdict is not None else None):
            notes.append(Note("The indicator", unstated, loud=True))
        if check.verdict is not None and check.verdict.verdict.verdict != "good":
            notes.append(Note("Said then", check.verdict.verdict.next_step))
        earlier = [one for one in checks if one.number == check.number - 1]
        if earlier and not any(earlier[0].started_number < one.number < check.started_number for one in changes):
            notes.append(Note("Checked again", "the record holds no change of this pack's parts in between"))
        if check.gauge is not None and gauge_of(check.gauge).overdue(check.started_at.astimezone().date()):
            late = f"gauge {gauge_of(check.gauge).serial}, due {gauge_of(check.gauge).calibration_due}"
            notes.append(Note("Calibration overdue when this was measured", late, loud=True))
        if words := not_measured_words(check.origin):
            notes.append(Note("Not measured on a unit", f"the readings came from {words}", loud=True))
        lows = [one.stroke.pressure_min_pa for one in check.strokes if one.stroke.pressure_min_pa is not None]
        highs = [one.stroke.pressure_max_pa for one in check.strokes if one.stroke.pressure_max_pa is not None]
        if lows and highs:
            unit = self.sheet.pressure_unit if self.sheet is not None else pressure_unit_beside(self.unit)
            air = f"{format_pressure(min(lows), unit)} to {format_pressure(max(highs), unit)} gauge while held"
            notes.append(Note("Air", air))
        numbers = [check.started_number, *([check.verdict.number] if check.verdict is not None else [])]
        return notes + [note for one in numbers for note in self.history.corrected(one)]

    def made(self, check: KeptCheck) -> str:
        ended = f" to {self.times.clock(check.ended_at)}" if check.ended_at else ""
        told = [f"{self.times.text(check.started_at)}{ended}"]
        told.append(f"gauge {gauge_of(check.gauge).serial}" if check.gauge is not None else "gauge not recorded")
        if check.origin is not None:
            told.append(origin_words(check.origin))
        if check.verdict is not None:
            told.append(f"recording {check.verdict.recording_sha256[:12]}")
            told.append(f"entries {check.started_number} to {check.verdict.number}")
        else:
            told.append(f"entry {check.started_number}")
        return "; ".join(told)

    def photo_parts(self) -> Iterator[PhotoPart]:
        for entry in self.job.facts:
            if isinstance(entry.fact, PhotoKept):
                picture = self.photos.get(entry.number, Picture(missing="It was not looked for."))
                said = f"{fact_words(self.sheet, entry.fact)}, {self.times.text(entry.at)} (entry {entry.number})"
                if picture.missing:
                    yield PhotoPart("", Note("Photo not shown", f"{said}. {picture.missing}", loud=True))
                else:
                    yield PhotoPart(picture.address, Note("Photo", said))

    def recordings(self) -> list[RecordingPart]:
        found = []
        for check in self.job.checks:
            entry = check.verdict
            size = f"{entry.recording_bytes} bytes" if entry is not None else "-"
            sha256 = entry.recording_sha256 if entry is not None else "no verdict rests on it"
            name = check.recording_path.replace("\\", "/").rsplit("/", 1)[-1]
            found.append(RecordingPart(check.pack, check.number, name, size, sha256))
        return found


def _top(check: KeptCheck) -> int:
    """The highest travel to find room for: a stroke that is left out may be absurd, and must not flatten the others."""
    counted = max((one.stroke.peak_travel_nm for one in check.strokes if one.counts), default=0)
    others = max((one.stroke.peak_travel_nm for one in check.strokes), default=0)
    return max(counted, min(others, max(counted, check.high_nm) * 3 // 2))


def _pack_of(fact: Fact) -> str | None:
    return fact.pack if isinstance(fact, (PartsChanged, Override, NoteMade, PhotoKept)) else None


def _proof_words(job: Job, proof: Proof, unproven: str) -> tuple[str, ...]:
    if unproven:
        return (f"The proof could not be tried when this report was written: {unproven}",)
    if proof.mismatch is not None:
        return (
            "When this report was written, the record did not match itself or its recordings. The first thing found:",
            f"{proof.mismatch}",
            "Do not rely on what is printed here before that is cleared up.",
        )
    judged = sum(check.verdict is not None for check in job.checks)
    told = [
        "When this report was written, the record's chain was whole, and "
        f"{proof.verdicts} of this job's {judged} {'verdict was' if judged == 1 else 'verdicts were'} derived again "
        "from the recordings and came out the same."
        if judged
        else "When this report was written, the record's chain was whole. This job holds no verdict yet."
    ]
    if proof.pruned:
        told.append(f"Not provable any more: {proof.pruned} whose recording was removed by policy.")
    if proof.decided:
        told.append(f"Given up though the recording comes to a verdict: {len(proof.decided)} without a verdict.")
    if proof.unsealed:
        told.append(f"Resting on the chain alone: {proof.unsealed} without a verdict, never sealed.")
    return tuple(told)
