"""The demo's bench: which packs are checked in which order, what they are made of, and what goes wrong on the way.

The morning begins with the gauge: it is checked against a block of `fixtures/demo/masters.toml`, before the first air.
The packs belong to the build sheet `fixtures/demo/workshop-forwarder.toml`. The low pack comes to the bench loose by
about one of its 0.25 mm shims, and is checked again with one shim more; the high pack is tight, and is checked again
with a snap ring 0.20 mm thinner; the reverse pack is good. The plates were soaked before the first of them; the other
steps follow, and the unit is signed off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from capture.simulation.indicator import IndicatorSpec
from capture.simulation.physics import PackPhysics
from capture.simulation.simulated_bench import BenchSpec
from capture.simulation.technician import Technician, Trouble
from capture.simulation.wire_bytes import WireSpec


@dataclass(frozen=True, slots=True)
class DemoCheck:
    """One check of the demo: the pack by its name on the sheet, its parts, and its strokes (seat strokes included)."""

    pack: str
    physics: PackPhysics
    strokes: int = 6
    troubles: Mapping[int, Trouble] = field(default_factory=lambda: MappingProxyType({}))
    changed: bool = False
    """The technician changed the part that was advised first, just before this check."""
    abandoned: bool = False
    """The technician sees that the set-up is wrong and ends the check before its verdict."""


DEMO_SEED = 20

_LOW = PackPhysics(clearance_nm=1_382_000)
_HIGH = PackPhysics(clearance_nm=742_000, cushion_nm=250_000, cushion_rate_n_per_m=400_000.0, supply_conductance=1.6e-9)
_REVERSE = PackPhysics(clearance_nm=1_184_000, piston_area_m2=0.009, film_nm=45_000, exhaust_conductance=1.8e-9)

#: The gauge's serial number, and the block that is slid under its tip in the morning: it reads 3 um long.
DEMO_GAUGE = "DI-0413"
DEMO_MASTER = PackPhysics(clearance_nm=1_003_120, film_nm=0)
#: A block goes in and out faster than a pack fills: no oil has to be squeezed out.
DEMO_SLIDES = Technician(rest_s=0.4, hold_s=0.5)

#: In the order of the demo.
DEMO_CHECKS: tuple[DemoCheck, ...] = (
    DemoCheck("low", _LOW),
    DemoCheck("low", replace(_LOW, clearance_nm=_LOW.clearance_nm - 250_000), changed=True),
    DemoCheck("high", _HIGH, troubles=MappingProxyType({3: "glitch"})),
    DemoCheck("high", replace(_HIGH, clearance_nm=_HIGH.clearance_nm + 200_000), changed=True),
    DemoCheck("reverse", _REVERSE, strokes=7, troubles=MappingProxyType({4: "short_hold"})),
)


def troubled_checks() -> tuple[DemoCheck, ...]:
    """Return the demo's checks with every trouble of a stroke at least once; flagged strokes are made again."""
    loose, low, tight, high, reverse = DEMO_CHECKS
    return (
        DemoCheck(loose.pack, loose.physics, strokes=2, troubles=MappingProxyType({2: "out_of_reach"}), abandoned=True),
        replace(loose, strokes=7, troubles=MappingProxyType({3: "glitch", 5: "short_hold"})),
        replace(low, strokes=8, troubles=MappingProxyType({3: "creep", 5: "leak"})),
        tight,
        replace(high, strokes=9, troubles=MappingProxyType({3: "base_moved", 5: "sparse", 7: "no_return"})),
        replace(reverse, strokes=8, troubles=MappingProxyType({3: "gap", 6: "rezeroed"})),
    )


DEMO_BENCH = BenchSpec(
    indicator=IndicatorSpec(rate_hz=20.0, resolution_nm=10_000, unit="mm", mount_nm=3_000_000),
    wire=WireSpec("line"),
    technician=Technician(rest_s=0.8, hold_s=0.9),
)

#: The same bench where everything goes wrong: at an unhurried pace each trouble shows as what it is.
TROUBLED_BENCH = replace(DEMO_BENCH, technician=Technician(rest_s=1.0, hold_s=1.2))

#: How the demo's steps are signed, by their number on the sheet: what the technician types, empty for a confirmation.
DEMO_STEPS: Mapping[int, str] = MappingProxyType({1: "35 min", 2: "", 3: "20.2 N m", 4: "45.6 N m"})
DEMO_TECHNICIAN = "Ana"

#: What the daemon must be told of the demo's indicator, in the words of a recording's header.
DEMO_INDICATOR: Mapping[str, object] = MappingProxyType(
    {
        "driver": "line",
        "unit": "mm",
        "resolution": "0.01 mm",
        "range": ["0 mm", "12.7 mm"],
        "max_error": "0.02 mm",
    }
)
