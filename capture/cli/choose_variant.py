"""Asks which variant of a sheet is fitted, and who says so, before anything is measured by it."""

from __future__ import annotations

import sys
from pathlib import Path

import typer

from capture.cli.options import fail, read_sheet
from capture.plumbing.outward import harmless, warn
from capture.sheet.sheet import Sheet
from capture.sheet.variants import Variant
from drivers.units import format_length


def sheet_for_unit(path: Path, variant: str | None, technician: str, unit: str) -> tuple[Sheet, str, str]:
    """Return the sheet, its text and the unit that it judges: with the variant that a named person says is fitted.

    Asks at a terminal for what was not given; ends with what is missing where nobody can be asked.
    """
    sheet, text = read_sheet(path)
    if not sheet.variants and variant is None:
        return sheet, text, unit
    asks = sys.stdin.isatty() and sys.stderr.isatty()
    names = [one.name for one in sheet.variants]
    if variant is None and not asks:
        fail(f"{path} has variants: say which is fitted, --variant NAME; there are: {', '.join(names)}", 2)
    by = technician.strip()
    if not by and not asks:
        fail("--variant is confirmed by name: say who, --tech NAME", 2)
    if not unit and not asks:
        fail("--variant is confirmed for one unit: say which, --unit SERIAL", 2)
    if not unit:
        unit = typer.prompt("Serial of the unit on the bench", err=True).strip()
    if variant is None:
        warn("Which is fitted? Look at the part itself: limits and parts follow from it.")
        for number, one in enumerate(sheet.variants, 1):
            warn(f"  {number}  {one.name}: {_what_follows(one, sheet)}")
        while variant is None:
            typed = typer.prompt("Its number", err=True).strip()
            if typed.isdecimal() and 1 <= int(typed) <= len(names):
                variant = names[int(typed) - 1]
            else:
                warn(f"{harmless(typed)} is none of them; type a number from 1 to {len(names)}")
        by = typer.prompt("Confirmed by (your name)", default=by or None, err=True).strip()
    elif not by:
        by = typer.prompt(f"{harmless(variant)} is fitted, confirmed by (your name)", err=True).strip()
    return *read_sheet(path, variant, by, unit), unit


def _what_follows(variant: Variant, sheet: Sheet) -> str:
    """Return what a variant changes, in words."""
    told = []
    for name, keys in variant.packs.items():
        limits = " to ".join(str(limit) for limit in keys["range"]) if "range" in keys else ""
        other = ", ".join(key for key in keys if key != "range")
        told.append(" ".join(part for part in (name, limits, f"(and {other})" if limits and other else other) if part))
    unit = sheet.display_unit
    told += [
        f"{pack.name} {format_length(pack.low_nm, unit)} to {format_length(pack.high_nm, unit)}"
        for pack in sheet.packs
        if pack.name not in variant.packs
    ]
    return "; ".join(told)
