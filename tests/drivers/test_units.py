"""Lengths and pressures: exact where the definition is exact, refused where a unit is missing or wrong."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.units import format_length, length_unit, parse_angle, parse_length, parse_pressure

ROOT = Path(__file__).resolve().parents[2]


def test_an_inch_is_25_4_millimetres_exactly() -> None:
    # NIST SP 811, appendix B.8: inch to metre, 2.54 E-02, exact.
    assert parse_length("1 in") == 25_400_000 == parse_length("25.4 mm")


@pytest.mark.parametrize(
    ("text", "unit"),
    [("0.040 in", "in"), ("1 inch", "in"), ("12 thou", "in"), ("0.1 ft", "in"), ("1.10 mm", "mm"), ("1100 um", "mm"),
     ("1.1 millimeter", "mm"), ("0.11 cm", "mm"), ("1100 micron", "mm"), ("1 m", "mm")],
)  # fmt: skip
def test_the_unit_of_a_length_is_told_by_what_it_is_and_not_by_its_letters(text: str, unit: str) -> None:
    assert length_unit(text) == unit


def test_a_psi_is_6894_757_pascals() -> None:
    # NIST SP 811, appendix B.8: psi to pascal, 6.894 757 E+03.
    assert parse_pressure("1000 psi") == 6_894_757
    assert parse_pressure("1 psi") == 6_895
    assert parse_pressure("140 kPa") == 140_000
    assert parse_pressure("1.4 bar") == 140_000  # NIST SP 811, appendix B.8: bar to pascal, 1.0 E+05, exact


def test_every_ten_thousandth_of_an_inch_is_a_whole_number_of_nanometres() -> None:
    # NIST SP 811, appendix B.8: 0.0001 in = 2.54 um exactly. One inch is more than such an indicator's travel.
    for count in range(10_001):
        assert parse_length(f"{count / 10_000:.4f} in") == count * 2_540


@pytest.mark.parametrize(
    ("text", "nanometres"),
    [
        ("0.0005 in", 12_700),
        ("0.5 thou", 12_700),
        ("0.5in", 12_700_000),
        ("1.10 mm", 1_100_000),
        ("1 um", 1_000),
        ("-0.002 mm", -2_000),
        ("0 mm", 0),
    ],
)
def test_lengths_are_read_as_shops_write_them(text: str, nanometres: int) -> None:
    assert parse_length(text) == nanometres


@pytest.mark.parametrize("text", ["1.10", "0", "", "-3", 1.1, 1, None, True])
def test_a_length_without_a_unit_is_refused(text: object) -> None:
    with pytest.raises(ValueError, match=r"unit.*'1\.10 mm'"):
        parse_length(text)


@pytest.mark.parametrize("text", ["1 kPa", "5 deg", "1 mm**2", "3 s", "1 mm + 1 kPa", "20 degC"])
def test_a_length_in_another_dimension_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"length.*expected such as '1\.10 mm'"):
        parse_length(text)


@pytest.mark.parametrize("text", ["1.10 mm", "5", "10 degC", "5 N"])
def test_a_pressure_in_another_dimension_or_none_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"pressure.*expected such as '140 kPa'"):
        parse_pressure(text)


@pytest.mark.parametrize(
    "text",
    ["wide", "1 glork", "1/0 mm", "nan mm", "inf mm", "(1 mm", "1 mm)", "{}", "'a'", '"', "\0", "f(1) mm"],
)
def test_nonsense_is_refused_by_name_and_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected such as '1\.10 mm'") as caught:
        parse_length(text)
    assert repr(text) in str(caught.value)


def test_a_length_finer_than_a_nanometre_is_refused_rather_than_rounded() -> None:
    with pytest.raises(ValueError, match="finer than one nanometre"):
        parse_length("0.0000001 mm")
    with pytest.raises(ValueError, match="finer than one nanometre"):
        parse_length("1/3 in")


def test_angles_are_read_in_degrees_or_radians() -> None:
    # NIST SP 811, appendix B.8: degree to radian, 1.745 329 E-02.
    assert parse_angle("1 deg") == pytest.approx(1.745329e-2, rel=1e-6)
    assert parse_angle("0.1 rad") == 0.1
    with pytest.raises(ValueError, match="expected such as '5 deg'"):
        parse_angle("5 mm")


@given(st.integers(-(10**10), 10**10))
def test_millimetres_printed_to_the_last_digit_read_back_the_same(value_nm: int) -> None:
    assert parse_length(format_length(value_nm, "mm", 6)) == value_nm


@given(st.integers(-(10**6), 10**6))
def test_ten_thousandths_of_an_inch_printed_read_back_the_same(count: int) -> None:
    assert parse_length(format_length(count * 2_540, "in")) == count * 2_540


@given(st.text(alphabet="0123456789.eE+-*/() minkPaf'\"[]{}#,=", max_size=12).filter(lambda text: "**" not in text))
def test_whatever_is_typed_gives_a_length_or_a_plain_refusal(text: str) -> None:
    try:
        assert isinstance(parse_length(text), int)
    except ValueError as error:
        assert "expected such as '1.10 mm'" in str(error)


def test_lengths_are_read_whatever_became_of_the_cache(tmp_path: Path) -> None:
    """The cache may have no place, or have been cut off by a loss of power: a bench measures all the same."""
    program = "from drivers.units import parse_length; print(parse_length('0.001 in'))"

    def read(**environment: str) -> str:
        return subprocess.run(
            [sys.executable, "-c", program], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
        ).stdout

    assert read(XDG_CACHE_HOME=str(tmp_path)) == "25400\n"
    for cached in tmp_path.rglob("*.pickle"):
        cached.write_bytes(cached.read_bytes()[:100])
    assert read(XDG_CACHE_HOME=str(tmp_path)) == "25400\n"
    (tmp_path / "file").write_text("")
    assert read(XDG_CACHE_HOME=str(tmp_path / "file")) == "25400\n"
