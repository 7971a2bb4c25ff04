"""The fixture drivers by name."""

from __future__ import annotations

import drivers.wirings
from drivers.registry import Registry
from drivers.wirings.protocol import FixtureDriver

_DRIVERS = Registry(drivers.wirings, FixtureDriver, "fixture driver", "strokelog.fixtures")

driver_names = _DRIVERS.names
find_driver = _DRIVERS.find
