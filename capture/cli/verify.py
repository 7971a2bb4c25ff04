"""The commands about the proof of the record: `record verify` and `correct`."""

from __future__ import annotations

import math
import os
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from capture.cli.kept_elsewhere import MOST_TOLD, Anchored, collected
from capture.cli.options import (
    ConfigFile,
    DataDir,
    Json,
    errors_in_words,
    fail,
    head_option,
    many,
    open_store,
    record_path,
)
from capture.cli.progress_bar import ProgressBar
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.custody.verify import Proof

#: So many changes of settings, and verdicts measured otherwise, are told one by one.
_MOST_TOLD: Final = 3


def verify(
    job: Annotated[int | None, typer.Argument(help="Only this job (the chain is always walked as a whole).")] = None,
    expect: Annotated[
        str | None,
        typer.Option("--expect", metavar="NUMBER:HASH", help="A head written down earlier, which must still be there."),
    ] = None,
    against: Annotated[
        str | None,
        typer.Option("--against", metavar="DATABASE", help="A collector's database, whose heads must all be there."),
    ] = None,
    password_file: Annotated[
        Path | None, typer.Option("--password-file", help="Of that database, where it is no file.")
    ] = None,
    anchors: Annotated[
        Path | None, typer.Option("--anchors", help="The lines that `record anchor` wrote, whose heads must be there.")
    ] = None,
    authority: Annotated[
        Path | None, typer.Option("--authority", help="Of their stamps: the certificates, PEM.")
    ] = None,
    derived: Annotated[
        Path | None,
        typer.Option("--derived", metavar="FILE", help="Keep here what is derived again; later, go on from there."),
    ] = None,
    processes: Annotated[
        int | None, typer.Option("--processes", min=1, help="So many share the recordings; all cores if not given.")
    ] = None,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Prove the record: walk its chain, compare its tables, derive every verdict again from its recording.

    Exit code 0 if all is proven, 1 if not, naming the first thing that does not match. Changes nothing. Entries
    removed from the end cannot be seen: write the head down elsewhere, and give it with --expect.
    """
    from capture.custody.verify import verify as prove
    from capture.plumbing.plaintext import clean

    head = head_option(expect)
    with errors_in_words():
        path = record_path(config, data_dir)
        heads, messages, early = collected(path, against, password_file) if against is not None else ([], None, [])
        kept = Anchored(path, anchors, authority)
        with ProgressBar() as bar:
            proof = prove(
                path,
                job=job,
                expect=head,
                heads=[*heads, *kept.heads],
                collected=messages,
                progress=lambda done: bar.show(
                    done.bytes / done.of_bytes if done.of_bytes else done.checks / done.of_checks,
                    f"check {done.checks} of {done.of_checks}",
                ),
                processes=processes or len(os.sched_getaffinity(0)),
                derived=derived,
            )
        doubtful = kept.misdated(path) if proof.mismatch is None else []
        early = early if proof.mismatch is None else []
        stranger = _another_bench(path, config)
    if as_json:
        for line in _json_lines(proof, heads):
            more = {**kept.json(doubtful), "collected_too_early": [number for number, _, _ in early]}
            say_json({**line, **more} if line["type"] == "proof" else line)
    else:
        for text in _lines(proof, job, expected=head is not None, heads=heads):
            say(clean(text))
        for text in kept.lines(doubtful, proof.head[0]) if proof.mismatch is None else []:
            say(clean(text))
        for number, at, came in early[:MOST_TOLD]:
            say(
                f"TIMES IN DOUBT: entry {number} says {at:%Y-%m-%d %H:%M} UTC, and was collected at "
                f"{came:%Y-%m-%d %H:%M}: the bench's clock was ahead, or the collector's behind."
            )
        if stranger:
            say(clean(stranger))
    raise typer.Exit(0 if proof.mismatch is None else 1)


def _another_bench(record: Path, config: Path | None) -> str:
    """Say that the settings are of a bench that this record knows nothing of; empty where not, or if they name none."""
    from capture.config import load_config
    from capture.record import Store

    with Store.open_to_read(record) as store:
        benches = store.benches()
    settled = load_config(config)
    if "bench" not in settled.model_fields_set or not benches or settled.bench in benches:
        return ""
    return (
        f"ANOTHER BENCH'S RECORD: the settings are of bench {settled.bench}, and all of this was written at "
        f"{', '.join(benches)}. Were two data folders exchanged?"
    )


def _lines(proof: Proof, job: int | None, *, expected: bool, heads: list[tuple[int, str]]) -> list[str]:
    done = f"{many(proof.verdicts, 'verdict')} derived again from the recordings, and the strokes of "
    done += f"{many(proof.abandoned, 'check')} without a verdict"
    what = f"job {job}" if job is not None else many(proof.jobs, "job")
    if proof.mismatch is not None:
        lines = ["NOT PROVEN. The first thing that does not match:", str(proof.mismatch)]
        lines += [f"Nor does this: {further}" for further in proof.further]
        return [*lines, f"The rest: {done}."] if proof.verdicts or proof.abandoned else lines
    number, sha256 = proof.head
    lines = [f"PROVEN: {many(number, 'entry')} in the chain, {what}: {done}."]
    if proof.derived_before:
        lines.append(f"Of these, {many(proof.derived_before, 'check')} derived again by an earlier run of --derived.")
    if proof.gauge_checks:
        lines.append(f"And {many(proof.gauge_checks, 'check')} of gauges against masters, from their recordings.")
    if proof.photos:
        lines.append(f"And {many(proof.photos, 'photo')}, by the SHA-256 of each.")
    if proof.waiting:
        lines.append(f"And {many(proof.waiting, 'message')} waiting for the broker or set aside, against the record.")
    if proof.pruned:
        lines.append(f"Not provable any more: pruned: {many(proof.pruned, 'recording')} removed by policy.")
    if proof.unsealed:
        lines.append(
            f"Not derived again: {many(proof.unsealed, 'check')} without a verdict whose recording was never sealed; "
            "their strokes match the chain."
        )
    if proof.not_measured:
        lines.append(
            f"Not measured on a unit: {many(proof.not_measured, 'verdict')}, from a recording or a program; "
            "`strokelog show` names them."
        )
    if proof.decided:
        lines.append(
            f"WITHOUT A VERDICT: {many(len(proof.decided), 'check')} given up, the first by entry {proof.decided[0]}, "
            "though the recording comes to a verdict: given up as the last stroke ended, or the verdict was taken out."
        )
    lines += _otherwise_lines(proof)
    lines += _settings_lines(proof)
    if proof.people:
        lines.append(f"PEOPLE CHANGED: {proof.people}.")
    for entry, told in proof.clock_jumps:
        lines.append(
            f"Entry {entry}: the clock of {told.get('bench')} was set from {told.get('from')} to {told.get('to')}; "
            "times before and after it are not of one clock."
        )
    if heads:
        lines.append(
            f"Proven against what was collected as it happened: {many(len(heads), 'head')}, the newest of entry "
            f"{max(heads)[0]}. {many(proof.collected, 'message')}, each against the record."
        )
    if proof.never_collected:
        lines.append(
            f"NEVER COLLECTED: {many(len(proof.never_collected), 'verdict')}, the first of entry "
            f"{proof.never_collected[0]}: lost on the way, or taken out before it was sent."
        )
    lines.append(f"Head: {number}:{sha256}")
    lines.append(
        "The head that was expected is there; nothing up to it is missing."
        if expected
        else "Entries removed from the end cannot be seen: note this number and hash, and prove them later "
        "with --expect."
    )
    return lines


def _settings_lines(proof: Proof) -> list[str]:
    """Which settings that decide something were changed, when, and who was at work; the newest."""
    from capture.record.settings_kept import difference_of

    before: dict[tuple[str, str], dict[str, Any]] = {}
    lines = []
    for one in proof.settings:
        earlier = before.get((one.bench, one.of))
        before[one.bench, one.of] = one.settings
        if earlier is None:
            continue
        changed = [
            f"{name} from {_short(was)} to {_short(now)}"
            for name, (was, now) in difference_of(earlier, one.settings).items()
        ]
        who = f"{one.technician or 'nobody named'} at work as user {one.user}"
        what = f"settings ({one.of}) of {one.bench} changed at {one.at}"
        lines.append(f"Entry {one.entry}: {what}, {who}: {'; '.join(changed)}.")
    return lines[-_MOST_TOLD:]


def _short(value: object) -> object:
    """A hash by its beginning; whoever compares hashes has `--json`."""
    return f"{value[:12]}..." if isinstance(value, str) and len(value) == 64 else value


def _otherwise_lines(proof: Proof) -> list[str]:
    """What the present way of measuring makes of what an earlier one measured, the largest difference first."""
    if not proof.otherwise:
        return []
    told = sorted(proof.otherwise, key=lambda one: -math.inf if (u := one.of_uncertainty) is None else -u)
    lines = [
        f"Measured otherwise now: {many(len(told), 'verdict')}, each proven by the method of its time; the record "
        "stands as it is. The largest first:"
    ]
    lines += [f"  {one.text()}." for one in told[:_MOST_TOLD]]
    return lines


def _json_lines(proof: Proof, heads: list[tuple[int, str]]) -> list[dict[str, Any]]:
    lines: list[dict[str, Any]] = []
    for found in filter(None, (proof.mismatch, *proof.further)):
        lines.append(
            {
                "type": "mismatch",
                "job": found.job,
                "pack": found.pack,
                "check": found.check,
                "entry": found.entry,
                "what": found.what,
                "expected": found.expected,
                "found": found.found,
            }
        )
    lines += [{"type": "measured_otherwise", **asdict(one), "of_u": one.of_uncertainty} for one in proof.otherwise]
    lines.append(
        {
            "type": "proof",
            "proven": proof.mismatch is None,
            "jobs": proof.jobs,
            "verdicts": proof.verdicts,
            "abandoned": proof.abandoned,
            "given_up_though_decided": proof.decided,
            "derived_before": proof.derived_before,
            "gauge_checks": proof.gauge_checks,
            "pruned": proof.pruned,
            "unsealed": proof.unsealed,
            "not_measured": proof.not_measured,
            "waiting": proof.waiting,
            "measured_otherwise": len(proof.otherwise),
            "clock_jumps": [{"entry": entry, **told} for entry, told in proof.clock_jumps],
            "settings": [asdict(one) for one in proof.settings],
            "people_changed": proof.people,
            "collected_heads": len(heads),
            "collected_messages": proof.collected,
            "never_collected": proof.never_collected,
            "head": {"number": proof.head[0], "sha256": proof.head[1]} if proof.head[0] else None,
        }
    )
    return lines


def correct(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    entry: Annotated[int, typer.Argument(help="The entry that was wrong, from `strokelog show`.")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who says so.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why the entry is wrong.")],
    text: Annotated[str, typer.Option("--text", metavar="TEXT", help="What is right instead.")],
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Say that an entry of the record was wrong, and what is right. The entry stays as it is; this is added to it."""
    from capture.cli.people import signed_way
    from capture.config import load_config
    from capture.unit.facts import Correction

    for option, word in (("--by", by), ("--reason", reason), ("--text", text)):
        if not word.strip():
            fail(f"{option}: is empty; a correction says who, why and what is right instead", 2)
    with errors_in_words():
        signed = signed_way(by.strip(), "correction", load_config(config), data_dir)
    fact = Correction(entry, by.strip(), reason.strip(), text.strip(), signed)
    with errors_in_words(), open_store(config, data_dir) as store:
        number = store.add_fact(job, fact, at=datetime.now(UTC))
    if as_json:
        say_json({"type": "correction", "entry": number, "corrects": entry, "job": job})
    else:
        say(f"Entry {number} corrects entry {entry} of job {job}. `strokelog show {job}` shows both.")
