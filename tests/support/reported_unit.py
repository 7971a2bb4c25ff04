"""Makes records to report on: units checked with real recordings, measured by the same code as a live check, kept
through the store's own calls."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import UUID

from capture import __version__
from capture.clearance.advice import Change, advise
from capture.job.unit_on_record import UnitOnRecord
from capture.record import Store, columns_of_advice
from capture.recordings.file import RecordingWriter, read_recording
from capture.recordings.replay import Replay
from capture.sheet.sheet import Sheet, parse_sheet
from capture.unit.facts import Correction, Override, PartsChanged, SignedOff, StepBegun, StepDone
from tests.support.sheets import FORWARDER

ROOT = Path(__file__).resolve().parents[2]
RECORDINGS = ROOT / "fixtures" / "recordings"
AT = datetime(2026, 10, 5, 7, 30, tzinfo=UTC)
OVERDUE = {"serial": "DI-0413", "calibration_due": "2026-09-30"}
CALIBRATED = {"serial": "DI-0522", "calibration_due": "2027-03-31"}


class Reported:
    """One job being recorded in home/record.sqlite. A minute passes with everything that happens."""

    def __init__(
        self, home: Path, *, sheet: str = FORWARDER, serial: str = "FW3-0117", technician: str = "Aino"
    ) -> None:
        self.home, self.path = home, home / "record.sqlite"
        self.store = Store.open(self.path)
        self.sheet: Sheet = parse_sheet(sheet, "sheet")
        self.now = AT
        self.technician = technician
        self.job = self.store.open_job(
            uuid=UUID("5d3f2c9e-7f0a-4b55-9a3e-2f6f0c1d8a44"),
            bench="bay-1",
            unit_serial=serial,
            technician=technician,
            sheet_name=self.sheet.sheet.name,
            sheet_revision=self.sheet.sheet.revision,
            sheet_toml=sheet,
            at=AT,
        )

    def __enter__(self) -> Reported:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.store.close()

    def later(self, minutes: int = 1) -> datetime:
        self.now += timedelta(minutes=minutes)
        return self.now

    def check(
        self, pack_name: str, *names: str, gauge: dict[str, str] | None = CALIBRATED, end: str = "verdict"
    ) -> Path:
        """Check a pack with the streams of fixtures/recordings/NAME.jsonl, one after another; return the recording."""
        pack, at = self.sheet.pack(pack_name), self.later()
        header, lines = read_recording(RECORDINGS / f"{names[0]}.jsonl")
        list(lines)
        path = self.home / "recordings" / f"job-{self.job:05d}" / f"{at:%Y%m%dT%H%M%S}-{names[0]}.jsonl"
        check = self.store.start_check(
            self.job,
            pack=pack_name,
            indicator=header.indicator,
            recording_path=str(path),
            low_nm=pack.low_nm,
            high_nm=pack.high_nm,
            strokes_wanted=pack.strokes,
            seat_wanted=pack.seat_strokes,
            measure=pack.measure,
            gauge=gauge,
            at=at,
        )
        told = {"recording": 2, "started": at.isoformat(), "bench": "bay-1", "indicator": header.indicator}
        with RecordingWriter(path, told) as recording:
            uuid = "5d3f2c9e-7f0a-4b55-9a3e-2f6f0c1d8a44"
            recording.mark(0, {"job": uuid, "pack": pack_name, "tech": self.technician, "note": "check"})
            begin = last = 0
            for name in names:
                begin = last
                for line in read_recording(RECORDINGS / f"{name}.jsonl")[1]:
                    last = begin + line.t_ns
                    if line.source == "indicator":
                        recording.stream(last, "indicator", line.data)
                    elif line.mark is not None:
                        recording.mark(last, line.mark)
            sha256, size = recording.seal(), recording.size
        replay = Replay(path, pack, self.sheet.display_unit, self.sheet.air, stop_when_settled=True)
        for kept in replay.strokes():
            self.store.add_stroke(check, kept.stroke, seat=kept.seat, at=at)
        if end == "verdict":
            assert replay.verdict is not None
            self.store.finish_check(
                check,
                replay.verdict,
                advice=[columns_of_advice(pack, one) for one in advise(pack, replay.verdict, self.sheet.display_unit)],
                recording_sha256=sha256,
                recording_bytes=size,
                software_version=__version__,
                at=self.later(),
            )
        elif end == "abandoned":
            self.store.abandon_check(check, at=self.later(), recording_sha256=sha256, recording_bytes=size)
        return path

    def say(self, fact: Any, minutes: int = 1) -> int:
        """Keep a fact, whatever the sheet thinks of it."""
        return self.store.add_fact(self.job, fact, at=self.later(minutes))

    def sign(self, fact: Any, minutes: int = 1) -> int:
        """Keep a fact as `strokelog unit step` and its like do: refused where something stands against it."""
        return UnitOnRecord(self.store, self.job).add([fact], at=self.later(minutes))[0].number


def usual_unit(home: Path, technician: str = "Aino") -> Reported:
    """Three packs, one loose at first: its ring is changed and it is checked again; steps done, signed off."""
    unit = Reported(home, technician=technician)
    unit.check("low", "line-10hz-mm-glitch", "line-10hz-mm-clean", gauge=OVERDUE)
    unit.check("high", "line-10hz-in-clean", "line-50hz-in-leak")
    ring = Change(0, "selective", 3_000_000, 3_200_000)
    unit.sign(PartsChanged("high", (ring,), 1_084_000, 31_000, "Aino"))
    unit.check("high", "line-10hz-mm-clean", "line-10hz-mm-clean")
    unit.check("reverse", "line-10hz-mm-creep", "line-10hz-mm-clean")
    unit.sign(StepBegun(0, "Aino"))
    unit.sign(StepDone(0, "Aino"), 33)
    unit.sign(StepDone(1, "Aino"))
    unit.sign(StepDone(2, "Berit", torque_unm=20_300_000))
    wrong = unit.sign(StepDone(3, "Berit", torque_unm=47_000_000))
    unit.say(Correction(wrong, "Berit", "misread the scale", "the torque was 46 N m"))
    unit.sign(StepDone(3, "Berit", torque_unm=46_200_000))
    known = UnitOnRecord(unit.store, unit.job).now.standing.remarks
    unit.sign(SignedOff("Carl", "to be fitted in machine 12", known, "the gauge was found right on the day after"))
    unit.store.close_job(unit.job, at=unit.later())
    return unit


def overridden_unit(home: Path) -> Reported:
    """Nothing as usual: a pack let pass, one abandoned, one never checked, parts changed twice, corrections of both."""
    unit = Reported(home, technician="")
    unit.check("low", "line-10hz-mm-leak", "line-10hz-mm-no-return", gauge=None)
    first = unit.say(PartsChanged("low", (Change(0, "shim", 2, 3),), 600_000, 24_000, ""))
    unit.say(Correction(first, "Berit", "miscounted", "one shim fewer was put in"))
    unit.check("low", "line-10hz-mm-clean", "line-10hz-mm-clean")
    unit.check("high", "line-10hz-in-clean", "line-10hz-in-clean")
    unit.say(Override("high", None, "Berit", "the customer wants it loose"))
    unit.check("high", "line-10hz-mm-gap", "line-10hz-mm-clean", end="abandoned")
    return unit


MARKUP = '<img src=x onerror="document.title=1"></style><script>document.title=2</script>{{7*7}}'
ODD_NAMES = (
    MARKUP, "تعشيق أمامي أول", "前進第一クラッチ組", "L" + "o" * 180 + "ng", "a name of many words that goes on " * 5,
    "\u202eesrever", "e\u0301te\u0301 \x1b[31m\x00red", "& < > \" '", "קלאץ׳ 7 שמאל", "多板离合器" * 12, "T", "%s{0}\\",
)  # fmt: skip


def sheet_of(names: tuple[str, ...], strokes: int, inches: bool = False) -> str:
    """Return a sheet with these packs, of so many strokes each, whatever the names are made of."""
    import tomli_w

    limits = ["0.0300 in", "0.0600 in"] if inches else ["0.80 mm", "1.40 mm"]
    packs = [{"name": name, "range": limits, "strokes": strokes, "seat_strokes": 1} for name in names]
    step = {"kind": "clean", "name": names[0]}
    about = {"name": names[0], "revision": names[1 % len(names)], "source": names[2 % len(names)]}
    return tomli_w.dumps({"sheet": about, "packs": packs, "steps": [step]})


def crowded_unit(home: Path) -> Reported:
    """Twelve packs with names that break layouts, and mean something to a browser."""
    unit = Reported(home, sheet=sheet_of(ODD_NAMES, 5), serial=MARKUP, technician=ODD_NAMES[1])
    for name in ODD_NAMES[1:]:
        unit.check(name, "line-10hz-mm-clean", gauge={"serial": MARKUP})
    unit.check(MARKUP, "line-10hz-mm-glitch", "line-10hz-mm-clean")
    unit.say(Override(MARKUP, None, MARKUP, MARKUP))
    unit.say(StepDone(0, ODD_NAMES[4], note=MARKUP))
    unit.say(SignedOff(MARKUP, ODD_NAMES[9]))
    return unit


def many_strokes(home: Path) -> Reported:
    """One pack of thirty strokes, in inches."""
    unit = Reported(home, sheet=sheet_of(("forward",), 30, inches=True), serial="")
    unit.check("forward", "line-50hz-in-leak", *["line-50hz-in-leak"] * 6)
    return unit
