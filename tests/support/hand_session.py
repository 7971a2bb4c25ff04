"""A technician's session on this terminal over a simulated bench, faster than life: what `strokelog run` runs, with the
bench's time running `--speed` times as fast. `python -m tests.support.hand_session PORT DATA_DIR`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import typer

from capture.bench.setup import BenchSetup
from capture.cli.bench_run import BenchRun, is_terminal, page_at
from capture.recordings.stream import indicator_from
from capture.session.wrench_field import WrenchSetup
from capture.sheet.sheet import parse_sheet
from capture.simulation.scenario import DEMO_INDICATOR
from drivers.torque import TorqueSettings
from tests.support.sheets import FORWARDER


def main() -> int:
    """Run the session; return its exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("port")
    parser.add_argument("data_dir", type=Path)
    parser.add_argument("--speed", type=float, default=8.0)
    parser.add_argument("--resume", type=int)
    parser.add_argument("--wrench")
    parser.add_argument("--sheet", type=Path)
    parser.add_argument("--service", action="store_true")
    parser.add_argument("--page")
    parser.add_argument("--sends", choices=("stream", "on-press"), default="stream")
    options = parser.parse_args()
    sheet_toml = options.sheet.read_text() if options.sheet else FORWARDER
    indicator = {**DEMO_INDICATOR, "sends": options.sends}
    driver, settings, _ = indicator_from(indicator)
    stock = options.data_dir / "stock.sqlite"
    setup = BenchSetup(
        bench="bay-4",
        port=options.port,
        driver=driver,
        settings=settings,
        indicator=indicator,
        sheet=parse_sheet(sheet_toml, str(options.sheet or "forwarder.toml")),
        sheet_toml=sheet_toml,
        unit_serial="" if options.service else "FW3-0209",
        technician="",
        data_dir=options.data_dir,
        record_path=options.data_dir / "record.sqlite",
        stock=stock if stock.is_file() else None,
        resume=options.resume,
        speed=options.speed,
    )
    wrench = WrenchSetup(options.wrench, TorqueSettings()) if options.wrench else None
    try:
        page = page_at(options.page, options.data_dir / "page-token") if options.page else None
        run = BenchRun(setup, packs=None, wrench=wrench, service=options.service, page=page)
        return run.on_terminal() if is_terminal() and not options.service else run.here()
    except typer.Exit as ended:
        return ended.exit_code


if __name__ == "__main__":
    sys.exit(main())
