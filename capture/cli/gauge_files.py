"""What the commands about gauges read and write beside their arguments: settings, masters, the record."""

from __future__ import annotations

import getpass
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.cli.options import errors_in_words, fail, pairs, settings_of

if TYPE_CHECKING:
    from capture.clearance.gauge.masters import Master, Room
    from capture.clearance.gauge.spread import Spread
    from capture.clearance.gauge.study import Row, Study
    from capture.config import Config
    from capture.record import Store
    from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings


@dataclass(frozen=True, slots=True)
class GaugePort:
    """Where an indicator is, or its recording, and how it is read; of a recording only its file is known here."""

    url: str
    driver: IndicatorDriver | None
    settings: IndicatorSettings | None
    indicator: dict[str, Any]

    @property
    def recording(self) -> Path | None:
        """The recording's file; None for a real port."""
        from capture.recordings.playback import PREFIX

        return Path(self.url.removeprefix(PREFIX)) if self.url.startswith(PREFIX) else None


def settled_of(config: Path | None) -> Config:
    """Return the settings, or exit saying what is wrong with them."""
    from capture.config import load_config

    with errors_in_words():
        return load_config(config)


def signer(by: str | None, settled: Config) -> str:
    """Return who signs: as named, else the technician of the settings, else the user who is logged in."""
    if by is not None and not by.strip():
        fail("--by: is empty; expected a name", 2)
    try:
        return (by or settled.technician or getpass.getuser()).strip()
    except (OSError, KeyError):
        fail("nobody signs: give --by NAME", 2)


def gauge_serial(gauge: str | None, settled: Config) -> str:
    """Return the gauge's serial number as named, else that of the settings; empty where neither says one."""
    return gauge or (settled.gauge.serial if settled.gauge is not None else "")


#: A thermometer beside the stand is right within so many kelvin (assumption).
_THERMOMETER_K = 1.0


def room_of(celsius: float | None, settled: Config) -> Room:
    """Return how warm it is where a gauge is checked: as read now, else as the settings have it."""
    from capture.clearance.gauge.masters import ASSUMED_ROOM, Room

    if celsius is not None:
        return Room(celsius, _THERMOMETER_K)
    return ASSUMED_ROOM if settled.gauge is None else settled.gauge.room()


def place_of_record(settled: Config, data_dir: Path | None) -> Path:
    """Return where the record is, or would be."""
    return data_dir / "record.sqlite" if data_dir else settled.record_path


def new_or_old_record(settled: Config, data_dir: Path | None) -> Store:
    """Open the record, making it on a bench's first day. Raises RecordError."""
    from capture.record import RecordError, Store

    path = place_of_record(settled, data_dir)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"cannot make the folder {path.parent}: {error.strerror}; give another --data-dir") from error
    return Store.open(path)


def chosen_masters(
    serials: Sequence[str], file: Path | None, settled: Config, data_dir: Path | None
) -> tuple[Master, ...]:
    """Return the masters with these serial numbers, from a file or from the record, or exit saying which there are."""
    from capture.clearance.gauge.masters import load_masters
    from capture.clearance.gauge.standing import masters_of
    from capture.plumbing.checked_file import TableError
    from capture.record import Store

    place = place_of_record(settled, data_dir)
    if file is not None:
        try:
            there = tuple(load_masters(file))
        except TableError as error:
            fail(str(error))
    elif place.is_file():
        with errors_in_words(), Store.open(place) as store:
            there = masters_of(store.gauge_facts())
    else:
        there = ()
    known = {one.serial: one for one in there}
    for serial in serials:
        if serial not in known:
            listed = ", ".join(known) or "none yet; `strokelog gauge masters FILE` takes them from a file"
            fail(f"no master {serial!r}; there are: {listed}", 2)
    return tuple(known[serial] for serial in dict.fromkeys(serials))


def port_of(port: str | None, driver: str | None, words: list[str] | None, settled: Config) -> GaugePort:
    """Return the port to check a gauge at, or exit."""
    from capture.recordings.playback import PREFIX

    url = port or settled.indicator.port
    if not url:
        fail("no port; give one with --port, or set `port` under [indicator]; `strokelog listen` lists ports", 2)
    if url.startswith(PREFIX):
        return GaugePort(url, None, None, {})
    name = driver or settled.indicator.driver
    given = pairs(words)
    values = {**(settled.indicator.driver_settings() if name == settled.indicator.driver else {}), **given}
    found, settings = settings_of(name, values, lambda key: "--set" if key in given else "indicator")
    return GaugePort(url, found, settings, {"driver": name, **values})


def keep_study(
    rows: Sequence[Row], unit: str, gauge: str | None, by: str | None, config: Path | None,
    data_dir: Path | None,
) -> None:  # fmt: skip
    """Keep a study in the record, for the gauge that it was made with."""
    from capture.clearance.gauge.facts import study_kept
    from capture.clearance.gauge.study import Row, studied

    settled = settled_of(config)
    serial = gauge_serial(gauge, settled)
    if unit not in ("mm", "in"):
        fail(f"--unit {unit}: expected mm or in", 2)
    if not serial:
        fail("a study is kept for a gauge: give --gauge SERIAL, or `serial` under [gauge] in the settings", 2)
    nm = 25_400_000 if unit == "in" else 1_000_000
    in_nm = [Row(row.part, row.operator, row.value * nm) for row in rows]
    kept = study_kept(serial, in_nm, studied(in_nm), 0.0, signer(by, settled))
    with new_or_old_record(settled, data_dir) as store:
        store.add_gauge_fact(kept, at=datetime.now(UTC))


def _serial_for_study(gauge: str | None, settled: Config) -> str:
    serial = gauge_serial(gauge, settled)
    if not serial:
        fail("a study is of a gauge: give --gauge SERIAL, or `serial` under [gauge] in the settings", 2)
    return serial


def keep_plan(
    parts: Sequence[str], operators: Sequence[str], trials: int, seed: int, gauge: str | None, by: str | None,
    config: Path | None, data_dir: Path | None,
) -> str:  # fmt: skip
    """Keep the plan of a study in the record, to be worked off at the gauge's bench; return the gauge."""
    from capture.clearance.gauge.facts import StudyPlanned

    settled = settled_of(config)
    serial = _serial_for_study(gauge, settled)
    fact = StudyPlanned(serial, tuple(parts), tuple(operators), trials, seed, signer(by, settled))
    with new_or_old_record(settled, data_dir) as store:
        store.add_gauge_fact(fact, at=datetime.now(UTC))
    return serial


def study_in_record(gauge: str | None, config: Path | None, data_dir: Path | None) -> tuple[str, Study | None]:
    """Return how far the study of a gauge is, or what its record holds to take for one; and what the newest came to, in
    mm, where none is being worked off."""
    from capture.clearance.gauge.facts import StudyKept
    from capture.clearance.gauge.standing import study_of
    from capture.clearance.gauge.study import LEAST_PAIRS, Row, studied
    from capture.clearance.gauge.study_at_bench import open_study
    from capture.job.checked_again import checked_again

    settled = settled_of(config)
    serial = _serial_for_study(gauge, settled)
    with new_or_old_record(settled, data_dir) as store:
        entries = store.gauge_facts()
        again = sum(1 for _ in checked_again(store.every_job(), serial))
    if (going := open_study(entries, serial)) is not None:
        done = len(going.measured)
        return f"Gauge {serial}: {done} of {len(going.cells)} are measured. Left: {going.left_words()}.", None
    kept = study_of(entries, serial)
    known = (
        len(kept.fact.rows) // 2 if kept is not None and isinstance(kept.fact, StudyKept) and kept.fact.of_pairs else 0
    )
    more = ""
    if again >= LEAST_PAIRS and again > known:
        more = (
            f" {again} packs were checked again, nothing changed: --pairs --by NAME takes what they differ by instead."
        )
    if kept is None or not isinstance(kept.fact, StudyKept):
        return f"Gauge {serial}: no study is planned; --part, --operator and --at-bench plan one.{more}", None
    if known:
        scatters = f"one check scatters by {kept.fact.grr_nm / 1000:.1f} um, from {known} pairs in the record."
        return f"Gauge {serial}: {scatters}{more}", None
    return more.strip(), studied([Row(part, who, value / 1e6) for part, who, value in kept.fact.rows])


def study_pairs(
    gauge: str | None, by: str | None, config: Path | None, data_dir: Path | None
) -> tuple[Spread, int, bool]:
    """Return what one check scatters by from packs that were checked again, how many those are, and whether it is kept:
    where somebody signs it and there are enough."""
    from capture.clearance.gauge.facts import StudyKept
    from capture.clearance.gauge.study import Pairs
    from capture.job.checked_again import checked_again

    settled = settled_of(config)
    serial = gauge_serial(gauge, settled)
    if not serial:
        fail("pairs are those of a gauge: give --gauge SERIAL, or `serial` under [gauge] in the settings", 2)
    with new_or_old_record(settled, data_dir) as store:
        found = list(checked_again(store.every_job(), serial))
        spread = Pairs(tuple(float(one.again_nm - one.first_nm) for one in found)).spread
        if by is None or not spread.dof:
            return spread, len(found), False
        rows = tuple(
            (f"job {one.job}, {one.pack}", which, float(nm))
            for one in found
            for which, nm in (("first", one.first_nm), ("again", one.again_nm))
        )
        within = math.sqrt(sum(one.within_nm**2 for one in found) / len(found))
        kept = StudyKept(serial, rows, spread.sd, 0.0, spread.sd, float(spread.dof), signer(by, settled), within)
        store.add_gauge_fact(kept, at=datetime.now(UTC))
        return spread, len(found), True
