"""The command `strokelog`: the list of its commands, and the console script.

A command is a function in the file that stands beside its name here. The file is imported when the command is called,
and what the command needs when it runs: a bench daemon must start in under a second.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from capture import __version__
from capture.cli.groups import Command, CommandList, Group
from capture.plumbing.outward import say, warn

__all__ = ["COMMANDS", "app", "main"]

COMMANDS: dict[str, Command | Group] = {
    "run": Command("Measure a unit: pack after pack, from the port to a verdict.", "measure", "run"),
    "demo": Command("The whole job on a simulated bench; about a minute.", "measure", "demo"),
    "guide": Command("The user's guide: a page by its topic; needs no internet.", "guide", "guide"),
    "listen": Command("What comes out of this port? Finds the driver, or shows it live.", "wire", "listen"),
    "replay": Command("Measure a recording again.", "wire", "replay"),
    "decode": Command("Decode raw bytes from standard input: an object a reading.", "wire", "decode"),
    "jobs": Command("List the jobs in the record.", "records", "jobs"),
    "show": Command("Show one job: its checks, their strokes and verdicts.", "records", "show"),
    "report": Command("Write a job's report: one HTML file and a PDF.", "report", "report"),
    "board": Command("Every bench at once, live: a screen, a web page, or lines.", "board", "board"),
    "collect": Command(
        "Collect what the benches publish into one database.",
        "collect",
        "collect",
        {
            "migrate": Command(
                "Bring the database's tables up to date, and make and drop its months.", "collect_migrate", "migrate"
            )
        },
    ),
    "health": Command("Is all well with a bench, a board or a collector?", "health", "health"),
    "shop": Group(
        "How the shop works, from what was collected.",
        {
            "report": Command("Write the shop's statistics: one HTML file and a PDF.", "shop", "report"),
            "export": Command("Write the shop's statistics as tables.", "shop", "export"),
        },
    ),
    "sheet": Group(
        "Build sheets: the limits, parts and steps of a unit.",
        {
            "new": Command("Write a build sheet: asks what it says.", "sheet_new", "new_sheet"),
            "check": Command("Check a build sheet and show what it asks for.", "records", "check_sheet"),
        },
    ),
    "unit": Group(
        "A unit on its way to the sign-off: its parts and steps.",
        {
            "plan": Command("Say which parts to change, all packs together.", "unit_plan", "plan"),
            "change": Command("Keep a change of parts that was made.", "unit_plan", "change"),
            "steps": Command("Show packs and steps: done, next, open.", "signoff", "steps"),
            "step": Command("Confirm a step, or begin one that takes its time.", "signoff", "step"),
            "note": Command("Keep a note to the unit, a pack or a stroke, by name.", "signoff", "note"),
            "photo": Command("Keep a photo of the unit or a pack, by name.", "photo", "photo"),
            "leave-out": Command("Leave one stroke of a check out, by name and reason.", "signoff", "leave_out"),
            "override": Command("Let one pack or step pass, by name and reason.", "signoff", "override"),
            "sign-off": Command("Sign a unit off.", "signoff", "sign_off"),
        },
    ),
    "people": Group(
        "Who signs here, and by what: a PIN, a badge, or a typed name.",
        {
            "list": Command("List who signs here, and by what.", "people", "list_people"),
            "key": Command("Give a person a PIN or a badge.", "people", "give_key"),
            "forget": Command("Take every key from a person: one was lost.", "people", "forget_keys"),
            "left": Command("A person left, and signs nothing more.", "people", "person_left"),
            "back": Command("A person who left works here again.", "people", "person_back"),
        },
    ),
    "fixture": Group(
        "The air-check fixture: valve, button and pressure.",
        {"test": Command("Test a real fixture, point by point; opens its valve.", "wire", "check_fixture")},
    ),
    "gauge": Group(
        "The indicator checked against masters, and studies of the measurement.",
        {
            "masters": Command("Make the shop's masters what a file says, or list them.", "gauge", "masters"),
            "check": Command("Check the gauge against masters.", "gauge", "check"),
            "chart": Command("A gauge's mornings: level and spread, limits, events.", "gauge_history", "chart"),
            "event": Command("Keep what happened to a gauge: dropped, a new tip.", "gauge_history", "event"),
            "suspects": Command("The verdicts in doubt since a gauge was found out.", "gauge_history", "suspects"),
            "instrument": Command("Keep a torque wrench's or pressure gauge's check.", "gauge_history", "instrument"),
            "study": Command("Repeatability and reproducibility, planned and worked out.", "gauge", "study"),
        },
    ),
    "stock": Group(
        "The stock of selective parts: what lies on the shelf, and who gets it.",
        {
            "import": Command("Make the shelf what a stock file says.", "stock", "import_"),
            "export": Command("Write the shelf as a stock file.", "stock", "export"),
            "show": Command("What there is, what is reserved, what to order.", "stock", "show"),
            "receive": Command("Put new parts on the shelf.", "stock", "receive"),
            "measure": Command("Keep a part's measured thickness.", "stock", "measure"),
            "reserve": Command("Reserve one part for a unit.", "stock", "reserve"),
            "release": Command("Give up what is reserved for a unit.", "stock", "release"),
            "consume": Command("Take what is reserved off the shelf for good.", "stock", "consume"),
            "return": Command("Put a part that came out of a unit back.", "stock", "give_back"),
            "verify": Command("Prove the stock by its chain.", "stock_verify", "verify"),
            "allot": Command("Which part goes into which waiting pack, on all benches.", "allot", "allot"),
            "forecast": Command("Which sizes to order, and what it costs not to.", "forecast", "forecast"),
        },
    ),
    "record": Group(
        "The record: proven, copied, corrected and handed out.",
        {
            "verify": Command("Prove the record, and derive every verdict again.", "verify", "verify"),
            "anchor": Command("Write its head out of the owner's reach; stamp it.", "anchor", "anchor"),
            "backup": Command("Back up record, stock and recordings.", "custody", "backup"),
            "restore": Command("Put a backup back into a new data folder.", "custody", "restore"),
            "prune": Command("Compress and remove old recordings by policy.", "custody", "prune"),
            "export": Command("Write the record as flat tables: CSV, Parquet.", "export", "export"),
            "correct": Command("Say that an entry was wrong, and what is right.", "verify", "correct"),
            "send-again": Command("Send what the broker refused once more.", "custody", "send_again"),
        },
    ),
    "config": Group(
        "The settings of benches.",
        {"check": Command("What each bench would use, from where, and what is wrong.", "config_check", "check")},
    ),
    "service": Group(
        "A bench that starts by itself: its service on this machine.",
        {
            "install": Command("Install benches as services, or upgrade them.", "service", "install"),
            "uninstall": Command("Take away what install wrote; records stay.", "service", "uninstall"),
        },
    ),
}

app = typer.Typer(
    name="strokelog",
    cls=CommandList.of(COMMANDS),
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
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


def main() -> None:
    """The console script."""
    try:
        app(prog_name="strokelog")
    except BrokenPipeError:
        # The reader of a pipe left; that is how pipes end. Point the rest of the output nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        # A place that cannot be used (no home, no space, a disk mounted read-only) is no fault of the program.
        where = f"{error.filename}: " if error.filename is not None else ""
        warn(f"strokelog: {where}{error.strerror or error}", error=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
