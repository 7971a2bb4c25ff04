"""Sheets and checks of invented units, for tests of advice that concerns more than one pack, and the demo's sheet."""

from __future__ import annotations

from pathlib import Path

from capture.clearance.verdict import MeasurementLimits, Verdict, judge
from capture.sheet.sheet import Pack, Sheet, parse_sheet

ROOT = Path(__file__).resolve().parents[2]
#: The demo's sheet, for a unit whose plates were soaked before it came to the bench: nothing comes before its packs.
FORWARDER = "".join(
    line
    for line in (ROOT / "fixtures" / "demo" / "workshop-forwarder.toml").read_text("utf-8").splitlines(keepends=True)
    if not line.startswith("before =")
)

MM = 1_000_000
THOU = 25_400

HEAD = """
[sheet]
name = "Forwarder power-shift box"
revision = "4"
source = "invented for tests"
"""


def sheet(*packs: str) -> Sheet:
    return parse_sheet(HEAD + "".join(packs), "unit.toml")


def pack(name: str, *adjusters: str, keys: str = "", limits: str = '["0.90 mm", "1.30 mm"]') -> str:
    return f'\n[[packs]]\nname = "{name}"\nrange = {limits}\n{keys}\n' + "".join(adjusters)


def shim(
    thickness: str = "0.25 mm", fitted: int = 2, least: int = 0, most: int = 5, more: str = "closes", keys: str = ""
) -> str:
    return (
        f'[[packs.adjusters]]\nkind = "shim"\nthickness = "{thickness}"\nfitted = {fitted}\n'
        f'min = {least}\nmax = {most}\nmore = "{more}"\n{keys}\n'
    )


def ring(choices: list[str], fitted: str, thicker: str = "closes", keys: str = "") -> str:
    return (
        f'[[packs.adjusters]]\nkind = "selective"\nchoices = {choices}\nfitted = "{fitted}"\n'
        f'thicker = "{thicker}"\n{keys}\n'
    )


def measured(of: Pack, travel_nm: int, spread_nm: int = 4_000, resolution_nm: int = 10_000) -> Verdict:
    travels = [travel_nm - spread_nm, travel_nm, travel_nm, travel_nm, travel_nm + spread_nm]
    verdict = judge(travels, of.low_nm, of.high_nm, MeasurementLimits(resolution_nm))
    assert verdict is not None
    return verdict
