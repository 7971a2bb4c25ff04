"""A bench with an air-check fixture, as it is set up in tests; what it takes to run one is not brought in."""

from __future__ import annotations

from pathlib import Path

from capture.air.standing import FixtureSetup, Way
from capture.bench.bench import BenchSetup
from capture.recordings.stream import indicator_from
from capture.sheet.sheet import parse_sheet
from drivers.registry import make_settings
from drivers.wirings.registry import find_driver

__all__ = ["INDICATOR", "SHEET", "setup_of"]

SHEET = """
[sheet]
name = "Harvester splitter box"
revision = "1"
source = "invented for this test"

[air]
pressure = "140 kPa"
tolerance = "20 kPa"

[[packs]]
name = "low"
range = ["0.90 mm", "1.30 mm"]
strokes = 2
seat_strokes = 1

[[packs]]
name = "high"
range = ["0.90 mm", "1.30 mm"]
strokes = 2
seat_strokes = 1
"""
INDICATOR = {"driver": "line", "unit": "mm", "resolution": "0.01 mm", "max_error": "0.005 mm"}


def setup_of(tmp_path: Path, way: Way) -> BenchSetup:
    """Return a bench whose ports are `indicator` and `fixture` in this folder."""
    driver, settings, _ = indicator_from(INDICATOR)
    wiring = find_driver("ascii")
    return BenchSetup(
        bench="bay-3",
        port=str(tmp_path / "indicator"),
        driver=driver,
        settings=settings,
        indicator=INDICATOR,
        sheet=parse_sheet(SHEET, "sheet"),
        sheet_toml=SHEET,
        unit_serial="HS-7",
        technician="first shift",
        data_dir=tmp_path / "data",
        record_path=tmp_path / "data" / "record.sqlite",
        fixture=FixtureSetup(wiring, make_settings(wiring, {}), str(tmp_path / "fixture"), way),
        fixture_header={"driver": "ascii"},
    )
