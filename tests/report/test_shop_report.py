"""The shop's report says what is known, on the page, on paper, as tables and beside the board."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from xml.etree.ElementTree import fromstring

import pytest
from aiohttp.test_utils import TestClient, TestServer
from pyarrow import parquet
from typer.testing import CliRunner

from capture.board.floor import Floor
from capture.board.web import Pages
from capture.cli.main import app
from capture.collect import DatabaseSettings
from capture.collect.database import engine_of
from capture.collect.sink import Sink
from capture.collect.statistics.read import ShopStatistics, shop_statistics
from capture.report.page import shop_page
from capture.report.shop_contents import shop_contents
from capture.report.shop_pictures import Bar, ChartScale, bars_svg
from tests.job.test_unit_on_record import record, shelf
from tests.support.simulated_shop import UM, collect, simulated_shop

NOW = datetime(2026, 3, 10, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> str:
    url = f"sqlite:///{tmp_path_factory.mktemp('shop') / 'collect.sqlite'}"
    sink = Sink(engine_of(DatabaseSettings(url=url)))
    collect(simulated_shop(units=120, days=25, spread_nm=250 * UM), sink)
    sink.close()
    return url


@pytest.fixture(scope="module")
def known(database: str) -> ShopStatistics:
    return shop_statistics(DatabaseSettings(url=database))


def test_the_pictures_come_first_and_every_number_stands_under_its_model(known: ShopStatistics) -> None:
    contents = shop_contents(known, NOW)
    headings = [one.heading for one in contents.sections]
    assert (
        headings[:2] == ["Good at the first check", "Units that went through"]
        and headings[-1] == "What pressure does to a clearance"
    )
    html = shop_page(contents, NOW)
    for one in contents.sections:
        place = html.index(f"<h2>{one.heading}</h2>")
        for picture in one.pictures:
            assert html.index(picture, place) < html.index(one.what.split(";")[0].split(":")[0], place)
    (found,) = known.yields
    assert f"{found.good} of {found.of}" in html and "Forwarder 6-speed rev C, low" in html
    assert (
        f"low: {100 * (found.inconclusive or 0):.0f} % inconclusive, " in html
        and "for want of a check of the gauge." in html
    )
    assert "Left out of every number" in html and "DI-bay-3" in html
    assert "<script" not in html and "Ana" not in html


def test_what_is_too_little_for_a_number_shows_none(known: ShopStatistics) -> None:
    few = [one for one in known.rings if one.mean is None]
    assert few
    (section,) = (one for one in shop_contents(known, NOW).sections if one.heading == "What rings are off by")
    assert section.pictures[0].count("too few for a number") == len(few)
    nothing = ShopStatistics(None, *[()] * 14)
    assert "Nothing was collected yet" in shop_page(shop_contents(nothing, NOW), NOW)


def test_a_long_name_stands_above_its_row_and_not_across_the_scale() -> None:
    def height_of_label(label: str) -> tuple[float, float]:
        drawn = fromstring(bars_svg([Bar(label, 0.5, 0.4, 0.6)], ChartScale(0.0, 1.0, ()), "yield"))
        (said,) = (one for one in drawn.iter() if one.text == label)
        (dot,) = drawn.iter("circle")
        return float(said.get("y", "nan")), float(dot.get("cy", "nan"))

    beside, dot = height_of_label("low")
    above, lower = height_of_label("somebody with 120 checks, Forwarder eight-speed rev C, low range")
    assert abs(beside - dot) < 1 and lower - above > 2 and lower > dot


def test_the_commands_write_html_pdf_and_parquet(database: str, tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["shop", "report", "--database", database, "--out", str(tmp_path), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert Path(told["pdf"]).read_bytes().startswith(b"%PDF") and "How the shop works" in Path(told["html"]).read_text()
    done = CliRunner().invoke(app, ["shop", "export", "--database", database, "--out", str(tmp_path), "--json"])
    assert done.exit_code == 0, done.output
    tables = {one["table"]: one for one in map(json.loads, done.stdout.splitlines())}
    (row,) = parquet.read_table(tables["shop_first_time_yield"]["file"]).to_pylist()
    (expected,) = shop_statistics(DatabaseSettings(url=database)).yields
    assert (row["packs"], row["good"]) == (expected.of, expected.good)
    missing = CliRunner().invoke(app, ["shop", "report", "--database", f"sqlite:///{tmp_path}/none.sqlite"])
    assert missing.exit_code == 2 and "nothing was collected there" in missing.output
    assert not (tmp_path / "none.sqlite").exists()


def test_which_sizes_to_order_stand_on_it_where_the_stock_is_named(database: str, tmp_path: Path) -> None:
    store, _ = record(tmp_path)
    store.close()
    stock = shelf(tmp_path, ("3.20 mm", 2))
    words = ["shop", "report", "--database", database, "--out", str(tmp_path), "--data-dir", str(tmp_path)]
    done = CliRunner().invoke(app, [*words, "--stock", str(stock)])
    assert done.exit_code == 0, done.output
    html = (tmp_path / "shop.html").read_text()
    section = html[html.index("Which sizes to order") :]
    assert "snap ring 3.20 mm" in section and "only what waits now" in section


async def test_the_board_has_it_as_a_second_page_and_makes_it_once_for_all_who_ask() -> None:
    made: list[int] = []

    def page() -> str:
        made.append(1)
        return "<p>how the shop works</p>"

    async with TestClient(TestServer(Pages(Floor(NOW), None, page).application)) as client:
        front = await (await client.get("/")).text()
        assert '<a href="/shop" id="second">' in front
        answers = [await client.get("/shop") for _ in range(3)]
        assert [await one.text() for one in answers] == ["<p>how the shop works</p>"] * 3 and made == [1]
        assert "style-src 'unsafe-inline'" in answers[0].headers["Content-Security-Policy"]
        assert "default-src 'none'" in answers[0].headers["Content-Security-Policy"]
    async with TestClient(TestServer(Pages(Floor(NOW), None).application)) as client:
        assert 'id="second" hidden' in await (await client.get("/")).text()
        assert (await client.get("/shop")).status == 404
