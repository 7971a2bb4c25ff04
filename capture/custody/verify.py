"""Proves a record: the ledger and the tables against each other, then every check against its recording, measured
anew by the same code that measured it live. Names the first thing that does not match, and of every other check what
does not match there: one bad recording says nothing of the others. Changes nothing.

What is derived again is what the recording and the sheet decide: strokes, seat marks, and every number of the
verdict. The wording of next steps and of advice may differ between versions, and what advice rests on (the parts
fitted) is not in the recording: those are proven by the chain alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, fields
from datetime import UTC
from pathlib import Path
from typing import Any

from capture import __version__
from capture.clearance.gauge.facts import GaugeEntry
from capture.clearance.verdict import BudgetLine, Verdict
from capture.custody.verify_gauges import prove_gauge_check, prove_gauge_of
from capture.job.unit_on_record import without
from capture.plumbing.durable import copy_into
from capture.record import CheckEnded, Job, KeptCheck, Mismatch, Store, audit
from capture.recordings.file import Header, RecordingError, in_data_folder, kept_at, open_recording, read_recording
from capture.recordings.replay import Replay
from capture.sheet.sheet import Sheet, SheetError, parse_sheet
from capture.strokes.stroke import Stroke
from capture.unit.facts import StrokeLeftOut
from capture.unit.origin import is_measured

#: The last digits of SciPy's quantiles may differ between its versions and machines; nothing else may.
_SAME_FLOAT = 1e-9
#: Words for people, which another version may put differently.
_WORDING = frozenset({"next_step", "budget", "basis", "remarks"})


@dataclass(slots=True)
class Proof:
    """What was proven, and what does not match, if anything does."""

    head: tuple[int, str] = (0, "0" * 64)
    """Number and hash of the newest entry; of no worth while the chain itself does not match."""
    jobs: int = 0
    verdicts: int = 0
    """Verdicts derived again from their recordings."""
    abandoned: int = 0
    """Checks without a verdict whose strokes were derived again."""
    pruned: int = 0
    """Checks whose recording was removed by policy: not provable any more."""
    unsealed: int = 0
    """Checks without a verdict that were never sealed (a crash): their strokes rest on the chain."""
    clock_jumps: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    """The entries that tell of a wall clock that was set, and what they tell."""
    not_measured: int = 0
    """Verdicts that are proven and are no measurement: their readings came from a file or a program."""
    gauge_checks: int = 0
    """Checks of gauges against masters derived again from their recordings."""
    mismatch: Mismatch | None = None
    """The first thing that does not match."""
    further: list[Mismatch] = field(default_factory=list)
    """The first thing of each later check whose recording, strokes or verdict do not match."""


def recording_of(check: KeptCheck, record: Path) -> Path:
    """Return where a check's recording is: in the record's own data folder, wherever it was first made.

    It may have been compressed since: either form is found. A path where no file is says where one was expected.
    """
    place = in_data_folder(record.parent, check.recording_path)
    return kept_at(place) or place


def verify(
    record: Path,
    *,
    job: int | None = None,
    expect: tuple[int, str] | None = None,
    heads: Sequence[tuple[int, str]] = (),
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Proof:
    """Prove the record, or one job of it (the chain always as a whole); `expect` is a number and hash that the chain
    must hold, and `heads` are more of them. `progress` is told how many checks of how many are done.

    Raises RecordError if there is no record that can be read.
    """
    proof = Proof()
    try:
        walked = audit(record, job=job, expect=expect, heads=heads)
        proof.head, proof.jobs = walked.head, walked.jobs
        proof.clock_jumps = walked.clock_jumps
        with Store.open_to_read(record) as store:
            gauges = store.gauge_facts()
            for sealed in walked.gauges:
                with _noted(proof):
                    prove_gauge_check(sealed, record)
                    proof.gauge_checks += 1
            read: Job | None = None
            for done, ended in enumerate(walked.ended):
                if read is None or read.id != ended.job:
                    read = store.job(ended.job)
                with _noted(proof):
                    _prove(proof, read, ended, walked.pruned.get(ended.check), record, gauges)
                progress(done + 1, len(walked.ended))
    except Mismatch as mismatch:
        proof.mismatch = mismatch
    return proof


@contextmanager
def _noted(proof: Proof) -> Iterator[None]:
    """Keep what does not match, the first thing apart from the others."""
    try:
        yield
    except Mismatch as mismatch:
        if proof.mismatch is None:
            proof.mismatch = mismatch
        else:
            proof.further.append(mismatch)


def _prove(
    proof: Proof, job: Job, ended: CheckEnded, pruned: str | None, record: Path, gauges: list[GaugeEntry]
) -> None:
    check = next(one for one in job.checks if one.id == ended.check)
    path = recording_of(check, record)
    one = _OneCheck(job, check, ended, path)
    if ended.recording_sha256 is None:
        proof.unsealed += 1
        return
    if pruned is not None:
        one.same("the hash of the recording that was pruned", ended.recording_sha256, pruned)
        if not path.is_file():
            proof.pruned += 1
            return
    header = one.recording()
    prove_gauge_of(job, check, gauges, header.gauge)
    one.derived()
    if check.verdict is None:
        proof.abandoned += 1
    else:
        proof.verdicts += 1
        proof.not_measured += not is_measured(check.origin)


class _OneCheck:
    """One check that is over, and its recording."""

    def __init__(self, job: Job, check: KeptCheck, ended: CheckEnded, path: Path) -> None:
        self._job = job
        self._check = check
        self._ended = ended
        self._path = path

    def _mismatch(self, what: str, expected: Any, found: Any) -> Mismatch:
        return Mismatch(
            what,
            expected=expected,
            found=found,
            entry=self._ended.entry,
            job=self._job.id,
            pack=self._check.pack,
            check=self._check.number,
        )

    def same(self, what: str, expected: Any, found: Any) -> None:
        """Raise Mismatch unless both are the same."""
        if expected != found:
            raise self._mismatch(what, expected, found)

    def recording(self) -> Header:
        """The recording is there, byte for byte, and is of this check; return its header."""
        path = self._path
        try:
            with open_recording(path) as file:
                size, found = copy_into(file, None)
        except OSError as error:
            raise self._mismatch(f"its recording {path}", "a file that can be read", f"{error.strerror}") from error
        self.same(f"the size in bytes of its recording {path}", self._ended.recording_bytes, size)
        self.same(f"the SHA-256 of its recording {path}", self._ended.recording_sha256, found)
        try:
            header, lines = read_recording(path)
            with closing(lines):
                first = next(lines, None)
        except RecordingError as error:
            raise self._mismatch("its recording", "one that can be read", f"{error}") from error
        mark = first.mark if first is not None and first.mark is not None else {}
        self.same(f"the job in its recording {path}", str(self._job.uuid), mark.get("job"))
        self.same(f"the pack in its recording {path}", self._check.pack, mark.get("pack"))
        self.same(f"the bench in its recording {path}", self._job.bench, header.bench)
        self.same(f"the indicator in its recording {path}", self._check.indicator, header.indicator)
        told = (header.model_extra or {}).get("origin")
        self.same(f"where the readings came from, in its recording {path}", self._check.origin, told)
        self.same(
            f"the start in its recording {path}", self._check.started_at.isoformat(),
            header.started.astimezone(UTC).isoformat(),
        )  # fmt: skip
        return header

    def _sheet(self) -> Sheet:
        try:
            return parse_sheet(self._job.sheet_toml, "the sheet kept with it")
        except SheetError as error:
            raise self._mismatch("its build sheet", "one that this version can read", f"{error}") from error

    def derived(self) -> None:
        """The recording and the sheet give the same strokes, seat marks and verdict."""
        sheet, check = self._sheet(), self._check
        try:
            pack = sheet.pack(check.pack)
        except SheetError as error:
            raise self._mismatch("its pack in the sheet kept with it", check.pack, f"{error}") from error
        self.same(
            "what it asked for (range in nm, strokes, seat strokes, measure)",
            (pack.low_nm, pack.high_nm, pack.strokes, pack.seat_strokes, pack.measure),
            (check.low_nm, check.high_nm, check.strokes_wanted, check.seat_wanted, check.measure),
        )
        try:
            gone = [one.fact for one in check.left_out if isinstance(one.fact, StrokeLeftOut)]
            running = [(fact.after, fact.stroke) for fact in gone if fact.verdict is None]
            replay = Replay(self._path, pack, sheet.display_unit, sheet.air, stop_when_settled=True, left_out=running)
            again = list(replay.strokes())
        except RecordingError as error:
            raise self._mismatch("its recording", "one that can be measured", f"{error}") from error
        for kept, made in zip(check.strokes, again, strict=False):
            for one in fields(Stroke):
                self._again(f"{one.name} of stroke {kept.stroke.n}", kept.stroke, made.stroke, one.name)
            self._again(f"the seat mark of stroke {kept.stroke.n}", kept, made, "seat")
        if len(check.strokes) != len(again):
            raise self._differs("how many strokes it has", len(check.strokes), len(again))
        entry = check.verdict
        if entry is None:
            return
        if replay.verdict is None:
            raise self._differs("its verdict", entry.verdict.verdict, None)
        self._same_verdict("the verdict", entry.verdict, replay.verdict)
        # What was left out after the verdict is proven from the strokes that were just derived again.
        for count, fact in enumerate(gone, 1):
            if fact.verdict is not None:
                anew = without(self._job, check, [one.stroke for one in gone[:count]])
                what = f"the verdict without stroke {fact.stroke}"
                if anew is None:
                    raise self._differs(what, fact.verdict.verdict, None)
                self._same_verdict(what, fact.verdict, anew)

    def _same_verdict(self, what: str, kept: Verdict, made: Verdict) -> None:
        for one in fields(Verdict):
            self._again(f"{one.name} of {what}", kept, made, one.name)
        said, found = ({remark.code for remark in judged.remarks} for judged in (kept, made))
        if said != found:
            raise self._differs(f"the remarks of {what}", sorted(said), sorted(found))
        if len(kept.budget) != len(made.budget):
            raise self._differs(f"how many lines the budget has in {what}", len(kept.budget), len(made.budget))
        for line, other in zip(kept.budget, made.budget, strict=True):
            for one in fields(BudgetLine):
                self._again(f"{one.name} of {line.source} in the budget of {what}", line, other, one.name)

    def _again(self, what: str, kept: object, made: object, name: str) -> None:
        """Compare one field of the record with what was derived again."""
        left, right = getattr(kept, name), getattr(made, name)
        same = left == right
        if isinstance(left, float) and isinstance(right, (int, float)):
            same = math.isclose(left, right, rel_tol=_SAME_FLOAT, abs_tol=_SAME_FLOAT)
        if not same and name not in _WORDING:
            raise self._differs(what, left, right)

    def _differs(self, what: str, kept: Any, made: Any) -> Mismatch:
        """What the record has is expected to come out of the recording again."""
        written = self._check.verdict.software_version if self._check.verdict is not None else ""
        versions = f"strokelog {__version__}"
        if written and written != __version__:
            versions = f"strokelog {__version__}, while the verdict was written by strokelog {written}"
        return self._mismatch(f"{what}, derived again from {self._path} by {versions}", kept, made)
