"""The command `strokelog`: the list of its commands, and the console script.

A command is a function in `capture.commands`. What it needs is imported where it is used: a bench daemon must start
in under a second.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from capture import __version__
from capture.cli.allot import allot
from capture.cli.board import board
from capture.cli.collect import collect
from capture.cli.custody import backup, prune, restore
from capture.cli.export import export
from capture.cli.measure import demo, run
from capture.cli.options import Commands, say
from capture.cli.plan import change, plan
from capture.cli.records import check_sheet, jobs, show
from capture.cli.report import report
from capture.cli.signoff import override, sign_off, step, steps
from capture.cli.stock import app as stock
from capture.cli.verify import correct, verify
from capture.cli.wire import check_fixture, decode, listen, replay

__all__ = ["app", "main"]

app = typer.Typer(
    name="strokelog",
    cls=Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Capture clutch-pack strokes from a digital indicator, judge the clearance, keep the proof.",
    epilog=(
        "Compressed air injects and blinds; air-applied pistons pinch. Eye protection on, hands clear, supply "
        "regulated and relieved. Follow the manufacturer's service literature and local codes."
    ),
)


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"strokelog {__version__}")
        raise typer.Exit


@app.callback()
def top(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Capture clutch-pack strokes from a digital indicator, judge the clearance, keep the proof."""


COMMANDS = (
    run,
    demo,
    replay,
    decode,
    listen,
    check_fixture,
    jobs,
    show,
    plan,
    change,
    steps,
    step,
    override,
    sign_off,
    verify,
    correct,
    backup,
    restore,
    prune,
    export,
    report,
    allot,
    check_sheet,
    board,
    collect,
)

for command in COMMANDS:
    app.command()(command)
app.add_typer(stock, name="stock")


def main() -> None:
    """The console script."""
    try:
        app()
    except BrokenPipeError:
        # The reader of a pipe left; that is how pipes end. Point the rest of the output nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)


if __name__ == "__main__":
    main()
