"""Thirty benches that share their settings: what each would use, from where, and what is wrong before any starts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from capture.cli.main import app
from capture.config import ConfigError, load_config, settings_place

ROOT = Path(__file__).resolve().parents[2]
SHOP = """\
[indicator]
driver = "line"
resolution = "0.01 mm"
max_error = "0.02 mm"

[broker]
url = "mqtts://broker.shop.example"
username = "{bench}"
keepalive = 20
"""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "shop.toml").write_text(SHOP)
    return tmp_path


def bench(shop: Path, number: int, more: str = "", port: str = "") -> Path:
    file = shop / f"bay-{number}.toml"
    head = f'shared = "shop.toml"\nbench = "bay-{number}"\n'
    file.write_text(f'{head}[indicator]\nport = "{port or f"/dev/ttyUSB{number}"}"\n{more}')
    return file


def checked(*files: Path, code: int) -> list[dict[str, Any]]:
    done = CliRunner().invoke(app, ["config", "check", "--json", *map(str, files)])
    assert done.exit_code == code, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_what_a_bench_does_not_say_is_as_the_shop_says_and_its_name_is_filled_in(shop: Path) -> None:
    settled = load_config(bench(shop, 7, 'max_error = "0.03 mm"\n[broker]\nkeepalive = 30\n'))
    assert settled.bench == "bay-7" and settled.indicator.port == "/dev/ttyUSB7"
    assert settled.indicator.driver_settings() == {"resolution": "0.01 mm", "max_error": "0.03 mm"}
    assert settled.broker is not None
    assert (settled.broker.url, settled.broker.username) == ("mqtts://broker.shop.example", "bay-7")
    assert settled.broker.keepalive == 30


def test_a_bench_with_another_indicator_takes_nothing_of_the_shops_one(shop: Path) -> None:
    settled = load_config(bench(shop, 7, 'driver = "bcd13"\n'))
    assert settled.indicator.driver == "bcd13" and settled.indicator.driver_settings() == {}


def test_every_value_is_told_with_the_line_or_the_variable_that_it_is_from(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STROKELOG_TECHNICIAN", "first shift")
    file = bench(shop, 1)
    (told,) = checked(file, code=0)
    places = {one["key"]: (one["value"], one["from"]) for one in told["values"]}
    assert places["bench"] == ("bay-1", f"{file}, line 2")
    assert places["indicator.resolution"] == ("0.01 mm", f"{shop / 'shop.toml'}, line 3")
    assert places["technician"] == ("first shift", "the environment, STROKELOG_TECHNICIAN")
    assert places["broker.keep_acknowledged_s"] == (60, "default")


def test_a_mistake_is_told_by_the_line_of_the_file_that_it_stands_in(shop: Path) -> None:
    with pytest.raises(ConfigError, match=r"bay-1\.toml, line 6: broker\.keepalive: expected at least 5"):
        load_config(bench(shop, 1, "[broker]\nkeepalive = 1\n"))
    (shop / "shop.toml").write_text(SHOP.replace("keepalive", "keep_alive"))
    assert checked(bench(shop, 2), code=1)[0]["wrong"] == [
        f"{shop / 'shop.toml'}, line 9: broker.keep_alive: is no setting; did you mean 'keepalive'?"
    ]
    (shop / "shop.toml").write_text(SHOP.replace('"0.01 mm"', '"thick"'))
    (wrong,) = checked(bench(shop, 3), code=1)[0]["wrong"]
    assert wrong.startswith(f"{shop / 'shop.toml'}, line 3: indicator.resolution: ")
    assert settings_place(bench(shop, 3))(("indicator", "port")).endswith("bay-3.toml, line 4")


@pytest.mark.parametrize("line", ['bench = "bay-1"', 'shared = "other.toml"'])
def test_what_is_one_benchs_alone_is_refused_among_what_is_shared(shop: Path, line: str) -> None:
    (shop / "shop.toml").write_text(f"{line}\n{SHOP}")
    with pytest.raises(ConfigError, match=r"shop\.toml, line 1: .*belongs to a bench's own settings"):
        load_config(bench(shop, 1))


def test_a_shared_file_that_is_not_there_is_said(shop: Path) -> None:
    file = bench(shop, 1)
    (shop / "shop.toml").unlink()
    assert "shop.toml: No such file" in checked(file, code=1)[0]["wrong"][0]


def test_thirty_benches_are_compared_and_two_with_one_port_name_or_user_are_found(shop: Path) -> None:
    files = [bench(shop, number) for number in range(1, 31)]
    assert all(one["wrong"] == [] for one in checked(*files, code=0))
    files[29].write_text(files[29].read_text().replace("bay-30", "bay-4").replace("USB30", "USB9"))
    found = {Path(one["file"]).stem: one["wrong"] for one in checked(*files, code=1) if one["wrong"]}
    assert {bay: len(wrong) for bay, wrong in found.items()} == {"bay-4": 2, "bay-9": 1, "bay-30": 3}
    assert any("indicator.port" in one and "bay-30.toml" in one for one in found["bay-9"])


def test_the_sheet_that_a_bench_names_is_read_too(shop: Path) -> None:
    (shop / "forwarder.toml").write_text("[sheet]\n")
    (shop / "shop.toml").write_text(f'sheet = "{shop / "forwarder.toml"}"\n{SHOP}')
    assert all(one.startswith(f"{shop / 'shop.toml'}, line 1: ") for one in checked(bench(shop, 1), code=1)[0]["wrong"])


def test_for_people_it_is_a_table_and_what_is_wrong_goes_to_standard_error(shop: Path) -> None:
    done = CliRunner().invoke(app, ["config", "check", str(bench(shop, 1)), str(bench(shop, 2, port="/dev/ttyUSB1"))])
    assert done.exit_code == 1 and "indicator.max_error" in done.stdout
    assert done.stderr.count("the indicator's port of two benches") == 2


def test_the_shipped_sample_is_settings_with_and_without_its_comments(tmp_path: Path) -> None:
    sample = (ROOT / "systemd" / "shop.toml").read_text()
    for text in (
        sample,
        "\n".join(line.removeprefix("#") if line[:2] != "# " else line for line in sample.splitlines()),
    ):
        (tmp_path / "shop.toml").write_text(text.replace("    shared", "#    shared"))
        assert load_config(bench(tmp_path, 3)).faces.group == "dialout"
    assert (broker := load_config(bench(tmp_path, 3)).broker) is not None and broker.username == "bay-3"


def test_how_long_a_gauge_s_check_holds_is_shown_as_a_person_says_it(shop: Path) -> None:
    file = bench(shop, 1, '[gauge]\nserial = "DI-0413"\n')
    done = CliRunner().invoke(app, ["config", "check", str(file)])
    (line,) = [one for one in done.stdout.splitlines() if one.startswith("gauge.valid_for")]
    assert line.split()[1:] == ["24", "h", "default"]
