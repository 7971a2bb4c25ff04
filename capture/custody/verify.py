"""Proves a record: the ledger and the tables against each other, then every check against its recording, measured
anew by the way of measuring that measured it live, be it the present or an earlier one. Names the first thing that
does not match, and of every other check what does not match there: one bad recording says nothing of the others.
Changes nothing.

What is derived again is what the recording and the sheet decide: strokes, seat marks, and every number of the
verdict. The wording of next steps and of advice may differ between versions, and what advice rests on (the parts
fitted) is not in the recording: those are proven by the chain alone. What the present way of measuring makes of a
check of an earlier one is told beside the proof.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import partial
from pathlib import Path
from typing import Any, Self

from capture import __version__
from capture.clearance.kept_form import columns_of_stroke, columns_of_verdict
from capture.clearance.verdict import Verdict
from capture.custody.derivation import Plain, plain
from capture.custody.earlier_methods import MeasuringWay, MethodError, Ways
from capture.custody.measured_otherwise import MeasuredOtherwise, measured_otherwise
from capture.custody.over_cores import Derived, Said, names_before, over_cores
from capture.custody.same_values import alike
from capture.custody.verify_gauges import prove_gauge_check, prove_gauge_of
from capture.custody.verify_messages import MessageProver, Told
from capture.custody.verify_outbox import prove_outbox
from capture.custody.verify_people import people_changed
from capture.job.photo_files import photo_bytes
from capture.plumbing.durable import copy_into
from capture.record import CheckEnded, Job, KeptCheck, Mismatch, SettingsSet, Store, audit
from capture.recordings.file import Header, RecordingError, in_data_folder, kept_at, open_recording, read_recording
from capture.strokes.methods import FIRST_METHOD, METHOD
from capture.unit.facts import StrokeLeftOut
from capture.unit.origin import is_measured

#: Words for people, which another version may put differently; of these, what is no word is compared by itself.
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
    decided: list[int] = field(default_factory=list)
    """The entries of those whose recording comes to a verdict, which a bench would have kept."""
    pruned: int = 0
    """Checks whose recording was removed by policy: not provable any more."""
    unsealed: int = 0
    """Checks without a verdict that were never sealed (a crash): their strokes rest on the chain."""
    clock_jumps: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    """The entries that tell of a wall clock that was set, and what they tell."""
    settings: list[SettingsSet] = field(default_factory=list)
    """Which settings that decide something came into force when, in order."""
    waiting: int = 0
    """Messages that wait for the broker or were set aside, and say what the record says."""
    collected: int = 0
    """Messages that were collected, and say what the record says."""
    never_collected: list[int] = field(default_factory=list)
    """The entries of verdicts that were neither collected nor wait, though the bench told of others before."""
    not_measured: int = 0
    """Verdicts that are proven and are no measurement: their readings came from a file or a program."""
    gauge_checks: int = 0
    """Checks of gauges against masters derived again from their recordings."""
    photos: int = 0
    otherwise: list[MeasuredOtherwise] = field(default_factory=list)
    """Verdicts that are proven by the method of their time, and which the present one measures otherwise."""
    derived_before: int = 0
    """Checks that an earlier run derived again, of the same and by the same software."""
    people: str = ""
    """What was changed in the file of people since the record was told of it, in words; empty for nothing."""
    mismatch: Mismatch | None = None
    """The first thing that does not match."""
    further: list[Mismatch] = field(default_factory=list)
    """The first thing of each later check whose recording, strokes or verdict do not match."""

    def add(self, part: Proof) -> None:
        """Add what was proven of one check."""
        self.verdicts += part.verdicts
        self.abandoned += part.abandoned
        self.decided += part.decided
        self.pruned += part.pruned
        self.unsealed += part.unsealed
        self.not_measured += part.not_measured
        self.derived_before += part.derived_before
        self.otherwise += part.otherwise
        found = [one for one in (part.mismatch, *part.further) if one is not None]
        if found and self.mismatch is None:
            self.mismatch = found.pop(0)
        self.further += found


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a proof is."""

    checks: int
    of_checks: int
    bytes: int
    """Of their recordings."""
    of_bytes: int


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
    collected: Iterable[Told] | None = None,
    progress: Callable[[Progress], None] = lambda progress: None,
    processes: int = 1,
    derived: Path | None = None,
) -> Proof:
    """Prove the record, or one job of it (the chain always as a whole); `expect` is a number and hash that the chain
    must hold, and `heads` are more of them. `collected` is what was collected of its benches, job after job, and is
    held against the whole record. `progress` is told how far it is, `processes` share the recordings.

    In the file `derived` it is kept what was derived again, and what is there already is not derived once more: the
    chain, the tables and the bytes of every recording are proven anew all the same. Believe such a file of your own.

    Raises RecordError if there is no record that can be read, or that file cannot be.
    """
    proof = Proof()
    try:
        walked = audit(record, job=job, expect=expect, heads=heads)
        proof.head, proof.jobs = walked.head, walked.jobs
        proof.clock_jumps, proof.settings = walked.clock_jumps, walked.settings
        with Store.open_to_read(record) as store, Ways(store.gauge_facts()) as ways:
            for sealed in walked.gauges:
                with _noted(proof):
                    prove_gauge_check(sealed, record, ways)
                    proof.gauge_checks += 1
        for photo in walked.photos:
            with _noted(proof):
                photo_bytes(record.parent, photo)
                proof.photos += 1
        if job is None:
            proof.people = people_changed(record.parent, proof.settings)
        with closing(Derived(derived)) if derived is not None else nullcontext() as kept:
            done = Progress(0, len(walked.ended), 0, sum(one.recording_bytes or 0 for one in walked.ended))
            prover = partial(JobProver, record, walked.pruned, kept.before if kept is not None else None)
            for ended, (part, name) in over_cores(prover, walked.ended, processes):
                proof.add(part)
                if kept is not None and name:
                    kept.add(name, Said(tuple(part.otherwise), bool(part.decided)))
                done = replace(done, checks=done.checks + 1, bytes=done.bytes + (ended.recording_bytes or 0))
                progress(done)
        if job is None:
            with _noted(proof), Store.open_to_read(record) as store:
                messages = MessageProver(store)
                proof.waiting = prove_outbox(store, messages)
                if collected is not None:
                    proof.collected = messages.collected(collected)
                    first = min((number for number, _ in heads), default=0)
                    proof.never_collected = [
                        one.entry
                        for one in walked.ended
                        if one.judged and one.entry >= first and one.check not in messages.verdicts
                    ]
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


class JobProver:
    """Proves checks of one job after the other; a process that shares the work has one of its own."""

    def __init__(self, record: Path, pruned: Mapping[int, str], before: tuple[Path, int] | None) -> None:
        """`pruned` are the hashes of recordings that were removed, by their checks, and what is named in so many bytes
        of the file `before` is not derived once more. Raises RecordError."""
        self._record, self._pruned = record, pruned
        self._names = names_before(*before) if before is not None else None

    def __enter__(self) -> Self:
        self._opened = ExitStack()
        self._store = self._opened.enter_context(Store.open_to_read(self._record))
        self._ways = self._opened.enter_context(Ways(self._store.gauge_facts()))
        return self

    def __exit__(self, *_: object) -> None:
        self._opened.close()

    def __call__(self, ended: Sequence[CheckEnded]) -> list[tuple[Proof, str]]:
        """Return of each check what was proven, and the name of what was derived, where such names are kept."""
        job, found = self._store.job(ended[0].job), []
        for one in ended:
            part, name = Proof(), ""
            with _noted(part):
                name = _prove(part, job, one, self._pruned.get(one.check), self._record, self._ways, self._names)
            found.append((part, name))
        return found


def _prove(
    proof: Proof,
    job: Job,
    ended: CheckEnded,
    pruned: str | None,
    record: Path,
    ways: Ways,
    names: Mapping[str, Said] | None,
) -> str:
    check = next(one for one in job.checks if one.id == ended.check)
    path = recording_of(check, record)
    one = _OneCheck(job, check, ended, path, ways)
    if ended.recording_sha256 is None:
        proof.unsealed += 1
        return ""
    if pruned is not None:
        one.same("the hash of the recording that was pruned", ended.recording_sha256, pruned)
        if not path.is_file():
            proof.pruned += 1
            return ""
    header = one.recording()
    prove_gauge_of(job, check, one.way, header.gauge)
    name = "" if names is None else Derived.name_of(job, check, ended.recording_sha256)
    if names is not None and name in names:
        proof.derived_before += 1
        said = names[name]
    else:
        decided = one.derived()
        said = Said(tuple(one.otherwise()) if one.method != METHOD else (), decided)
    proof.otherwise += said.otherwise
    proof.decided += [ended.entry] if said.decided else []
    if check.verdict is None:
        proof.abandoned += 1
    else:
        proof.verdicts += 1
        proof.not_measured += not is_measured(check.origin)
    return name


class _OneCheck:
    """One check that is over, and its recording."""

    def __init__(self, job: Job, check: KeptCheck, ended: CheckEnded, path: Path, ways: Ways) -> None:
        self._job = job
        self._check = check
        self._ended = ended
        self._path = path
        self._ways = ways
        self.method = ended.method or FIRST_METHOD

    @property
    def way(self) -> MeasuringWay:
        """The way that this check was measured by. Raises Mismatch where it is not here."""
        return self._by(self.method)

    def _by(self, method: int) -> MeasuringWay:
        try:
            return self._ways.by(method)
        except MethodError as error:
            raise self._mismatch("the method it was measured by", method, str(error)) from error

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

    def _question(self) -> Plain:
        gone = [one.fact for one in self._check.left_out if isinstance(one.fact, StrokeLeftOut)]
        return {
            "what": "check",
            "recording": str(self._path),
            "sheet": self._job.sheet_toml,
            "pack": self._check.pack,
            "left_out": [(fact.after, fact.stroke) for fact in gone if fact.verdict is None],
        }

    def _asked(self, way: MeasuringWay, question: Mapping[str, Any]) -> Plain:
        """Ask; raise Mismatch for what is refused."""
        try:
            answer = way.answer(question)
        except MethodError as error:
            raise self._mismatch("its recording", "one that can be measured", f"{error}") from error
        if wanted := answer.get("asked"):
            self.same(
                "what it asked for (range in nm, strokes, seat strokes, measure)",
                list(wanted.values()),
                [getattr(self._check, name) for name in wanted],
            )
        if "refused" in answer:
            raise self._mismatch(*answer["refused"])
        return answer

    def derived(self) -> bool:
        """The recording and the sheet give the same strokes, seat marks and verdict. Return whether a check without a
        verdict comes to one all the same."""
        answer, check = self._asked(self.way, self._question()), self._check
        kept = [{**columns_of_stroke(one.stroke), "seat": one.seat} for one in check.strokes]
        for had, made in zip(kept, answer["strokes"], strict=False):
            for name in made if had != made else ():
                what = "the seat mark" if name == "seat" else name
                self._again(f"{what} of stroke {had['n']}", had, made, name)
        if len(kept) != len(answer["strokes"]):
            raise self._differs("how many strokes it has", len(kept), len(answer["strokes"]))
        if check.verdict is None:
            made = answer["verdict"]
            enough = made is not None and made["strokes"] >= check.strokes_wanted
            return enough and made["verdict"] != "inconclusive"
        self._same_verdict("the verdict", check.verdict.verdict, answer["verdict"])
        # What was left out after the verdict is proven from the strokes that were just derived again.
        gone: list[int] = []
        for fact in (one.fact for one in check.left_out if isinstance(one.fact, StrokeLeftOut)):
            gone.append(fact.stroke)
            if fact.verdict is not None:
                way = self._by(fact.method or FIRST_METHOD)
                again = self._asked(way, self._without(kept, gone))["verdict"]
                self._same_verdict(f"the verdict without stroke {fact.stroke}", fact.verdict, again)
        return False

    def _without(self, strokes: Sequence[Plain], left_out: Sequence[int]) -> Plain:
        return {
            "what": "left_out",
            "sheet": self._job.sheet_toml,
            "pack": self._check.pack,
            "indicator": self._check.indicator,
            "gauge": self._check.gauge,
            "strokes": strokes,
            "left_out": left_out,
        }

    def otherwise(self) -> list[MeasuredOtherwise]:
        """Return what the present method makes of it, where that is another verdict or number."""
        if self._check.verdict is None:
            return []
        now = self._ways.now.answer(self._question()).get("verdict")
        kept = columns_of_verdict(self._check.verdict.verdict)
        return measured_otherwise(self._job.id, self._check.pack, self._check.number, self.method, kept, now)

    def _same_verdict(self, what: str, kept: Verdict, made: Plain | None) -> None:
        if made is None:
            raise self._differs(what, kept.verdict, None)
        had = plain(columns_of_verdict(kept))
        for name in made:
            if name not in _WORDING:
                self._again(f"{name} of {what}", had, made, name)
        said, found = (sorted({remark["code"] for remark in judged["remarks"]}) for judged in (had, made))
        if said != found:
            raise self._differs(f"the remarks of {what}", said, found)
        if len(had["budget"]) != len(made["budget"]):
            raise self._differs(f"how many lines the budget has in {what}", len(had["budget"]), len(made["budget"]))
        for line, other in zip(had["budget"], made["budget"], strict=True):
            for name in other:
                if name not in _WORDING:
                    self._again(f"{name} of {line['source']} in the budget of {what}", line, other, name)

    def _again(self, what: str, kept: Mapping[str, Any], made: Mapping[str, Any], name: str) -> None:
        """Compare one value of the record with what was derived again."""
        if not alike(kept.get(name), made[name]):
            raise self._differs(what, kept.get(name), made[name])

    def _differs(self, what: str, kept: Any, made: Any) -> Mismatch:
        """What the record has is expected to come out of the recording again."""
        written = self._check.verdict.software_version if self._check.verdict is not None else __version__
        by = f"strokelog {__version__}"
        if written != __version__:
            by += f", while the verdict was written by strokelog {written}"
        return self._mismatch(f"{what}, derived again from {self._path} by {by} (method {self.method})", kept, made)
