"""Which gauge measured is kept with every check; one that is overdue is said to be so, and not refused."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest

from capture.clearance.gauge.masters import Room
from capture.config import ConfigError, load_config
from capture.custody.verify import verify
from capture.record import Store
from capture.unit.gauge_identity import Gauge, gauge_of
from tests.support.proven_record import AT, check_from, open_job

ROOT = Path(__file__).parents[2]
SHEET = ROOT / "fixtures" / "demo" / "workshop-forwarder.toml"
RECORDING = ROOT / "fixtures" / "recordings" / "line-1000hz-mm-micron-short.jsonl"


def test_the_last_day_of_a_calibration_still_counts() -> None:
    """Common practice: a calibration label names the last day the gauge may be used."""
    gauge = Gauge("DI-0413", date(2026, 3, 31))
    assert not gauge.overdue(date(2026, 3, 31))
    assert gauge.warning(date(2026, 3, 31)) == ""
    assert gauge.overdue(date(2026, 4, 1))
    assert gauge.warning(date(2026, 4, 1)).startswith(
        "Gauge DI-0413: calibration overdue since 2026-03-31: readings not assured."
    )
    assert Gauge("DI-0413").warning(date(2099, 1, 1)) == ""
    assert gauge.reminder(date(2026, 3, 31)) == ""
    assert len(gauge.reminder(date(2026, 4, 1))) <= 69  # a line of 80 columns beside its label


@pytest.mark.parametrize("gauge", [Gauge("DI-0413", date(2026, 3, 31)), Gauge("7")])
def test_a_gauge_comes_back_as_it_was_kept(gauge: Gauge) -> None:
    assert gauge_of(json.loads(json.dumps(gauge.kept()))) == gauge


def test_the_gauge_is_a_table_of_its_own_in_the_settings(tmp_path: Path) -> None:
    config = tmp_path / "config.toml"
    config.write_text('[indicator]\ndriver = "line"\n[gauge]\nserial = "DI-0413"\ncalibration_due = 2026-03-31\n')
    settled = load_config(config)
    assert settled.gauge is not None
    assert settled.gauge.identity() == Gauge("DI-0413", date(2026, 3, 31))
    assert settled.indicator.driver_settings() == {}
    config.write_text(
        '[gauge]\nserial = "x"\nvalid_for = "12 h"\npressure_gauge = "PG-3"\nroom_c = 22.5\nroom_within_k = 1\n'
    )
    told = load_config(config).gauge
    assert told is not None and told.room() == Room(22.5, 1.0)
    assert told.identity() == Gauge("x", check_holds=timedelta(hours=12), pressure_gauge="PG-3")
    assert gauge_of(told.identity().kept()) == told.identity()
    for wrong, said in (
        ('serial = "x"\ncalibration_due = "soon"', r"gauge\.calibration_due: .*date"),
        ("calibration_due = 2026-03-31", r"gauge\.serial: is missing"),
        ('serial = "x"\nvalid_for = "5 min"', r"gauge\.valid_for: .*"),
        (
            'serial = "x"\ncolour = "red"',
            r"gauge\.colour: is no setting; there are: serial, calibration_due",
        ),
    ):
        config.write_text(f"[gauge]\n{wrong}\n")
        with pytest.raises(ConfigError, match=said):
            load_config(config)


def run(tmp_path: Path, due: date) -> tuple[str, Path]:
    config = tmp_path / "config.toml"
    config.write_text(
        f'data_dir = "{tmp_path / "data"}"\nbench = "bay-1"\nsheet = "{SHEET}"\n'
        f'[indicator]\nport = "recording:{RECORDING}"\ndriver = "line"\nresolution = "0.001 mm"\n'
        f'[gauge]\nserial = "DI-0413"\ncalibration_due = {due}\n'
    )
    command = [sys.executable, "-m", "capture.cli", "run", "--config", str(config), "--json", "--pack", "low"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["type"] == "stroke"  # it measures all the same
    process.terminate()
    return process.communicate(timeout=90)[1], tmp_path / "data" / "record.sqlite"


def test_an_overdue_gauge_is_said_at_the_start_and_measures_all_the_same(tmp_path: Path) -> None:
    due = date.today() - timedelta(days=2)
    said, record = run(tmp_path, due)
    assert f"warning: Gauge DI-0413: calibration overdue since {due}: readings not assured." in said
    with Store.open(record) as store:
        (check,) = store.job(1).checks
    kept = {"serial": "DI-0413", "calibration_due": due.isoformat(), "standing": "not checked", "error": None}
    assert check.gauge == kept
    proof = verify(record)
    assert (proof.mismatch, proof.abandoned) == (None, 1)
    command = [sys.executable, "-m", "capture.cli", "show", "1", "--data-dir", str(record.parent)]
    shown = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=True).stdout
    assert f"gauge DI-0413, calibration due {due}, OVERDUE when this was measured" in shown


def test_a_gauge_in_its_time_is_kept_and_nothing_is_said(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        job = open_job(store, 0, AT)
        check_from(store, tmp_path, job, "low", "line-10hz-mm-clean", AT)
        assert store.job(job).checks[0].gauge == {"serial": "DI-0413", "calibration_due": "2026-09-30"}
