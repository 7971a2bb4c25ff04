"""A year of a bench's record, proven beside pandas and SciPy on the same recordings:
`python -m tests.load.year_proven FOLDER [--checks N] [--every SECONDS]`; then, over all cores and resumable,
`strokelog record verify --data-dir FOLDER --derived FOLDER/derived.jsonl`.

Eight checks a day at 100 Hz, of six strokes, one every eight seconds if not told otherwise. The bytes of few different
checks come again and again, each time behind a header of its own, so that the record is written in minutes; a proof
derives each of them anew. pandas and `scipy.signal.find_peaks` find what stands out, as in `year_in_bulk`: no hash, no
verdict, no uncertainty. Both are CPU time of one process.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from uuid import UUID

from capture import __version__
from capture.custody.verify import verify
from capture.record import Store
from capture.recordings.file import RecordingWriter, read_recording
from capture.recordings.replay import Replay
from capture.sheet.sheet import parse_sheet
from tests.load.benchmark import RATE_HZ
from tests.load.year_in_bulk import with_pandas, write_shift
from tests.support.proven_record import AT, GAUGE, SHEET

DIFFERENT, A_DAY = 8, 8


def write_record(home: Path, checks: int, every_s: float = 8.0) -> Path:
    """Write a record of so many checks into an empty folder, with a stroke every so often; return its file."""
    sheet = parse_sheet(SHEET, "sheet")
    pack = sheet.pack("low")
    bodies = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(DIFFERENT):
            path = Path(folder) / f"{number}.jsonl"
            write_shift(path, 7.5 * every_s / 60, every_s * (1 + number / 32))
            replay = Replay(path, pack, sheet.display_unit, sheet.air, stop_when_settled=True)
            kept = list(replay.strokes())
            assert replay.verdict is not None
            header, lines = read_recording(path)
            bodies.append((header, [(line.t_ns, line.data) for line in lines], kept, replay.verdict))
    path = home / "record.sqlite"
    with Store.open(path) as store:
        job, uuid = 0, UUID(int=0)
        for number in range(checks):
            at = AT + timedelta(days=number // A_DAY, minutes=20 * (number % A_DAY))
            if number % A_DAY == 0:
                uuid = UUID(int=number + 1, version=4)
                job = store.open_job(
                    uuid=uuid, bench="bay-1", unit_serial=f"FW3-{number:05d}",
                    technician="first shift", sheet_name=sheet.sheet.name, sheet_revision=sheet.sheet.revision,
                    sheet_toml=SHEET, at=at,
                )  # fmt: skip
            header, chunks, kept, verdict = bodies[number % DIFFERENT]
            recording = home / "recordings" / f"job-{job:05d}" / f"{number}.jsonl"
            check = store.start_check(
                job, pack="low", indicator=header.indicator, recording_path=recording.relative_to(home).as_posix(),
                low_nm=pack.low_nm, high_nm=pack.high_nm, strokes_wanted=pack.strokes, seat_wanted=pack.seat_strokes,
                measure=pack.measure, gauge=GAUGE, at=at,
            )  # fmt: skip
            told = {"recording": 2, "started": at.isoformat(), "bench": "bay-1", "indicator": header.indicator}
            with RecordingWriter(recording, told) as file:
                file.mark(0, {"job": str(uuid), "pack": "low", "tech": "first shift", "note": "check"})
                for t_ns, data in chunks:
                    file.stream(t_ns, "indicator", data)
                sha256, size = file.seal(), file.size
            for one in kept:
                store.add_stroke(check, one.stroke, seat=one.seat, at=at + timedelta(seconds=one.stroke.end_ns / 1e9))
            store.finish_check(
                check, verdict, advice=[], recording_sha256=sha256, recording_bytes=size,
                software_version=__version__, at=at + timedelta(minutes=1),
            )  # fmt: skip
            if number % A_DAY == A_DAY - 1:
                store.close_job(job, at=at + timedelta(minutes=2))
    return path


def main() -> None:
    """Write the record."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--checks", type=int, default=2_000)
    parser.add_argument("--every", type=float, default=8.0, help="seconds from one stroke to the next")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True)
    path = write_record(asked.folder, asked.checks, asked.every)
    recordings = sorted((asked.folder / "recordings").rglob("*.jsonl"))
    readings = round(asked.checks * 7.5 * asked.every * RATE_HZ)
    size = sum(one.stat().st_size for one in recordings)
    print(f"{path}: {asked.checks:,} checks, {readings:,} readings, {size / 1e6:,.0f} MB of recordings")  # noqa: T201
    verify(path, job=1)  # so that what is loaded once is
    with_pandas(recordings[0])
    for way, find in (
        ("proven", lambda: verify(path).verdicts), ("pandas and SciPy", lambda: sum(map(with_pandas, recordings))),
    ):  # fmt: skip
        began = time.process_time()
        found = find()
        took_s = time.process_time() - began
        each_ms, rate = 1e3 * took_s / asked.checks, readings / took_s / 1e6
        print(f"{way:18} {found:6} found  {each_ms:6.1f} ms a check  {rate:6.2f} million readings/s")  # noqa: T201


if __name__ == "__main__":
    main()
