"""Finds fixture drivers by name: every module of this package, and other packages' entry points."""

from __future__ import annotations

import pkgutil
from functools import cache
from importlib import import_module, metadata
from typing import Any

import drivers.wirings
from drivers.wirings.protocol import FixtureDriver, FixtureSettings

__all__ = ["ENTRY_POINT_GROUP", "driver_names", "find_driver", "make_settings"]

#: Another package adds a wiring with an entry point of this group that loads a FixtureDriver.
ENTRY_POINT_GROUP = "strokelog.fixtures"

_NOT_DRIVERS = {"conformance", "protocol", "registry", "wiring"}


@cache
def _built_in() -> dict[str, FixtureDriver]:
    found = {}
    for module in pkgutil.iter_modules(drivers.wirings.__path__):
        if module.name not in _NOT_DRIVERS:
            driver = getattr(import_module(f"drivers.wirings.{module.name}"), "DRIVER", None)
            if isinstance(driver, FixtureDriver):
                found[driver.name] = driver
    return found


@cache
def _entry_points() -> dict[str, metadata.EntryPoint]:
    return {point.name: point for point in metadata.entry_points(group=ENTRY_POINT_GROUP)}


def driver_names() -> list[str]:
    """Return the names of all fixture drivers that can be found, sorted."""
    return sorted({*_built_in(), *_entry_points()})


def find_driver(name: str) -> FixtureDriver:
    """Return the driver called `name`; raises LookupError naming the ones there are."""
    driver = _built_in().get(name)
    if driver is None and (point := _entry_points().get(name)) is not None:
        loaded = point.load()
        if not isinstance(loaded, FixtureDriver):
            raise LookupError(f"entry point {point.value!r} for fixture driver {name!r} is no FixtureDriver")
        driver = loaded
    if driver is None:
        raise LookupError(f"no fixture driver {name!r}; there are: {', '.join(driver_names())}")
    return driver


def make_settings(driver: FixtureDriver, values: dict[str, Any]) -> FixtureSettings:
    """Validate `values` (without the key "driver") as this driver's settings; raises pydantic's ValidationError."""
    return driver.settings.model_validate({key: value for key, value in values.items() if key != "driver"})
