"""Which of a bench's settings decide what it finds, as the record keeps them."""

from __future__ import annotations

import hashlib
from typing import Any

from capture.bench.setup import BenchSetup


def deciding(setup: BenchSetup) -> dict[str, Any]:
    """Return the gauge, how it and the fixture are read, the wrench, and the sheet with its limits, by its hash."""
    about = setup.sheet.sheet
    return {
        "indicator": setup.indicator,
        "gauge": None if setup.gauge is None else setup.gauge.kept(),
        "fixture": setup.fixture_header,
        "wrench": setup.wrench_serial,
        "sheet": {
            "name": about.name,
            "revision": about.revision,
            "sha256": hashlib.sha256(setup.sheet_toml.encode()).hexdigest(),
        },
    }
