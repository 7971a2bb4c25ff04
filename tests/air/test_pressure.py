"""The air of each hold: what the pressure did, told from ramps whose slope is known."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.air.pressure import LEAST_READINGS, SETTLE_NS, HeldPressure, PressureWatch
from capture.air.safety import Safety, SafetyLimits, State
from capture.dashboard.head_and_foot import air_text
from capture.sheet.sheet import parse_sheet
from drivers.units import PressureUnit, format_pressure, pressure_unit
from tests.support.preview import sample_view
from tests.support.sheets import FORWARDER

MS = 1_000_000
WINDOW = (130_000, 150_000)


def hold(
    pressures: list[int],
    *,
    window: tuple[int, int] | None = WINDOW,
    start_ns: int = 5_000 * MS,
    step_ns: int = 10 * MS,
    unit: PressureUnit = "kPa",
) -> HeldPressure:
    """One hold whose settled readings are these, ten milliseconds apart, after a filling that is no hold."""
    watch = PressureWatch(window, unit)
    watch.feed(start_ns - MS, 0)
    watch.applied(start_ns)
    watch.feed(start_ns + SETTLE_NS - 1, 20_000)
    for n, pascals in enumerate(pressures):
        watch.feed(start_ns + SETTLE_NS + n * step_ns, pascals)
    held = watch.released(start_ns + SETTLE_NS + len(pressures) * step_ns)
    assert held is not None
    return held


def test_steady_air_in_the_window_has_nothing_to_say() -> None:
    held = hold([140_000] * 100)
    assert (held.min_pa, held.max_pa, held.readings) == (140_000, 140_000, 100)
    assert held.slope_pa_per_s == 0 and held.leak_down_pa_per_s == 0
    assert held.flags == () and held.words == ""


@pytest.mark.parametrize("rate", [-20_000, -700, 300, 9_000])
def test_a_ramp_s_slope_comes_out_exactly(rate: int) -> None:
    held = hold([140_000 + rate * n // 100 for n in range(100)])
    assert held.slope_pa_per_s == Fraction(rate)
    assert held.leak_down_pa_per_s == max(0, -rate)


@given(st.lists(st.integers(0, 900_000), min_size=LEAST_READINGS, max_size=60), st.integers(0, 10**15))
def test_the_slope_is_that_of_a_least_squares_fit(pressures: list[int], start_ns: int) -> None:
    held = hold(pressures, window=None, start_ns=start_ns)
    assert held.slope_pa_per_s is not None
    # The independent reference is NumPy's least squares, numpy.polyfit.
    fitted = np.polyfit(np.arange(len(pressures)) / 100, np.array(pressures, dtype=float), 1)[0]
    assert float(held.slope_pa_per_s) == pytest.approx(fitted, rel=1e-6, abs=1e-2)


def test_the_ends_of_the_window_are_inside() -> None:
    assert hold([130_000, 150_000] * 10).flags == ()
    assert hold([129_999, 150_000] * 10).flags == ("pressure",)
    assert hold([130_000, 150_001] * 10).flags == ("pressure",)


def test_a_slow_filling_is_not_held_against_the_air_but_a_sag_after_it_is() -> None:
    filling = [90_000, 110_000, 125_000]
    assert hold([*filling, *[140_000] * 40]).flags == ()
    assert hold([*filling, *[140_000] * 40, 125_000]).flags == ("pressure",)


def test_filling_and_venting_are_not_judged() -> None:
    watch = PressureWatch(WINDOW)
    watch.applied(0)
    watch.feed(SETTLE_NS - 1, 900_000)
    watch.feed(SETTLE_NS, 140_000)
    held = watch.released(SETTLE_NS + MS)
    watch.feed(SETTLE_NS + 2 * MS, 0)
    assert held is not None and (held.min_pa, held.max_pa, held.outside) == (140_000, 140_000, False)


@pytest.mark.parametrize(
    ("pressures", "words"),
    [
        (
            [120_000] * 50,
            "The pressure reached only 120 kPa gauge; the sheet asks for 130 kPa gauge to 150 kPa gauge. "
            "Turn the regulator up.",
        ),
        (
            [160_500] * 50,
            "The pressure never fell below 160.5 kPa gauge; the sheet asks for 130 kPa gauge to 150 kPa gauge. "
            "Turn the regulator down.",
        ),
        (
            [145_000 - 80 * n for n in range(100)],
            "The gauge pressure fell by 8 kPa a second while held: the pack leaks, or the supply sags.",
        ),
        (
            [135_000 + 80 * n for n in range(100)],
            "The gauge pressure rose by 8 kPa a second while held: the regulator creeps, or still fills the pack.",
        ),
        ([], "No pressure was measured once it had settled: hold longer, or check the pressure sensor."),
    ],
    ids=["low", "high", "falling", "rising", "nothing"],
)
def test_what_is_wrong_is_said_with_what_to_do(pressures: list[int], words: str) -> None:
    assert hold(pressures).words == words


@pytest.mark.parametrize(
    ("pressures", "word"),
    [
        ([140_000 - 200 * n for n in range(100)], "sagged to 120.2 kPa gauge"),
        ([140_000 + 200 * n for n in range(100)], "rose to 159.8 kPa gauge"),
        ([120_000, 160_000] * 20, "went from 120 kPa gauge to 160 kPa gauge"),
    ],
)
def test_leaving_the_window_says_which_way(pressures: list[int], word: str) -> None:
    held = hold(pressures)
    assert held.outside and word in held.words


def test_noise_is_not_taken_for_a_leak() -> None:
    # Falls by more than an eighth of the window from the first reading to the last, but so does it all the time.
    held = hold([149_000, 131_000] * 3)
    assert held.slope_pa_per_s is not None and held.slope_pa_per_s < -100_000
    assert held.words == ""


def hunting(count: int, alike: float, spread_pa: float, rng: np.random.Generator) -> np.ndarray:
    """The pressure that a regulator hunts about: an autoregression of the first order."""
    found = np.empty(count)
    found[0] = spread_pa * rng.standard_normal()
    for n in range(1, count):
        found[n] = alike * found[n - 1] + spread_pa * np.sqrt(1 - alike**2) * rng.standard_normal()
    return found


@pytest.mark.parametrize("alike", [0.0, 0.8, 0.9, 0.95])
def test_a_regulator_that_hunts_is_not_taken_for_a_leak(alike: float) -> None:
    # A hold of 1.5 s at 100 Hz. Least squares as if the readings were independent speak up in 6 to 20 of 100.
    rng = np.random.default_rng(4)
    holds = [hold([round(140_000 + pa) for pa in hunting(150, alike, 4_000, rng)], window=None) for _ in range(300)]
    assert sum("while held" in held.words for held in holds) <= 6
    assert sum(held.leak_down_pa_per_s != 0 for held in holds) <= 6


@pytest.mark.parametrize("alike", [0.0, 0.8, 0.95])
def test_a_leak_shows_through_a_regulator_that_hunts_a_little(alike: float) -> None:
    rng = np.random.default_rng(5)
    falling = 140_000 - 8_000 * np.arange(150) / 100
    for _ in range(50):
        held = hold([round(pa) for pa in falling + hunting(150, alike, 200, rng)])
        assert "fell by" in held.words and held.leak_down_pa_per_s == pytest.approx(8_000, rel=0.15)
    # A leak slows down as the pressure falls: its bend is no noise of a regulator, and hides nothing.
    assert "fell by" in hold([round(130_000 * np.exp(-n / 1_000)) for n in range(150)], window=None).words


def test_without_a_window_a_hundredth_of_the_pressure_counts_as_a_leak() -> None:
    assert hold([200_000 - 10 * n for n in range(100)], window=None).words == ""
    held = hold([200_000 - 40 * n for n in range(100)], window=None)
    assert "fell by 4 kPa a second" in held.words and held.flags == ()


def test_too_few_readings_have_no_slope() -> None:
    held = hold([140_000] * (LEAST_READINGS - 1))
    assert held.slope_pa_per_s is None and held.leak_down_pa_per_s is None
    assert hold([140_000] * 20, step_ns=0).slope_pa_per_s is None


def test_a_release_without_an_apply_is_no_hold_and_a_second_apply_no_new_one() -> None:
    watch = PressureWatch(WINDOW)
    assert watch.released(5) is None
    watch.applied(10)
    watch.applied(20)
    held = watch.released(30)
    assert held is not None and held.applied_ns == 10
    assert watch.released(40) is None


def test_a_stroke_finds_the_hold_it_was_made_in() -> None:
    watch = PressureWatch(WINDOW)
    holds = []
    for second in (1, 4, 7):
        watch.applied(second * 1_000 * MS)
        holds.append(watch.released((second + 1) * 1_000 * MS))
    assert watch.during(4_020 * MS, 5_300 * MS) == (holds[1],)
    assert watch.during(4_020 * MS, 8_300 * MS) == (holds[1], holds[2])
    assert watch.during(2_100 * MS, 3_900 * MS) == ()


@pytest.mark.parametrize(
    ("pascals", "unit", "text"),
    [
        (0, "kPa", "0 kPa"),
        (140_000, "kPa", "140 kPa"),
        (137_895, "kPa", "137.9 kPa"),
        (-1_200, "kPa", "-1.2 kPa"),
        (1_234_567, "kPa", "1234.6 kPa"),
        (140_000, "bar", "1.4 bar"),  # NIST SP 811, 5.2: 1 bar = 100 kPa
        (137_895, "bar", "1.379 bar"),
        (1_723_000, "MPa", "1.723 MPa"),
        (139_964, "psi", "20.3 psi"),  # NIST SP 811, appendix B.8: 1 psi = 6.894 757 kPa
    ],
)
def test_a_pressure_is_shown_to_a_tenth_of_a_kilopascal_in_the_unit_it_is_asked_for(
    pascals: int, unit: PressureUnit, text: str
) -> None:
    assert format_pressure(pascals, unit) == text


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("1.4 bar", "bar"),
        ("140kPa", "kPa"),
        ("3 kPa/s", "kPa"),
        ("20 psi", "psi"),
        ("0.14 MPa", "MPa"),
        ("2 atm", None),
    ],
)
def test_a_pressure_is_shown_as_it_was_written(written: str, shown: str | None) -> None:
    assert pressure_unit(written) == shown


def test_a_sheet_in_bar_reads_in_bar_wherever_a_pressure_is_told() -> None:
    text = FORWARDER.replace('"140 kPa"', '"1.4 bar"').replace('"10 kPa"', '"0.1 bar"')
    sheet = parse_sheet(text, "forwarder.toml")
    assert sheet.air is not None and sheet.air.text(sheet.pressure_unit) == "1.4 ± 0.1 bar gauge"
    assert {pack.pressure_unit for pack in sheet.packs} == {"bar"}
    low = hold([129_000] * 40, unit="bar").words
    assert low.startswith(
        "The pressure reached only 1.29 bar gauge; the sheet asks for 1.3 bar gauge to 1.5 bar gauge."
    )
    falling = hold([150_000 - 100 * n for n in range(200)], unit="bar").words
    assert falling.startswith("The gauge pressure fell by 0.1 bar a second while held")
    view = replace(sample_view("good"), pressure_pa=141_200, pressure_unit=sheet.pressure_unit)
    assert "1.412 bar gauge" in air_text(view)
    safety = replace(Safety(SafetyLimits(pressure_unit="bar")), pressure_pa=900_000, state=State.TRIPPED)
    assert "the pressure is 9 bar gauge, above 7 bar gauge" in safety.why_not()
    # Nobody wrote a pressure: inches go with psi, and a leak down says what the shop reads in.
    thou = text[: text.index("[air]")] + '[[packs]]\nname = "low"\nrange = ["0.035 in", "0.051 in"]\n'
    assert parse_sheet(thou, "thou.toml").pressure_unit == "psi"
    assert parse_sheet(f'{thou}leak_down = "0.02 bar/s"\n', "thou.toml").packs[0].pressure_unit == "bar"


def test_a_window_the_wrong_way_round_is_refused() -> None:
    with pytest.raises(ValueError, match="from 150000 Pa down to 130000 Pa; expected low, high"):
        PressureWatch((150_000, 130_000))
