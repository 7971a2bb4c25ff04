"""The indicator drivers by name."""

from __future__ import annotations

import drivers.indicators
from drivers.indicators.protocol import IndicatorDriver
from drivers.registry import Registry

_DRIVERS = Registry(drivers.indicators, IndicatorDriver, "indicator driver", "strokelog.indicators")

driver_names = _DRIVERS.names
find_driver = _DRIVERS.find
