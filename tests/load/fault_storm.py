"""Strikes a thousand faults in applies and prints how soon the valve was shut: `python -m tests.load.fault_storm`.

Everything is on ptys of this machine, one fault after the other; it stops by itself.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from pathlib import Path

from tests.air.test_control import WITHIN_MS, FixtureOf, strike
from tests.support.pty_fixture import EmulatedFixture, PtyFixture

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--firmware", action="store_true", help="the reference firmware in place of the twin")
    options = parser.parse_args()
    fixture_of: FixtureOf = EmulatedFixture if options.firmware else PtyFixture
    with tempfile.TemporaryDirectory() as folder:
        took = asyncio.run(strike(Path(folder), options.faults, options.seed, fixture_of))
    for fault, times in took.items():
        worst = f"{max(times):.1f}" if times else "-"
        sys.stdout.write(
            f"{fault:18} {len(times):5} faults, valve shut within {worst:>6} ms (bound {WITHIN_MS[fault]})\n"
        )
    sys.stdout.write(f"{sum(map(len, took.values()))} faults, every one ended with the valve shut in time\n")
