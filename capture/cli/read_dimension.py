"""Takes the readings of a dimension: as they were given, or one after the other from an instrument's port."""

from __future__ import annotations

import asyncio
import sys

import typer

from capture.cli.options import fail, pairs, settings_of
from capture.plumbing.outward import warn
from capture.sheet.dimensions import Dimension
from capture.unit.dimension_readings import typed_readings
from drivers.thickness import read_thickness
from drivers.units import format_length


def read_dimension(
    dimension: Dimension,
    value: list[str] | None,
    port: str | None,
    driver: str | None,
    settings: list[str] | None,
    wait: float,
) -> tuple[int, ...]:
    """Return the readings of a dimension, as given or as its instrument shows them one after the other."""
    if port is None:
        try:
            return tuple(nm for text in value or () for nm in typed_readings(text, dimension))
        except ValueError as error:
            fail(f"--value: {error}", 2)
    wire, chosen = settings_of(driver or "line", pairs(settings))
    found: list[int] = []
    for count in range(1, dimension.readings + 1):
        if sys.stdin.isatty() and sys.stderr.isatty():
            typer.prompt(f"Reading {count} of {dimension.readings}: Enter once it is in place", "", False, err=True)
        try:
            read = asyncio.run(read_thickness(port, wire, chosen, lambda nm: "", wait))
        except (ConnectionError, TimeoutError) as error:
            fail(f"{error}. Nothing was written")
        found.append(read.actual_nm)
        warn(f"reading {count} of {dimension.readings}: {format_length(read.actual_nm, dimension.unit)}")
    return tuple(found)
