"""The stock: its file in words, and a ledger from which no two benches get the same part."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from capture.clearance.advice import Change
from capture.clearance.verdict import MeasurementLimits, judge
from capture.cli.main import app
from capture.plumbing.checked_file import TableError
from capture.record import Job, Store
from capture.stock import PieceWanted, Place, StockError, StockRoom, load_stock, part_key, write_stock
from capture.stock.file import exact_length
from capture.stock.waiting import from_file, from_jobs
from capture.unit.facts import Fact, Override, PartsChanged, SignedOff
from drivers.units import parse_length
from tests.cli.test_cli import strokelog
from tests.support.samples import AT, finish_check, open_job, start_check

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "fixtures" / "stock" / "forestry-workshop.toml"
WAITING = ROOT / "fixtures" / "stock" / "waiting-packs.toml"
RING = "snap ring"
MM = 1_000_000
UNIT = Place("", "FW3-0117", "high", 0)


@pytest.fixture
def room(tmp_path: Path) -> Iterator[StockRoom]:
    with StockRoom.open(tmp_path / "stock.sqlite") as opened:
        opened.import_file(load_stock(EXAMPLE), by="tech", at=AT)
        yield opened


def counts(room: StockRoom, thickness_nm: int) -> tuple[int, int, int]:
    """(on the shelf, reserved, free) of a thickness."""
    one = next(one for one in room.holdings().bins if one.thickness_nm == thickness_nm)
    return one.shelf, one.reserved, one.free


def stock_file(folder: Path, text: str) -> Path:
    path = folder / "stock.toml"
    path.write_text(text)
    return path


# -- the file -------------------------------------------------------------------------------------------------


def test_the_example_is_read_as_it_is_written() -> None:
    first, _, third, last = load_stock(EXAMPLE).parts
    assert (first.part, first.thickness, first.text, first.count, first.low) == (RING, 2_800_000, "2.80 mm", 4, 1)
    assert [(one.serial, one.actual, one.uncertainty) for one in third.measured] == [("SR-31", 3_212_000, 4_000)]
    assert last.tolerance is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("parts = 3", "stock.toml, line 1: parts: 3: "),
        ("", "stock.toml: parts: is missing"),
        ("[[parts]]\npart='r'\ncount=1", 'line 1: part "r", thickness: is missing; every part has it'),
        ("[[parts]]\npart='r'\ncount=1\nthickness=2.8", 'line 4: part "r", thickness: 2.8: 2.8 has no unit'),
        ("[[parts]]\npart='r'\ncount=-1\nthickness='2 mm'", 'line 3: part "r", count: -1: '),
        ("[[parts]]\npart='r'\ncount=1.5\nthickness='2 mm'", 'line 3: part "r", count: 1.5: '),
        (
            "[[parts]]\npart='r'\ncount=1\nthickness='2 mm'\ncolour='red'",
            "part \"r\", colour: 'red': is no key of a part",
        ),
        ("[[parts]]\npart='r'\ncount=1\nthickness='2 mm'\n" * 2, "'r' of 2 mm is listed twice"),
        (
            "[[parts]]\npart='r'\ncount=0\nthickness='2 mm'\n"
            "measured=[{serial='a', actual='2 mm', uncertainty='1 um'}]",
            'part "r", count: 0: 1 measured parts are listed',
        ),
        (
            "[[parts]]\npart='r'\ncount=1\nthickness='2 mm'\n"
            "measured=[{serial='a', actual='2.2 mm', uncertainty='1 um'}]",
            "part 'a' measures 2.200 mm, more than 5 % off 2.000 mm",
        ),
        (
            "[[parts]]\npart='r'\ncount=2\nthickness='2 mm'\n"
            "measured=[" + "{serial='a', actual='2 mm', uncertainty='1 um'}," * 2 + "]",
            "two measured parts have the serial 'a'",
        ),
        ("parts = [", "no TOML"),
    ],
)
def test_an_error_names_the_file_the_key_the_value_and_what_was_expected(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(StockError) as told:
        load_stock(stock_file(tmp_path, text))
    assert said in str(told.value) and str(tmp_path) in str(told.value)


def test_a_file_that_is_not_there_or_no_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(StockError, match=r"nowhere\.toml: No such file"):
        load_stock(Path("nowhere.toml"))
    (tmp_path / "b.toml").write_bytes(b"\xff")
    with pytest.raises(StockError, match="is not UTF-8 text"):
        load_stock(tmp_path / "b.toml")


@given(st.integers(1, 10**9), st.sampled_from(["in", "mm"]))
def test_a_thickness_written_out_reads_back_exactly(value_nm: int, unit: str) -> None:
    assert parse_length(exact_length(value_nm, unit)) == value_nm


def test_an_inch_thickness_stays_one() -> None:
    # NIST SP 811 app. B: 1 in = 25.4 mm exactly.
    assert exact_length(2_413_000, "in") == "0.095 in" and exact_length(2_413_001, "in") == "2.413001 mm"


def test_what_is_exported_can_be_imported_elsewhere(room: StockRoom, tmp_path: Path) -> None:
    text = write_stock(room.holdings().bins)
    with StockRoom.open(tmp_path / "other.sqlite") as other:
        other.import_file(load_stock(stock_file(tmp_path, text)), by="", at=AT)
        assert other.holdings().bins == room.holdings().bins
    assert room.import_file(load_stock(stock_file(tmp_path, text)), by="", at=AT) == []


# -- what happens to parts -----------------------------------------------------------------------------------


def test_a_piece_is_reserved_released_consumed_and_brought_back(room: StockRoom) -> None:
    request = PieceWanted("Snap  Ring", 3 * MM, None, UNIT)
    (made,) = room.reserve([request], by="anna", at=AT)
    assert counts(room, 3 * MM) == (6, 1, 5)
    assert (made.place, made.by, made.at) == (UNIT, "anna", AT)
    with pytest.raises(StockError, match=r"reserved already: snap ring 3\.00 mm for unit FW3-0117, pack high"):
        room.reserve([request], by="anna", at=AT)
    assert room.release("FW3-0117", by="", at=AT) == [made] and counts(room, 3 * MM) == (6, 0, 6)
    room.reserve([request], by="anna", at=AT)
    assert room.consume("FW3-0117", "low", by="", at=AT) == [] and room.consume("", by="", at=AT) == []
    assert len(room.consume("FW3-0117", "high", by="", at=AT)) == 1
    assert counts(room, 3 * MM) == (5, 0, 5) and room.consume("FW3-0117", by="", at=AT) == []
    room.take_back(RING, 3 * MM, None, by="", at=AT)
    room.receive(RING, 3 * MM, 2, by="", at=AT)
    assert counts(room, 3 * MM) == (8, 0, 8)


def test_a_job_is_known_by_its_unit_or_its_uuid_and_a_reservation_by_its_number(room: StockRoom) -> None:
    places = [Place("job-1", "U1", "low"), Place("job-1", "U1", "high"), Place("job-2", "", "high")]
    made = room.reserve([PieceWanted(RING, 3 * MM, None, place) for place in places], by="", at=AT)
    assert room.consume(made[1].number, by="", at=AT) == [made[1]]
    assert room.consume("job-1", by="", at=AT) == [made[0]]
    assert room.release("job-2", by="", at=AT) == [made[2]]


def test_a_reservation_is_all_or_nothing(room: StockRoom) -> None:
    wanted = [PieceWanted(RING, 3_200_000, None, Place("", "U1", "low", n)) for n in range(2)]
    with pytest.raises(StockError, match=r"no unmeasured snap ring 3\.20 mm is free .* by serial: SR-31"):
        room.reserve(wanted, by="", at=AT)
    assert counts(room, 3_200_000) == (2, 0, 2)


def test_a_measured_piece_is_a_piece_of_its_own(room: StockRoom) -> None:
    room.measure(RING, 2_800_000, "SR-1", 2_803_000, 4_000, by="", at=AT)
    assert counts(room, 2_800_000) == (4, 0, 4)
    room.measure(RING, 2_800_000, "SR-1", 2_804_000, 3_000, by="", at=AT)
    (part,) = room.holdings().bins[0].measured
    assert (part.serial, part.actual_nm, part.expanded_uncertainty_nm) == ("SR-1", 2_804_000, 3_000)
    (made,) = room.reserve([PieceWanted(RING, 2_800_000, "SR-1", UNIT)], by="", at=AT)
    assert (made.serial, made.actual_nm) == ("SR-1", 2_804_000)
    with pytest.raises(StockError, match="part SR-1 is reserved already"):
        room.reserve([PieceWanted(RING, 2_800_000, "SR-1", Place("", "U2"))], by="", at=AT)
    room.consume("FW3-0117", by="", at=AT)
    with pytest.raises(StockError, match="does not lie on the shelf"):
        room.reserve([PieceWanted(RING, 2_800_000, "SR-1", Place("", "U2"))], by="", at=AT)
    room.take_back(RING, 2_800_000, "SR-1", by="", at=AT)
    assert room.holdings().bins[0].measured == (part,)
    with pytest.raises(StockError, match="lies on the shelf already"):
        room.take_back(RING, 2_800_000, "SR-1", by="", at=AT)
    with pytest.raises(StockError, match="ever given the serial SR-2"):
        room.take_back(RING, 2_800_000, "SR-2", by="", at=AT)


def test_a_thickness_that_cannot_be_the_pieces_is_refused(room: StockRoom) -> None:
    with pytest.raises(StockError, match=r"SR-2 measures 2\.990 mm, nearer to 3\.000 mm than to 2\.800 mm"):
        room.measure(RING, 2_800_000, "SR-2", 2_990_000, 4_000, by="", at=AT)
    with pytest.raises(StockError, match="more than 5 % off"):
        room.measure(RING, 2_800_000, "SR-2", 0, 4_000, by="", at=AT)
    with pytest.raises(StockError, match="is another part's"):
        room.measure(RING, 2_800_000, "SR-31", 2_800_000, 4_000, by="", at=AT)
    with pytest.raises(StockError, match=r"no unmeasured snap ring 3\.40 mm is free to be given the serial SR-2"):
        room.measure(RING, 3_400_000, "SR-2", 3_400_000, 4_000, by="", at=AT)
    with pytest.raises(StockError, match=r"no snap ring of 2\.900 mm; it has: 2\.80 mm, 3\.00 mm, 3\.20 mm, 3\.40 mm"):
        room.measure(RING, 2_900_000, "SR-2", 2_900_000, 4_000, by="", at=AT)


def test_a_ring_in_one_pack_is_promised_to_one_other(room: StockRoom) -> None:
    source = Place("", "HV2-0044", "high", 0)
    (made,) = room.reserve([PieceWanted(RING, 3_400_000, None, UNIT, source)], by="", at=AT)
    assert counts(room, 3_400_000) == (0, 0, 0)
    assert made.text == "snap ring 3.40 mm for unit FW3-0117, pack high, out of unit HV2-0044, pack high"
    with pytest.raises(StockError, match="promised already"):
        room.reserve([PieceWanted(RING, 3_400_000, None, Place("", "U9", "high", 0), source)], by="", at=AT)
    room.consume("FW3-0117", by="", at=AT)
    assert counts(room, 3_400_000) == (0, 0, 0)


def test_taking_a_ring_out_of_a_pack_settles_what_was_reserved_for_it(room: StockRoom) -> None:
    room.reserve([PieceWanted(RING, 3_200_000, "SR-31", UNIT)], by="", at=AT)
    other = Place("", "HV2-0044", "high", 0)
    (made,) = room.reserve([PieceWanted(RING, 3_200_000, "SR-31", other, UNIT)], by="", at=AT)
    assert room.holdings().reservations == (made,) and counts(room, 3_200_000) == (1, 0, 1)
    assert made.actual_nm == 3_212_000


def test_a_ring_of_a_thickness_the_stock_never_had_can_come_out_of_a_pack(room: StockRoom) -> None:
    room.take_back(RING, 3_600_000, None, by="", at=AT)
    assert counts(room, 3_600_000) == (1, 0, 1)
    with pytest.raises(StockError, match="no part spacer"):
        room.take_back("spacer", 3_600_000, None, by="", at=AT)


def test_counting_cannot_lose_what_is_reserved(room: StockRoom, tmp_path: Path) -> None:
    room.reserve([PieceWanted(RING, 3 * MM, None, UNIT)], by="", at=AT)
    before = room.holdings()
    text = "[[parts]]\npart='snap ring'\nthickness='2.80 mm'\ncount=9\n"
    emptied = text + "[[parts]]\npart='snap ring'\nthickness='3.00 mm'\ncount=0\n"
    with pytest.raises(StockError, match=r"1 unmeasured snap ring 3\.00 mm are reserved and 0 would be there"):
        room.import_file(load_stock(stock_file(tmp_path, emptied)), by="", at=AT)
    assert room.holdings() == before
    assert room.import_file(load_stock(stock_file(tmp_path, text)), by="", at=AT) == [
        "snap ring 2.80 mm: +5 unmeasured, now 9"
    ]
    room.reserve([PieceWanted(RING, 3_200_000, "SR-31", Place("", "U2"))], by="", at=AT)
    gone = "[[parts]]\npart='snap ring'\nthickness='3.20 mm'\ncount=2\n"
    with pytest.raises(StockError, match="part SR-31 is reserved, but the file does not list it"):
        room.import_file(load_stock(stock_file(tmp_path, gone)), by="", at=AT)


def test_low_stock_is_told_when_few_are_free(room: StockRoom) -> None:
    assert [one.thickness_nm for one in room.holdings().low()] == [3_200_000, 3_400_000]
    room.reserve([PieceWanted(RING, 2_800_000, None, Place("", "U1", "high", n)) for n in range(3)], by="", at=AT)
    assert [one.thickness_nm for one in room.holdings().low()] == [2_800_000, 3_200_000, 3_400_000]


# -- several benches ------------------------------------------------------------------------------------------


def test_a_movement_is_never_changed_and_a_reservation_closed_once(room: StockRoom, tmp_path: Path) -> None:
    (made,) = room.reserve([PieceWanted(RING, 3 * MM, None, UNIT)], by="", at=AT)
    room.consume(made.number, by="", at=AT)
    with sqlite3.connect(tmp_path / "stock.sqlite") as raw:
        for statement in ("UPDATE movements SET shelf = 99", "DELETE FROM movements"):
            with pytest.raises(sqlite3.IntegrityError, match="never changed"):
                raw.execute(statement)
        again = "INSERT INTO movements (at, by, kind, bin, shelf, closes) VALUES ('', '', 'consumed', 1, -1, ?)"
        with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
            raw.execute(again, (made.number,))
    raw.close()


CHILD = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from capture.stock import Place, PieceWanted, StockError, StockRoom
path, name, wanted = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
with StockRoom.open(path) as room:
    for n in range(wanted):
        try:
            request = PieceWanted("snap ring", 3_000_000, None, Place("", f"{name}-{n}"))
            (made,) = room.reserve([request], by=name, at=datetime.now(UTC))
            print(made.number, flush=True)
        except StockError as error:
            print(f"refused {error}" if "is free" in str(error) else f"broken {error}", flush=True)
"""


def child(path: Path, name: str, wanted: int) -> subprocess.Popen[str]:
    started = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), name, str(wanted)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert started.stdout is not None and started.stdout.readline() == "ready\n"
    return started


def test_benches_that_ask_at_once_never_get_the_same_piece(room: StockRoom, tmp_path: Path) -> None:
    room.receive(RING, 3 * MM, 14, by="", at=AT)  # twenty there, four benches ask for eight each
    benches = [child(tmp_path / "stock.sqlite", f"bench-{n}", 8) for n in range(4)]
    for bench in benches:
        assert bench.stdin is not None
        bench.stdin.write("go\n")
        bench.stdin.flush()
    said = [line for bench in benches for line in bench.communicate(timeout=60)[0].splitlines()]
    assert sum(line.isdigit() for line in said) == 20 and len({line for line in said if line.isdigit()}) == 20
    assert sum(line.startswith("refused") for line in said) == 12 and len(said) == 32
    assert counts(room, 3 * MM) == (20, 20, 0)


def test_two_benches_may_make_the_same_stock_at_once(tmp_path: Path) -> None:
    failures: list[BaseException] = []
    gate = threading.Barrier(4)

    def make() -> None:
        gate.wait(20)
        try:
            StockRoom.open(tmp_path / "new.sqlite").close()
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert failures == []


def test_a_killed_bench_loses_no_reservation_and_leaves_no_half(room: StockRoom, tmp_path: Path) -> None:
    room.receive(RING, 3 * MM, 10_000, by="", at=AT)
    chance = random.Random(8)
    acknowledged: set[int] = set()
    for n in range(4):
        bench = child(tmp_path / "stock.sqlite", f"killed-{n}", 10_000)
        assert bench.stdin is not None and bench.stdout is not None
        bench.stdin.write("go\n")
        bench.stdin.flush()
        for _ in range(chance.randint(2, 25)):
            acknowledged.add(int(bench.stdout.readline()))
        bench.send_signal(signal.SIGKILL)
        acknowledged |= {int(line) for line in bench.stdout.read().splitlines()}
        bench.wait(20)
        bench.stdin.close()
        bench.stdout.close()
    held = {one.number for one in room.holdings().reservations}
    # One whose reply was cut off by the kill may be there too.
    assert acknowledged <= held and len(held - acknowledged) <= 4
    assert counts(room, 3 * MM)[1] == len(held)
    raw = sqlite3.connect(tmp_path / "stock.sqlite")
    assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    raw.close()


def test_another_file_is_not_taken_for_a_stock(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite"):
        pass
    with pytest.raises(StockError, match="is an SQLite database but no stock"):
        StockRoom.open(tmp_path / "record.sqlite")
    (tmp_path / "text").write_text("not a database, but long enough to be taken for one" * 20)
    with pytest.raises(StockError, match="cannot open the stock"):
        StockRoom.open(tmp_path / "text")
    with pytest.raises(StockError, match="there is no directory"):
        StockRoom.open(tmp_path / "a" / "b")
    StockRoom.open(tmp_path / "newer").close()
    with sqlite3.connect(tmp_path / "newer") as raw:
        raw.execute("PRAGMA user_version = 9999")
    raw.close()
    with pytest.raises(StockError, match="written by a newer strokelog"):
        StockRoom.open(tmp_path / "newer")


STEPS = st.lists(
    st.tuples(st.sampled_from(["reserve", "release", "consume", "return", "receive", "measure"]), st.integers(0, 3)),
    max_size=25,
)


@settings(max_examples=15, deadline=None)
@given(STEPS)
def test_whatever_happens_the_shelf_is_what_went_in_less_what_went_out(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    shelf, held, tags = 3, {}, 0  # the model: parts there, unit to how many it holds
    with StockRoom.open(tmp_path_factory.mktemp("stock") / "s.sqlite") as room:
        source = stock_file(tmp_path_factory.mktemp("file"), "[[parts]]\npart='r'\nthickness='2 mm'\ncount=3")
        room.import_file(load_stock(source), by="", at=AT)
        for what, n in steps:
            unit = f"U{n}"
            reserved = sum(held.values())
            if what == "reserve":
                try:
                    room.reserve([PieceWanted("r", 2 * MM, None, Place("", unit))], by="", at=AT)
                    held[unit] = held.get(unit, 0) + 1
                except StockError:
                    assert shelf - tags - reserved == 0
            elif what in ("release", "consume"):
                closed = getattr(room, what)(unit, by="", at=AT)
                assert len(closed) == held.pop(unit, 0)
                shelf -= len(closed) if what == "consume" else 0
            elif what == "return":
                room.take_back("r", 2 * MM, None, by="", at=AT)
                shelf += 1
            elif what == "receive":
                room.receive("r", 2 * MM, n + 1, by="", at=AT)
                shelf += n + 1
            else:
                try:
                    room.measure("r", 2 * MM, f"T{tags}", 2_001_000, 2_000, by="", at=AT)
                    tags += 1
                except StockError:
                    assert shelf - tags - reserved == 0
            reserved = sum(held.values())
            assert counts(room, 2 * MM) == (shelf, reserved, shelf - reserved)


# -- who waits ------------------------------------------------------------------------------------------------

SHEET = """
[sheet]
name = "Forwarder"
revision = "1"
source = "invented"
[[packs]]
name = "high"
range = ["0.80 mm", "1.20 mm"]
[[packs.adjusters]]
kind = "shim"
thickness = "0.25 mm"
fitted = 1
max = 2
more = "closes"
[[packs.adjusters]]
kind = "selective"
name = "snap ring"
choices = ["2.80 mm", "3.00 mm", "3.20 mm", "3.40 mm"]
fitted = "3.00 mm"
thicker = "closes"
tolerance = "0.03 mm"
[[packs]]
name = "low"
range = ["0.80 mm", "1.20 mm"]
[[packs.adjusters]]
kind = "selective"
name = "backing plate"
part = "plate"
choices = ["3.00 mm"]
fitted = "3.00 mm"
thicker = "closes"
"""


def checked(
    store: Store, job: int, travel_nm: int, pack: str = "high", at: datetime = AT, low_nm: int = 800_000,
    apart_nm: int = 1_000,
) -> None:  # fmt: skip
    check = start_check(store, job, pack=pack, low_nm=low_nm, high_nm=1_200_000, at=at)
    travels = [travel_nm - apart_nm, travel_nm, travel_nm + apart_nm]
    verdict = judge(travels, low_nm, 1_200_000, MeasurementLimits(2_540))
    assert verdict is not None
    finish_check(store, check, verdict=verdict, at=at)


def a_job(store: Store, unit: str, uuid: UUID | None = None) -> int:
    return open_job(store, uuid=uuid or uuid4(), unit_serial=unit, sheet_toml=SHEET)


def jobs_of(*stores: Store) -> list[Job]:
    return [job for store in stores for job in store.jobs(100)]


EVER = AT - timedelta(days=1)


def test_the_packs_of_every_record_wait_whose_newest_check_is_not_good(room: StockRoom, tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as one, Store.open(tmp_path / "b.sqlite") as other:
        loose = a_job(one, "A")
        checked(one, loose, 1_400_000)
        checked(one, a_job(one, "B"), 1_000_000)
        mended = a_job(other, "C")
        checked(other, mended, 1_400_000)
        checked(other, mended, 1_000_000, at=AT + timedelta(hours=1))
        elsewhere = a_job(other, "A")  # the same unit, measured again on the other bench
        checked(other, elsewhere, 1_300_000, at=AT + timedelta(hours=1))
        gathered = from_jobs(jobs_of(one, other), room.holdings(), EVER)
    (waiting,) = gathered.packs
    assert (waiting.unit, waiting.pack, waiting.mean_nm) == ("A", "high", 1_300_000)
    (there,) = waiting.slots
    assert (there.adjuster, there.part, there.fitted.thickness_nm, there.opens) == (1, part_key(RING), 3 * MM, False)
    assert there.fitted.standard_nm == pytest.approx(20_000 / 3**0.5)  # the stock's word before the sheet's
    free = {(one.size.thickness_nm, one.size.measured): one.count for one in gathered.shelf}
    assert free == {(2_800_000, False): 4, (3 * MM, False): 6, (3_200_000, False): 1, (3_200_000, True): 1}


def test_a_session_that_ended_long_ago_waits_no_more(room: StockRoom, tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as store:
        job = a_job(store, "A")
        checked(store, job, 1_400_000)
        store.close_job(job, at=AT)
        jobs = jobs_of(store)
    assert len(from_jobs(jobs, room.holdings(), AT - timedelta(days=1)).packs) == 1
    assert from_jobs(jobs, room.holdings(), AT + timedelta(days=1)).packs == ()


def test_a_pack_that_cannot_be_asked_about_is_named_with_what_to_do(room: StockRoom, tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as store:
        start_check(store, a_job(store, "A"), pack="high")
        gone = start_check(store, a_job(store, "B"), pack="high")
        store.abandon_check(gone, at=AT)
        checked(store, open_job(store, uuid=uuid4(), unit_serial="C"), 1_400_000)
        checked(store, a_job(store, "D"), 1_300_000, apart_nm=600_000)
        jobs = jobs_of(store)
    reasons = {one.unit: one.reason for one in from_jobs(jobs, room.holdings(), EVER).not_asked}
    assert reasons["A"] == "is being measured" and "was abandoned; check it again" in reasons["B"]
    assert "its build sheet cannot be read" in reasons["C"]
    assert "differ by too much to be judged" in reasons["D"]


def test_a_plate_the_stock_does_not_list_is_no_selective_part_to_allot(room: StockRoom, tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.sqlite") as store:
        checked(store, a_job(store, "A"), 1_400_000, pack="low")
        assert from_jobs(jobs_of(store), room.holdings(), EVER).packs[0].slots == ()


def test_parts_changed_since_the_sheet_count_and_since_the_check_make_it_stale(room: StockRoom, tmp_path: Path) -> None:
    uuid = uuid4()
    part = PartsChanged("high", (Change(1, "selective", 3 * MM, 3_200_000),), None, None, "tech")
    with Store.open(tmp_path / "a.sqlite") as store:
        checked(store, a_job(store, "A", uuid), 1_400_000)
        jobs = jobs_of(store)
    before = {str(uuid): [(AT - timedelta(minutes=5), part)]}
    after = {str(uuid): [(AT + timedelta(minutes=5), part)]}
    (waiting,) = from_jobs(jobs, room.holdings(), EVER, before).packs
    assert waiting.slots[0].fitted.thickness_nm == 3_200_000
    (recheck,) = from_jobs(jobs, room.holdings(), EVER, after).not_asked
    assert "changed since it was measured" in recheck.reason
    # A measured part that was reserved for the pack and is fitted now is known to the micrometer.
    place = Place(str(uuid), "A", "high", 1)
    room.reserve([PieceWanted(RING, 3_200_000, "SR-31", place)], by="", at=AT - timedelta(minutes=9))
    (waiting,) = from_jobs(jobs, room.holdings(), EVER, before).packs
    assert (waiting.slots[0].serial, waiting.slots[0].fitted.actual_nm) == ("SR-31", 3_212_000)
    # One that is reserved and not fitted yet is to be fitted first.
    (first,) = from_jobs(jobs, room.holdings(), EVER).not_asked
    assert "fit it and check again, or release it" in first.reason


@pytest.mark.parametrize("fact", [SignedOff("anna"), Override("high", None, "anna", "parts are on order")])
def test_a_pack_that_was_let_pass_waits_for_nothing(room: StockRoom, tmp_path: Path, fact: Fact) -> None:
    uuid = uuid4()
    with Store.open(tmp_path / "a.sqlite") as store:
        checked(store, a_job(store, "A", uuid), 1_400_000)
        jobs = jobs_of(store)
    for minutes, waiting in ((5, 0), (-5, 1)):
        facts = {str(uuid): [(AT + timedelta(minutes=minutes), fact)]}
        assert len(from_jobs(jobs, room.holdings(), EVER, facts).packs) == waiting
    other = {str(uuid): [(AT + timedelta(minutes=5), Override("low", None, "anna", "parts are on order"))]}
    assert len(from_jobs(jobs, room.holdings(), EVER, other).packs) == 1


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('clearance = "1.21 mm"', "clearance = 1.21", "clearance: 1.21: 1.21 has no unit"),
        ('unit = "FW3-0121"', 'unit = "FW3-0117"', "pack 'high' of unit 'FW3-0117' is listed twice"),
        ('fitted = "3.40 mm"', 'fitted = "3.50 mm"', ", fitted: '3.50 mm': expected one of the choices"),
        ('preferred = "1.00 mm"', 'preferred = "3 mm"', ", preferred: '3 mm': lies outside the range"),
        ('range = ["0.80 mm", "1.20 mm"]', 'range = ["1.20 mm", "0.80 mm"]', "expected a lower and a higher length"),
        ('thicker = "closes"', 'thicker = "closes"\nfitted_actual = "3.01 mm"', "needs fitted_uncertainty"),
    ],
)
def test_a_file_of_waiting_packs_is_checked_like_a_build_sheet(
    room: StockRoom, tmp_path: Path, old: str, new: str, said: str
) -> None:
    path = tmp_path / "packs.toml"
    path.write_text(WAITING.read_text().replace(old, new, 1))
    with pytest.raises(TableError) as told:
        from_file(path, room.holdings())
    assert said in str(told.value)


def test_waiting_packs_may_be_json_too(room: StockRoom, tmp_path: Path) -> None:
    import tomllib

    path = tmp_path / "packs.json"
    path.write_text(json.dumps(tomllib.loads(WAITING.read_text())))
    assert from_file(path, room.holdings()) == from_file(WAITING, room.holdings())
    path.write_text("[]")
    with pytest.raises(TableError, match=r"packs\.json: holds no table at its top"):
        from_file(path, room.holdings())


# -- the commands ---------------------------------------------------------------------------------------------


def told(*words: str, code: int = 0, **environment: str) -> Result:
    """What a command says, run in this process."""
    done = CliRunner().invoke(app, words, env=environment)
    assert done.exit_code == code, (done.exit_code, done.output, done.exception)
    return done


def objects(done: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


@contextmanager
def micrometer(text: bytes) -> Iterator[str]:
    """An instrument on a pseudo-terminal that shows `text`; yields the path of its port."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.05):
            os.write(ours, text)

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        thread.join()
        os.close(ours)
        os.close(theirs)


def test_the_commands_from_import_to_sign_off(tmp_path: Path) -> None:
    stock = ("--stock", str(tmp_path / "s.sqlite"))
    done = strokelog("stock", "import", str(EXAMPLE), *stock)  # as a shell runs it; the others within this process
    assert b"low stock: snap ring 3.40 mm: 0 free, order at 1" in done.stderr
    ask = ("stock", "allot", "--packs", str(WAITING), "--json", *stock)
    *placed, summary = objects(told(*ask))
    assert (summary["waiting"], summary["in_range"]) == (3, 3)
    first = next(one for one in placed if one["unit"] == "FW3-0117")
    assert (first["serial"], first["to_actual_nm"], first["predicted_nm"]) == ("SR-31", 3_212_000, 998_000)
    # JCGM 101: 0.03 mm and 0.004 mm with k = 2 are normal, 0.02 mm is a rectangle; their sum, drawn.
    draws = np.random.default_rng(5)
    drawn = np.hypot(0.03 / 2, 0.004 / 2) * draws.standard_normal(500_000) + draws.uniform(-0.02, 0.02, 500_000)
    assert first["expanded_uncertainty_nm"] == pytest.approx(np.quantile(abs(drawn), 0.95) * 1e6, rel=0.004)
    swapped = next(one for one in placed if one["unit"] == "HV2-0044")
    assert swapped["out_of"] == {"unit": "FW3-0121", "pack": "high"}
    table = told("stock", "allot", "--packs", str(WAITING), *stock, COLUMNS="160").stdout
    assert "3 of 3 waiting packs" in table and "0.998 mm ± 0.037 mm" in table and "Nothing is reserved yet" in table
    made = [one for one in objects(told(*ask, "--reserve", "--by", "anna")) if one["type"] == "reservation"]
    assert {one["unit"] for one in made} == {"FW3-0117", "FW3-0121", "HV2-0044"} and made[0]["by"] == "anna"
    again = objects(told(*ask, "--reserve", code=3))
    assert [one["type"] for one in again] == ["not_asked"] * 3 + ["allotment"]
    assert "consumed: snap ring 3.20 mm SR-31" in told("stock", "consume", "FW3-0117", *stock).stdout
    assert "released: snap ring 3.00 mm" in told("stock", "release", "FW3-0121", *stock).stdout
    shown = objects(told("stock", "show", "--json", *stock))
    assert [(one["count"], one["free"]) for one in shown if one["type"] == "bin"] == [(4, 4), (6, 6), (1, 1), (0, 0)]
    assert [one["unit"] for one in shown if one["type"] == "reservation"] == ["HV2-0044"]
    people = told("stock", "show", *stock, COLUMNS="120").stdout
    assert "1  LOW" in people and "out of unit FW3-0121" in people
    assert "on the shelf again" in told("stock", "return", RING, "3.4 mm", *stock).stdout
    took = [told("stock", "reserve", RING, "2.8 mm", f"U{n}", *stock).stderr for n in range(3)]
    assert took == ["", "", "strokelog: low stock: snap ring 2.80 mm: 1 free, order at 1\n"]
    (line,) = objects(told("stock", "return", RING, "3.4 mm", "--json", *stock))
    assert (line["type"], line["thickness_nm"], line["serial"]) == ("returned", 3_400_000, None)
    (line,) = objects(told("stock", "receive", RING, "3.4 mm", "2", "--json", *stock))
    assert (line["type"], line["count"]) == ("received", 2)
    exported = told("stock", "export", *stock).stdout
    assert 'thickness = "3.40 mm", count = 4' in exported


def test_the_allotment_of_a_record(room: StockRoom, tmp_path: Path) -> None:
    (tmp_path / "bench").mkdir()
    with Store.open(tmp_path / "bench" / "record.sqlite") as store:
        now = datetime.now(UTC)
        checked(store, a_job(store, "A"), 1_380_000, at=now)
        checked(store, a_job(store, "B"), 2_400_000, at=now)
    stock = ("--stock", str(tmp_path / "stock.sqlite"))
    done = told("stock", "allot", "--data-dir", str(tmp_path / "bench"), "--json", *stock, code=3)
    placed, out, summary = objects(done)
    assert (placed["unit"], placed["adjuster"], placed["to_nm"], placed["serial"]) == ("A", 1, 3_200_000, "SR-31")
    assert (out["unit"], out["reason"]) == ("B", "unreachable")
    assert "no thickness of its build sheet reaches: snap ring 3.40 mm would give 2.000 mm" in out["text"]
    assert summary["in_range"] == 1


def test_a_thickness_is_read_from_an_instruments_port(room: StockRoom, tmp_path: Path) -> None:
    stock = ("--stock", str(tmp_path / "stock.sqlite"))
    with micrometer(b"+2.803 mm\r\n") as port:
        words = ["stock", "measure", RING, "2.80 mm", "SR-9", "--port", port, "--set", "resolution=0.001 mm"]
        (read,) = objects(told(*words, "--set", "max_error=0.004 mm", "--json", *stock))
    assert read["actual_nm"] == 2_803_000
    # JCGM 100, 4.3.7 and F.2.2.1: 4 um as a rectangle, two readings of 1 um; k = 2.
    assert read["expanded_uncertainty_nm"] == pytest.approx(2 * (4**2 / 3 + 2 / 12) ** 0.5 * 1000, abs=1)
    assert room.holdings().bins[0].measured[0].serial == "SR-9"


def test_an_instrument_that_shows_something_else_is_told(room: StockRoom, tmp_path: Path) -> None:
    stock = ("--stock", str(tmp_path / "stock.sqlite"))
    with micrometer(b"0.000 mm\r\n") as port:
        done = told("stock", "measure", RING, "2.80 mm", "X", "--port", port, "--seconds", "1", *stock, code=1)
    assert "it measures 0.000 mm, more than 5 % off 2.800 mm; check the zero" in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["stock", "reserve", RING, "2.8", "U1"], 2, "THICKNESS: '2.8' is no length with a unit"),
        (["stock", "reserve", RING, "0 mm", "U1"], 2, "is not above zero"),
        (["stock", "reserve", RING, "2.8 mm", " "], 2, "UNIT: is empty"),
        (["stock", "reserve", "disc", "2.8 mm", "U1"], 1, "has no disc of 2.800 mm; it has: snap ring"),
        (["stock", "measure", RING, "2.8 mm", "X"], 2, "--micrometer '2.803 mm', or the port"),
        (["stock", "measure", RING, "2.8 mm", "X", "--micrometer", "2.8 mm"], 2, "--micrometer needs --uncertainty"),
        (["stock", "release"], 2, "name the UNIT"),
        (["stock", "release", "U1", "--number", "3"], 2, "name the UNIT"),
        (["stock", "consume", "nobody"], 1, "nothing is reserved for nobody"),
        (["stock", "import", "nowhere.toml"], 1, "nowhere.toml: No such file"),
        (["stock", "export", "/nowhere/x"], 1, "cannot write /nowhere/x"),
        (["stock", "allot", "--packs", "x", "--data-dir", "y"], 2, "not both"),
        (["stock", "allot", "--packs", "nowhere.toml"], 1, "nowhere.toml: No such file"),
        (["stock", "allot", "--data-dir", "/nowhere"], 1, "there is no record at /nowhere/record.sqlite"),
    ],
)
def test_wrong_words_say_what_was_expected(
    room: StockRoom, tmp_path: Path, words: list[str], code: int, said: str
) -> None:
    done = told(*words, "--stock", str(tmp_path / "stock.sqlite"), code=code)
    assert said in done.stderr


def test_an_empty_stock_says_how_to_fill_it(tmp_path: Path) -> None:
    done = told("stock", "allot", "--packs", str(WAITING), "--stock", str(tmp_path / "s.sqlite"), code=1)
    assert "the stock is empty; `strokelog stock import FILE` fills it" in done.stderr
