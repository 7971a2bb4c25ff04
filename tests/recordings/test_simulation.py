"""Claims about the simulated bench: its physics, its indicator, its wire forms, and its pseudo-terminal."""

from __future__ import annotations

import asyncio
import json
import math
import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from capture.sheet.sheet import load_sheet
from capture.simulation.indicator import Displayed, IndicatorSpec, SimulatedIndicator
from capture.simulation.physics import PackPhysics, PistonSimulator, orifice_flow
from capture.simulation.pty_bench import PtyBench
from capture.simulation.scenario import DEMO_BENCH, DEMO_CHECKS, DEMO_SEED
from capture.simulation.simulated_bench import STEP_NS, BenchSpec, Chunk, SimulatedBench, StrokeTruth
from capture.simulation.technician import TROUBLES, Technician, Trouble
from capture.simulation.wire_bytes import WireSpec, crc16, decimal_text, encode
from tests.support.make_golden import CASES, FOLDER, write

MS = 1_000_000
PACK = PackPhysics()
QUIET = BenchSpec(IndicatorSpec(noise_nm=0.0), spread_nm=0.0, seat_nm=0)


def travels(physics: PackPhysics, open_s: float, closed_s: float = 0.0) -> list[tuple[float, float]]:
    """Travel nm and pressure Pa of one stroke, every half millisecond."""
    piston = PistonSimulator(physics)
    held = [piston.step(0.0005, True) for _ in range(round(open_s / 0.0005))]
    return held + [piston.step(0.0005, False) for _ in range(round(closed_s / 0.0005))]


def run_check(
    spec: BenchSpec, strokes: int, troubles: dict[int, Trouble] | None = None, seed: int = 1
) -> tuple[list[Chunk], list[StrokeTruth]]:
    bench = SimulatedBench(spec, PACK, seed)
    return list(bench.check(PACK, strokes, troubles)), bench.truths


def shown(chunks: list[Chunk], since_ns: int = 0, until_ns: int = 1 << 62) -> list[Decimal]:
    """The values of a `line` stream in millimetres."""
    return [Decimal(data.split()[0].decode()) for t_ns, data in chunks if since_ns <= t_ns < until_ns]


# Physics


@pytest.mark.parametrize(
    "physics",
    [
        PACK,
        PackPhysics(clearance_nm=800_000),
        PackPhysics(clearance_nm=1_400_000, piston_area_m2=0.009),
        PackPhysics(cushion_nm=300_000, cushion_rate_n_per_m=600_000.0),
        PackPhysics(film_nm=0),
        PackPhysics(supply_pa=600_000.0, supply_conductance=2e-8),
    ],
)
def test_a_long_hold_settles_at_the_clearance_and_the_release_comes_home(physics: PackPhysics) -> None:
    stroke = travels(physics, 3.0, 2.0)
    assert stroke[5999][0] == pytest.approx(physics.clearance_nm, abs=1_000)
    assert stroke[-1][0] == 0.0


def test_pressure_stays_between_the_exhaust_and_the_supply() -> None:
    stroke = travels(PACK, 2.0, 2.0)
    pressures = [pressure for _, pressure in stroke]
    assert min(pressures) >= -1.0
    assert max(pressures) <= PACK.supply_pa + 1.0
    assert pressures[3999] == pytest.approx(PACK.supply_pa, rel=1e-3)


def test_times_are_those_of_a_bench() -> None:
    # Common practice: a pack on shop air rises in 60 to 250 ms, settles in 100 to 400 ms, returns in 80 to 300 ms.
    stroke = [travel / PACK.clearance_nm for travel, _ in travels(PACK, 2.0, 1.0)]
    arrived_s = next(i for i, part in enumerate(stroke) if part > 0.9) * 0.0005
    settled_s = next(i for i, part in enumerate(stroke) if part > 0.998) * 0.0005
    home_s = next(i for i, part in enumerate(stroke) if i > 4000 and part < 0.01) * 0.0005 - 2.0
    assert 0.06 <= arrived_s <= 0.25
    assert 0.1 <= settled_s - arrived_s <= 0.4
    assert 0.08 <= home_s <= 0.3


def test_the_air_does_the_work_of_springs_and_seals() -> None:
    # Conservation of energy: what the cavity's pressure does on the piston is at least what springs and seals take.
    piston = PistonSimulator(PACK)
    work_j, last_m = 0.0, 0.0
    for _ in range(4000):
        travel_nm, pressure_pa = piston.step(0.0005, True)
        work_j += pressure_pa * PACK.piston_area_m2 * (travel_nm * 1e-9 - last_m)
        last_m = travel_nm * 1e-9
    spring_j = PACK.spring_preload_n * last_m + PACK.spring_rate_n_per_m * last_m**2 / 2
    taken_j = spring_j + PACK.seal_drag_n * last_m
    assert taken_j < work_j < PACK.supply_pa * PACK.piston_area_m2 * last_m


def test_an_undamped_stiff_pack_at_high_pressure_overshoots_and_a_gentle_one_does_not() -> None:
    harsh = PackPhysics(supply_pa=600_000.0, supply_conductance=8e-8, film_nm=0, contact_damping_n_s_per_m=100.0)
    path = [travel for travel, _ in travels(harsh, 1.0)]
    top = max(range(len(path)), key=path.__getitem__)
    assert min(path[top : top + 40]) < path[top] - 1_000
    gentle = [travel for travel, _ in travels(PACK, 1.0)]
    assert max(gentle) <= PACK.clearance_nm + 1_000


def test_orifice_flow_follows_iso_6358() -> None:
    # ISO 6358-1: choked flow is C p1 (here times 100 kPa); at r = 0.75, b = 0.5 it is sqrt(1 - 0.25) of that.
    choked = 1e-8 * 100_000.0 * 400_000.0
    assert orifice_flow(1e-8, 400_000.0, 100_000.0, 0.5) == pytest.approx(choked)
    assert orifice_flow(1e-8, 400_000.0, 300_000.0, 0.5) == pytest.approx(choked * math.sqrt(0.75))
    assert orifice_flow(1e-8, 400_000.0, 400_000.0, 0.5) == 0.0
    assert orifice_flow(1e-8, 100_000.0, 400_000.0, 0.5) == pytest.approx(-choked)


def test_air_that_cannot_close_the_pack_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot close the pack"):
        PackPhysics(supply_pa=30_000.0)


def test_seals_can_hold_the_piston_off_its_stop_or_jam_it() -> None:
    assert travels(PackPhysics(rest_error_nm=15_000), 1.0, 2.0)[-1][0] == pytest.approx(15_000)
    assert travels(PackPhysics(stick_nm=500_000), 1.0, 2.0)[-1][0] == pytest.approx(500_000)


# Indicator


def test_the_indicators_filter_takes_2_197_time_constants_from_10_to_90_percent() -> None:
    # IEEE Std 181: transition duration between the 10 % and 90 % reference levels; for one pole ln(9) tau = 2.197 tau.
    spec = IndicatorSpec(rate_hz=2000.0, rate_jitter=0.0, noise_nm=0.0, resolution_nm=1, filter_s=0.05, mount_nm=0)
    indicator = SimulatedIndicator(spec, Random(0))
    levels = []
    for step in range(1, 2000):
        update = indicator.follow(step * STEP_NS, STEP_NS, 1_000_000.0)
        assert update is not None
        levels.append(update[1].value_nm)
    rise_s = sum(100_000 <= level < 900_000 for level in levels) * STEP_NS * 1e-9
    assert rise_s == pytest.approx(2.197 * 0.05, abs=0.001)


@pytest.mark.parametrize(
    ("travel_nm", "counts"), [(0, 300), (4_999, 300), (5_000, 301), (1_104_999, 410), (1_105_000, 411)]
)
def test_the_display_rounds_to_its_step(travel_nm: int, counts: int) -> None:
    indicator = SimulatedIndicator(IndicatorSpec(noise_nm=0.0, filter_s=0.0, rate_hz=1000.0), Random(0))
    updates = [indicator.follow(step * STEP_NS, STEP_NS, travel_nm) for step in range(1, 10)]
    assert {update[1] for update in updates if update} == {Displayed(counts, 10_000, "mm")}


def test_the_other_direction_is_the_mirror_image() -> None:
    ahead, _ = run_check(QUIET, 2)
    back, _ = run_check(replace(QUIET, indicator=replace(QUIET.indicator, direction=-1)), 2)
    assert [t_ns for t_ns, _ in ahead] == [t_ns for t_ns, _ in back]
    assert max(shown(ahead)) == Decimal("4.10")
    # Rounding is always towards plus, so a value halfway may mirror one step off.
    assert all(abs(a + b - 6) <= Decimal("0.01") for a, b in zip(shown(ahead), shown(back), strict=True))


def test_updates_come_at_the_rate_with_a_little_jitter() -> None:
    bench = SimulatedBench(replace(QUIET, indicator=replace(QUIET.indicator, rate_hz=50.0)), PACK, 3)
    times = [t_ns for t_ns, _ in bench.rest(10_000 * MS)]
    gaps = [b - a for a, b in pairwise(times)]
    assert sum(gaps) / len(gaps) == pytest.approx(20 * MS, rel=0.01)
    assert len(set(gaps)) > 100


# Bench and troubles


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    assert run_check(BenchSpec(), 3, {2: "glitch"}, seed=5) == run_check(BenchSpec(), 3, {2: "glitch"}, seed=5)
    assert run_check(BenchSpec(), 3, seed=5)[0] != run_check(BenchSpec(), 3, seed=6)[0]


def test_seat_strokes_of_a_fresh_pack_go_too_far_and_later_ones_do_not() -> None:
    _, truths = run_check(replace(QUIET, seat_nm=30_000), 4)
    assert [truth.true_travel_nm - PACK.clearance_nm for truth in truths] == [30_000, 6_000, 1_200, 240]


def test_frames_of_a_batch_arrive_together_and_none_is_lost() -> None:
    alone, _ = run_check(QUIET, 1)
    together, _ = run_check(replace(QUIET, batch=8), 1)
    data = b"".join(data for _, data in together)
    assert all(chunk.count(b"\n") == 8 for _, chunk in together)
    assert b"".join(data for _, data in alone).startswith(data)
    assert len(together) == len(alone) // 8


def troubled(trouble: Trouble, spec: BenchSpec = QUIET) -> tuple[list[Chunk], StrokeTruth, StrokeTruth]:
    """A check whose second of three strokes has `trouble`: its chunks, that stroke and the next."""
    chunks, truths = run_check(spec, 3, {2: trouble})
    assert truths[1].trouble == trouble
    return chunks, truths[1], truths[2]


def test_glitch_is_one_far_reading_in_the_hold() -> None:
    chunks, truth, _ = troubled("glitch")
    held = shown(chunks, truth.release_ns - 1_200 * MS, truth.release_ns)
    assert sum(abs(value - Decimal("4.10")) > Decimal("0.5") for value in held) == 1


def test_no_return_leaves_over_a_third_until_the_next_apply() -> None:
    chunks, truth, after = troubled("no_return")
    assert truth.returned_nm > 0.35 * truth.true_travel_nm
    assert after.rest_nm == truth.returned_nm
    applying = shown(chunks, after.start_ns, after.release_ns)
    assert min(applying) >= Decimal("3.49"), "only the air frees a jammed piston, so it never falls back first"
    assert after.returned_nm < 0.05 * after.true_travel_nm


def test_base_moved_shifts_the_rest_after_the_release() -> None:
    chunks, truth, after = troubled("base_moved")
    before = shown(chunks, truth.start_ns - 400 * MS, truth.start_ns)[-1]
    moved = shown(chunks, truth.end_ns + 200 * MS, after.start_ns)[-1] - before
    assert Decimal("0.07") <= abs(moved) <= Decimal("0.16")


@pytest.mark.parametrize(("direction", "end"), [(1, "12.70"), (-1, "0.00")])
def test_out_of_reach_runs_into_the_end_of_the_range(direction: int, end: str) -> None:
    spec = replace(QUIET, indicator=replace(QUIET.indicator, direction=direction))
    chunks, truth, _ = troubled("out_of_reach", spec)
    assert shown(chunks, truth.release_ns - 500 * MS, truth.release_ns)[-1] == Decimal(end)
    assert truth.held_nm == pytest.approx(truth.true_travel_nm, abs=1_000)


def test_creep_is_still_moving_when_released() -> None:
    chunks, truth, _ = troubled("creep")
    late = shown(chunks, truth.release_ns - 500 * MS, truth.release_ns)
    assert late[-1] - late[0] >= Decimal("0.02")
    assert truth.held_nm < truth.true_travel_nm - 20_000


def test_leak_lets_at_least_a_tenth_of_the_travel_fall_away() -> None:
    _, truth, _ = troubled("leak")
    assert truth.peak_nm > 0.85 * truth.true_travel_nm
    assert truth.held_nm < 0.9 * truth.peak_nm


def test_short_hold_is_a_tenth_of_a_second() -> None:
    _, truth, after = troubled("short_hold")
    assert truth.release_ns - truth.start_ns < 400 * MS
    assert after.release_ns - after.start_ns > 1_000 * MS


def test_sparse_leaves_one_or_two_readings_of_the_hold() -> None:
    chunks, truth, after = troubled("sparse")
    assert 1 <= len(shown(chunks, truth.start_ns, truth.release_ns)) <= 2
    assert len(shown(chunks, after.start_ns, after.release_ns)) > 10


def test_rezeroed_starts_again_from_zero_in_the_hold() -> None:
    chunks, truth, after = troubled("rezeroed")
    held = shown(chunks, truth.start_ns, truth.release_ns)
    assert max(held) == Decimal("4.10")
    assert held[-1] == 0
    assert shown(chunks, truth.end_ns + 200 * MS, after.start_ns)[-1] == Decimal("-1.10")


def test_the_unit_button_changes_the_unit_on_the_wire() -> None:
    chunks, truth, _ = troubled("rezeroed", replace(QUIET, rezero="unit"))
    units = [data.split()[1] for t_ns, data in chunks if truth.start_ns <= t_ns < truth.release_ns]
    assert units[0] == b"mm"
    assert units[-1] == b"in"


def test_gap_silences_the_stream_in_the_hold_for_over_a_second_and_a_half() -> None:
    chunks, truth, _ = troubled("gap")
    times = [t_ns for t_ns, _ in chunks if truth.start_ns <= t_ns < truth.release_ns]
    assert max(b - a for a, b in pairwise(times)) >= 1_500 * MS
    assert truth.release_ns - times[-1] < 200 * MS


def test_an_unknown_trouble_and_a_stroke_that_is_not_made_are_refused() -> None:
    with pytest.raises(ValueError, match="on a stroke from 1 to 2"):
        run_check(QUIET, 2, {3: "leak"})


def test_the_demo_follows_its_sheet_one_pack_loose_and_one_tight_until_a_part_is_changed() -> None:
    sheet = load_sheet(FOLDER.parent / "demo" / "workshop-forwarder.toml")
    limits = {pack.name: pack.range for pack in sheet.packs}
    outcomes = []
    bench = SimulatedBench(DEMO_BENCH, DEMO_CHECKS[0].physics, DEMO_SEED)
    for check in DEMO_CHECKS:
        list(bench.check(check.physics, check.strokes, check.troubles))
        low, high = limits[check.pack]
        outcomes.append((check.pack, low < bench.truths[-1].true_travel_nm < high))
    assert outcomes == [("low", False), ("low", True), ("high", False), ("high", True), ("reverse", True)]


# Wire forms


@given(st.integers(-500_000, 500_000), st.sampled_from([("mm", 10_000), ("mm", 1_000), ("in", 12_700), ("in", 2_540)]))
def test_decimal_text_is_exact(counts: int, step: tuple[str, int]) -> None:
    unit, resolution_nm = step
    displayed = Displayed(counts, resolution_nm, "in" if unit == "in" else "mm")
    per_unit = 25_400_000 if unit == "in" else 1_000_000  # 1 in = 25.4 mm exactly, NIST SP 811 app. B
    assert Decimal(decimal_text(displayed)) * per_unit == displayed.value_nm


MM = Displayed(-1234, 1_000, "mm")  # -1.234 mm
INCH = Displayed(1001, 12_700, "in")  # 0.5005 in


@pytest.mark.parametrize(
    ("spec", "displayed", "frame"),
    [
        (WireSpec("line"), MM, b"-1.234 mm\r\n"),
        (WireSpec("line", name="A1", show_unit=False, end="\r"), INCH, b"A1 +0.5005\r"),
        (WireSpec("polled-line", end="\n"), INCH, b"+0.5005 in\n"),
        (WireSpec("counts"), MM, b"-1234\r\n"),
        # Four 0xF, sign 8 for minus, six digits, three decimals, 0 for mm.
        (WireSpec("bcd13"), MM, bytes([15, 15, 15, 15, 8, 0, 0, 1, 2, 3, 4, 3, 0])),
        (WireSpec("bcd13", hex_digits=True), INCH, b"FFFF000500541\r\n"),
        # Least significant byte first; bit 20 for minus, bit 23 for inch; 0.01 mm or 0.0005 in a count.
        (WireSpec("word24"), Displayed(-259, 10_000, "mm"), bytes([0x03, 0x01, 0x10])),
        (WireSpec("word24"), INCH, bytes([0xE9, 0x03, 0x80])),
        (WireSpec("word24"), Displayed(0, 10_000, "mm"), bytes(3)),
    ],
)
def test_each_wire_form_is_as_documented(spec: WireSpec, displayed: Displayed, frame: bytes) -> None:
    assert encode(spec, displayed) == frame


def test_the_register_forms_crc_is_that_of_its_specification() -> None:
    # Modbus over serial line V1.02, 6.2.2 example: 02 07 gives 0x1241, sent low byte first (from memory).
    assert crc16(bytes([0x02, 0x07])) == 0x1241
    frame = encode(WireSpec("registers", address=2), MM)
    assert frame[:7] == bytes([2, 4, 4]) + (-1234).to_bytes(4, "big", signed=True)
    # The same section: over a frame with its own CRC the sum is zero.
    assert crc16(frame) == 0


@pytest.mark.parametrize(
    ("spec", "counts"),
    [(WireSpec("bcd13"), 1_000_000), (WireSpec("word24"), 1 << 21), (WireSpec("registers", words=1), 40_000)],
)
def test_a_value_too_large_for_the_form_is_refused(spec: WireSpec, counts: int) -> None:
    with pytest.raises(ValueError, match="not fit"):
        encode(spec, Displayed(counts, 10_000, "mm"))


# Recordings


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_checked_in_recordings_are_what_the_generator_writes(case, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    write(case, tmp_path)
    for suffix in (".jsonl", ".truth.json"):
        name = case.name + suffix
        assert (tmp_path / name).read_bytes() == (FOLDER / name).read_bytes()


def test_recordings_cover_every_trouble() -> None:
    truths = [json.loads((FOLDER / f"{case.name}.truth.json").read_text()) for case in CASES]
    assert {stroke["trouble"] for truth in truths for stroke in truth["strokes"]} == {None, *TROUBLES}


# Pseudo-terminal


class NotedBench(SimulatedBench):
    """Keeps every byte it sent."""

    def __init__(self, spec: BenchSpec, physics: PackPhysics, seed: int) -> None:
        super().__init__(spec, physics, seed)
        self.sent = bytearray()

    def _step(self, valve_open: bool) -> Iterator[Chunk]:
        for chunk in super()._step(valve_open):
            self.sent += chunk[1]
            yield chunk


BRISK = replace(QUIET, technician=Technician(rest_s=0.5, hold_s=0.6))


async def test_a_serial_port_receives_every_byte_that_was_played(tmp_path: Path) -> None:
    bench = NotedBench(BRISK, PACK, 11)
    received, goal_known, goal = bytearray(), threading.Event(), 0
    async with PtyBench(bench, tmp_path / "dial", speed=20.0) as pty:
        with serial.Serial(str(pty.path), 9600, timeout=0.1) as port:

            def read() -> None:
                while not goal_known.is_set() or len(received) < goal:
                    received.extend(port.read(port.in_waiting or 1))

            reader = asyncio.create_task(asyncio.to_thread(read))
            truths = await pty.run_check(PACK, 2)
            goal = pty.played
            goal_known.set()
            await reader
        assert pty.dropped == 0
    assert [truth.n for truth in truths] == [1, 2]
    assert goal > 300
    assert received[:goal] == bench.sent[:goal]
    assert not pty.path.is_symlink()


async def test_unplugging_hangs_up_and_replugging_streams_on_behind_the_same_path(tmp_path: Path) -> None:
    async with PtyBench(SimulatedBench(BRISK, PACK, 12), tmp_path / "dial", speed=20.0) as pty:
        with serial.Serial(str(pty.path), 9600, timeout=5) as port:
            assert (await asyncio.to_thread(port.readline)).endswith(b"mm\r\n")
            pty.unplug()
            assert not pty.path.exists()
            with pytest.raises((serial.SerialException, OSError)):
                await asyncio.to_thread(port.read, 100_000)
        await pty.run_check(PACK, 1)
        pty.replug()
        with serial.Serial(str(pty.path), 9600, timeout=5) as port:
            assert (await asyncio.to_thread(port.readline)).endswith(b"mm\r\n")


async def test_a_bench_that_nobody_reads_plays_on_and_keeps_the_newest_bytes(tmp_path: Path) -> None:
    dial = replace(QUIET.indicator, rate_hz=1000.0, noise_nm=50_000.0)
    bench = NotedBench(replace(BRISK, indicator=dial, batch=64), PACK, 13)
    async with PtyBench(bench, tmp_path / "dial", speed=10_000.0) as pty:
        await pty.hold_air(30_000 * MS, valve_open=False)
        assert pty.dropped > 0
        reader = os.open(pty.path, os.O_RDONLY | os.O_NOCTTY)
        try:
            oldest = await asyncio.to_thread(os.read, reader, 1_000)
        finally:
            os.close(reader)
    # The kernel keeps at most some 70 kB of a pty; of the 300 kB sent, none older than that is left.
    assert len(bench.sent) > 250_000
    assert bench.sent.find(oldest) > len(bench.sent) - 100_000


async def test_a_polled_bench_speaks_only_when_asked(tmp_path: Path) -> None:
    bench = SimulatedBench(replace(BRISK, wire=WireSpec("polled-line")), PACK, 14)
    async with PtyBench(bench, tmp_path / "dial", speed=20.0, request=b"?\r") as pty:
        with serial.Serial(str(pty.path), 9600, timeout=5) as port:
            await pty.run_check(PACK, 1)
            assert port.in_waiting == 0
            port.write(b"?\r")
            assert await asyncio.to_thread(port.readline) == b"+3.00 mm\r\n"
            assert port.in_waiting == 0


async def test_a_check_that_cannot_be_planned_tells_its_caller(tmp_path: Path) -> None:
    async with PtyBench(SimulatedBench(BRISK, PACK, 15), tmp_path / "dial", speed=20.0) as pty:
        with pytest.raises(ValueError, match="on a stroke from 1 to 1"):
            await pty.run_check(PACK, 1, {2: "gap"})
        assert len(await pty.run_check(PACK, 1)) == 1
