"""The commands that make a bench a service of this machine: `service install`, `service uninstall`."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from capture.cli.options import Json, errors_in_words, fail
from capture.plumbing.outward import say, say_json, warn

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capture.bench.service.install import FileDeed
    from capture.bench.service.upgrade import BenchData

Benches = Annotated[
    list[str] | None,
    typer.Argument(metavar="[BENCH...]", help="Names of benches, such as bay-1; none for a board or collector alone."),
]
Root = Annotated[Path, typer.Option("--root", metavar="DIR", help="An image's folder, in place of this machine.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")]
_WOULD: Final = {"written": "write", "updated": "update", "removed": "remove"}


@contextmanager
def _service_errors() -> Iterator[None]:
    from capture.bench.service.shipped import ServiceError
    from capture.stock import StockError

    with errors_in_words():
        try:
            yield
        except (ServiceError, StockError) as error:
            fail(str(error))


def _folder(root: Path) -> Path:
    if not root.is_dir():
        fail(f"--root {root}: there is no such folder", 2)
    return root


def install(
    benches: Benches = None,
    root: Root = Path("/"),
    command: Annotated[
        str | None, typer.Option("--command", metavar="PATH", help="The strokelog that services run, if not this one.")
    ] = None,
    dry_run: DryRun = False,
    as_json: Json = False,
) -> None:
    """Install benches as services, or bring what an older strokelog installed up to date.

    Writes units, the rule for serial adapters, settings to fill in and samples for the broker. Records of an older
    version are copied, then brought up to date; their services must be stopped, and all of them where units change.
    Exit code 3 if a file was left because somebody changed it.
    """
    from capture.bench.service.install import all_benches, carry_out_install, changes_all, plan_install
    from capture.bench.service.installed import read_installed
    from capture.bench.service.own_command import own_command, plain_command
    from capture.bench.service.upgrade import at_rest, data_of

    with _service_errors():
        installed = read_installed(_folder(root))
        there = all_benches(installed, benches or ())
        program = plain_command(command) if command is not None else own_command()
        plan = plan_install(root, installed, there, program)
        data = data_of(root, there)
        if dry_run:
            for one in data:
                if one.behind:
                    _tell_record(as_json, one.bench, None)
        else:
            version = installed.version if installed else "unknown"
            behind = [one for one in data if one.behind]
            with at_rest(root, data if changes_all(installed, plan) else behind):
                _upgrade(root, behind, version, as_json)
                carry_out_install(root, installed, there, program, plan)
    _tell(plan, as_json, dry_run)
    if not (dry_run or as_json):
        on_it = "" if root == Path("/") else " on that machine"
        say(f"The services run {program}. Fill the settings in, then{on_it}:")
        units = " ".join(f"strokelog@{bench}" for bench in benches or ()) or "strokelog-board strokelog-collect"
        say("  systemd-sysusers && udevadm control --reload && systemctl daemon-reload")
        say(f"  systemctl enable --now {units}")
    raise typer.Exit(3 if any(one.deed == "left" for one in plan) else 0)


def _upgrade(root: Path, behind: Sequence[BenchData], version: str, as_json: bool) -> None:
    from capture.bench.service.upgrade import bring_up_to_date, copy_databases

    now = datetime.now(UTC)
    copies = [(one, copy_databases(root, one, version, now)) for one in behind]
    for one, copy in copies:
        bring_up_to_date(one, copy)
        _tell_record(as_json, one.bench, copy)


def _tell_record(as_json: bool, bench: str, copy: Path | None) -> None:
    if as_json:
        told = {"type": "record", "bench": bench, "copy": str(copy) if copy else None, "dry_run": copy is None}
        say_json(told)
    elif copy is None:
        say(f"would copy the record of {bench}, and bring it up to date")
    else:
        say(f"record of {bench}: brought up to date and proven; as it was before: {copy}")


def _tell(plan: Sequence[FileDeed], as_json: bool, dry_run: bool) -> None:
    for one in plan:
        if as_json:
            told = {"type": "file", "done": one.deed, "path": one.path, "bench": one.bench or None, "why": one.why}
            say_json({**told, "dry_run": dry_run})
        elif one.deed == "left":
            warn(f"strokelog: LEFT ALONE {one.path}: {one.why}")
        elif one.deed in _WOULD:
            say(f"would {_WOULD[one.deed]} {one.path}" if dry_run else f"{one.deed} {one.path}")


def uninstall(benches: Benches = None, root: Root = Path("/"), dry_run: DryRun = False, as_json: Json = False) -> None:
    """Take away what `service install` wrote, and nothing else. Records, recordings and backups stay.

    What all benches share goes with the last of them. Exit code 3 if a file was left because somebody changed it.
    """
    from capture.bench.service.install import carry_out_uninstall, plan_uninstall
    from capture.bench.service.installed import on, read_installed

    going = benches or []
    with _service_errors():
        installed = read_installed(_folder(root))
        plan = plan_uninstall(root, installed, going)
        if installed is not None and not dry_run:
            carry_out_uninstall(root, installed, going, plan)
    _tell(plan, as_json, dry_run)
    if not as_json:
        for bench in going:
            if on(root, folder := f"/var/lib/strokelog/{bench}").is_dir():
                say(f"The record of {bench} stays, in {folder}.")
    raise typer.Exit(3 if any(one.deed == "left" for one in plan) else 0)
