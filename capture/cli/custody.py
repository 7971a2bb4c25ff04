"""The commands that keep what was measured: `record backup`, `restore`, `prune`, `send-again`."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail, many, record_path
from capture.plumbing.outward import say, say_json, warn

if TYPE_CHECKING:
    from capture.config import Config
    from capture.custody.backup import Made
    from capture.custody.retention import Action, Policy


def _waiting(what: str) -> None:
    warn(f"strokelog: waiting for {what} to end")


def _size(count: int) -> str:
    """Return a size for people, in decimal units (IEC 80000-13)."""
    if count < 1000:
        return many(count, "byte")
    return f"{count / 1000:.1f} kB" if count < 1_000_000 else f"{count / 1_000_000:.1f} MB"


def backup(
    place: Annotated[Path, typer.Argument(metavar="DEST", help="A folder, or a new file ending in .tar or .tar.gz.")],
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Back up the record, the stock, recordings and photos, while the bench goes on measuring.

    A folder that holds an earlier backup is brought up to date: only what is new is copied. The copy's chain is walked
    before it counts. Exit code 1 if nothing was backed up, or if recordings that the record refers to are not there.
    """
    from capture.config import load_config
    from capture.custody.backup import back_up_to_archive, back_up_to_folder, is_archive
    from capture.custody.backup.sources import Source
    from capture.plumbing.plaintext import clean

    with errors_in_words():
        record = record_path(config, data_dir)
        stock = data_dir / "stock.sqlite" if data_dir else load_config(config).stock_path
        source = Source(record, stock if stock.is_file() else None)
        make = back_up_to_archive if is_archive(place) else back_up_to_folder
        made = make(source, place, at=datetime.now(UTC), waiting=lambda: _waiting("another backup or prune"))
    if as_json:
        say_json(_made_json(made))
    else:
        there = f", {made.kept} there already" if made.kept else ""
        if wrong := len(made.missing) + len(made.altered):
            say(f"NOT WHOLE: {many(wrong, 'file')} that the record needs, lost or altered, named below.")
        say(clean(f"Backed up to {made.place}: {many(made.jobs, 'job')}{', the stock' if made.stock else ''}."))
        say(f"Recordings and photos: {made.copied} copied ({_size(made.copied_bytes)}){there}.")
        say("The copy's chain is whole, but not its files." if wrong else "Proven: the copy's chain is whole.")
        say(f"Head: {made.head[0]}:{made.head[1]}")
    for name in made.missing:
        warn(f"strokelog: not backed up, since it is not there: {name}")
    for name in made.altered:
        warn(f"strokelog: backed up, but not as the record holds it: {name}")
    if made.missing or made.altered:
        fail(
            "the backup is in place, but the files above are not as the record needs them; run "
            "`strokelog record verify`"
        )


def _made_json(made: Made) -> dict[str, object]:
    return {
        "type": "backup",
        "place": str(made.place),
        "jobs": made.jobs,
        "recordings_copied": made.copied,
        "bytes_copied": made.copied_bytes,
        "recordings_kept": made.kept,
        "stock": made.stock,
        "missing": list(made.missing),
        "altered": list(made.altered),
        "head": {"number": made.head[0], "sha256": made.head[1]},
    }


def restore(
    source: Annotated[Path, typer.Argument(help="A backup: a folder, or a file ending in .tar or .tar.gz.")],
    data_dir: Annotated[
        Path, typer.Option("--data-dir", help="The data folder to make; it must not be there yet, or be empty.")
    ],
    as_json: Json = False,
) -> None:
    """Put a backup back into a new data folder. A record that is there is never written over.

    Every file is held against the backup's manifest and the chain is walked before the folder gets its name.
    """
    from capture.custody.backup import restore as put_back
    from capture.plumbing.plaintext import clean

    with errors_in_words():
        done = put_back(source, data_dir)
    if as_json:
        told = {
            "type": "restored",
            "data_dir": str(done.folder),
            "made": f"{done.made:%Y-%m-%dT%H:%M:%S}Z",
            "jobs": done.jobs,
            "recordings": done.recordings,
            "stock": done.stock,
            "missing": list(done.missing),
            "altered": list(done.altered),
            "head": {"number": done.head[0], "sha256": done.head[1]},
        }
        say_json(told)
        return
    what = f"{many(done.jobs, 'job')}, {many(done.recordings, 'recording')}{', the stock' if done.stock else ''}"
    say(clean(f"Put back as {done.folder}: {what}, as of {done.made.astimezone():%Y-%m-%d %H:%M}."))
    if done.missing or done.altered:
        wrong = len(done.missing) + len(done.altered)
        say(f"{many(wrong, 'file')} of it had been lost or altered before the backup was made.")
    say(f"Head: {done.head[0]}:{done.head[1]}")
    say(clean(f"Prove it now, recordings, photos and all: strokelog record verify --data-dir {done.folder}"))


def prune(
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Compress old recordings and remove those nobody needs any more, as the settings' table retention says.

    The record itself is never shortened, and says which recording was removed and why. Recordings of jobs that are
    open are never removed, nor what the record does not know. Exit code 1 if a recording needs a person.
    """
    from capture.config import load_config
    from capture.custody.retention import Policy, keep_by_policy
    from capture.plumbing.plaintext import clean

    with errors_in_words():
        settled = load_config(config)
        if settled.retention is None:
            fail(
                "the settings have no [retention], so nothing is compressed or removed; it takes "
                "compress_after_days, prune_after_days, prune_unsigned_after_days, keep_newest_jobs"
            )
        policy = Policy(**settled.retention.model_dump())
        record = record_path(config, data_dir)
        if not dry_run:
            _keep_retention(record, settled, policy)
        counts: Counter[str] = Counter()
        saved: Counter[str] = Counter()
        for action in keep_by_policy(
            record, policy, at=datetime.now(UTC), dry_run=dry_run, waiting=lambda: _waiting("a backup")
        ):
            counts[action.kind] += 1
            saved[action.kind] += action.saved
            if as_json:
                say_json(_action_json(action, dry_run))
            elif (text := _action_words(action, dry_run)) is not None:
                say(clean(text))
    if as_json:
        summary = {kind: counts[kind] for kind in ("pruned", "compressed", "stray", "missing", "left")}
        say_json({"type": "summary", "dry_run": dry_run, **summary, "bytes_freed": sum(saved.values())})
    else:
        _say_summary(counts, saved, policy, dry_run)
    raise typer.Exit(1 if counts["left"] else 0)


def _keep_retention(record: Path, settled: Config, policy: Policy) -> None:
    """Say in the record how long recordings are kept, where that is not what it was."""
    from capture.plumbing.user_folders import user_name
    from capture.record import Store
    from capture.record.settings_kept import WhoSet

    with Store.open(record) as store:
        who = WhoSet(settled.technician, user_name())
        store.keep_settings(settled.bench, "retention", asdict(policy), who, at=datetime.now(UTC))


def _action_json(action: Action, dry_run: bool) -> dict[str, object]:
    return {
        "type": action.kind,
        "recording": action.recording,
        "bytes": action.bytes,
        "bytes_freed": action.saved,
        "why": action.why,
        "dry_run": dry_run,
    }


def _action_words(action: Action, dry_run: bool) -> str | None:
    """What is worth a line of its own; compressing loses nothing and is only counted, but for a dry run."""
    if action.kind == "pruned":
        return f"{'would remove' if dry_run else 'removed'} {action.recording}: {action.why}"
    if action.kind == "compressed":
        return f"would compress {action.recording} ({_size(action.bytes)})" if dry_run else None
    if action.kind == "left":
        return f"LEFT ALONE {action.recording}: {action.why}"
    if action.kind == "stray":
        return f"stray, left alone: {action.recording} ({_size(action.bytes)}): {action.why}"
    return None


def _say_summary(counts: Counter[str], saved: Counter[str], policy: Policy, dry_run: bool) -> None:
    if dry_run:
        say(f"Would remove {counts['pruned']} ({_size(saved['pruned'])}) and compress {counts['compressed']}.")
    else:
        say(
            f"Removed {many(counts['pruned'], 'recording')} ({_size(saved['pruned'])} free), compressed "
            f"{counts['compressed']} ({_size(saved['compressed'])} free)."
        )
    if policy.prune_after_days is None:
        say("The settings name no prune_after_days, so no recording is ever removed.")
    if counts["missing"]:
        say(
            f"{many(counts['missing'], 'recording')} not beside the record; `strokelog record verify` "
            "says if one is missed."
        )
    if counts["stray"]:
        say(f"{many(counts['stray'], 'file')} that no check of the record has.")


def send_again(config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """Send the messages that the broker refused once more, behind all that wait.

    Put the broker's rules right first: what it refuses again is set aside again. A bench that is running sends them
    within seconds, another when it runs.
    """
    from capture.plumbing.plaintext import clean
    from capture.record import Store

    with errors_in_words():
        store = Store.open(record_path(config, data_dir))
        try:
            aside = store.aside()
            store.send_again()
        finally:
            store.close()
    if aside is None:
        say("No message is set aside.")
    else:
        say(clean(f"{many(aside.count, 'message')} will be sent again (last refused at {aside.topic}: {aside.why})."))
