"""The board as a web page: a real broker, a real server and a real browser, and what each shows and refuses."""

from __future__ import annotations

import asyncio
import math
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import aiohttp
import pytest

from capture.board.board_health import board_health
from capture.board.floor import Floor
from capture.board.web import Pages, _Reader
from capture.plumbing.web_pages import listen_address
from tests.board.test_board import HOSTILE, MARKUP, board, hostile_bench, publish
from tests.support.broker import Mosquitto, until
from tests.support.browser import Browser
from tests.support.shop import Sent, status, stroke_of, troubled

ROOT = Path(__file__).resolve().parents[2]


@asynccontextmanager
async def page(port: int) -> AsyncIterator[str]:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "capture.cli", "board", "--broker", f"mqtt://127.0.0.1:{port}"),
        *("--web", "--listen", "127.0.0.1:0"),
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None
    try:
        line = (await asyncio.wait_for(process.stderr.readline(), 10)).decode()
        yield line.split("at ")[1].split()[0]
    finally:
        process.terminate()
        assert await asyncio.wait_for(process.wait(), 10) == 0


async def send(port: int, *sent: Sent) -> None:
    await asyncio.to_thread(publish, port, *sent)


async def test_the_page_lives_on_a_wall_and_on_a_phone(mosquitto: Mosquitto) -> None:
    async with page(mosquitto.port) as url, Browser(1280, 800) as browser:
        await browser.open(url)
        await browser.wait_for("document.getElementById('nothing').textContent.includes('No bench has been heard')")
        await send(mosquitto.port, *troubled(datetime.now(UTC)))
        await browser.wait_for("document.querySelectorAll('li.bench').length === 12")
        await browser.wait_for("document.getElementById('needing').textContent === '7'")
        travel = 1_234_000
        for width, height, phone in ((1280, 800, False), (390, 844, True)):
            await browser.become(width, height, phone=phone, dark=phone)
            text = await browser.text()
            # Its style shows kinds in capitals; words and shapes are there, whatever the colours.
            for words in ("▲▲ OUT OF AIR", "×× NO READINGS", "≈≈ INCONCLUSIVE", "►◄ TIGHT", "◄► LOOSE", "○○ OFFLINE"):
                assert words in text
            assert "Turn the regulator down." in text and "Tech 3" in text and "unit HX-2362" in text
            # A change arrives without anybody asking.
            travel += 1_000
            await send(mosquitto.port, stroke_of("bay 12", travel, held_travel_nm=travel, peak_travel_nm=travel))
            bay_12 = "[...document.querySelectorAll('li.bench')].find((one) => one.textContent.startsWith('bay 12'))"
            await browser.wait_for(f"{bay_12}.textContent.includes('{travel / 1e6:.3f} mm')")
            # Nothing sticks out at the side.
            assert await browser.value("document.documentElement.scrollWidth") <= width
            assert (await browser.picture()).startswith(b"\x89PNG")
        assert browser.told == []
        assert browser.requests and all(asked.startswith(url) for asked in browser.requests)


async def test_names_are_text_on_the_page(mosquitto: Mosquitto) -> None:
    async with page(mosquitto.port) as url, Browser(1280, 800) as browser:
        await browser.open(url)
        await send(mosquitto.port, *hostile_bench())
        await browser.wait_for("document.querySelectorAll('li.bench').length === 1")
        await browser.wait_for("document.querySelector('.travel').textContent !== ''")
        assert await browser.value("document.querySelector('li.bench h2').textContent") == HOSTILE
        text = await browser.text()
        assert MARKUP in text and "<img src=x onerror=alert(1)>" in text and "[31mred" in text
        assert await browser.value("document.querySelectorAll('main script, main img, main b b').length") == 0
        assert await browser.value("document.title") == "(1) Shop floor"
        assert browser.told == []
        # And if text ever did become markup, the policy would still not run it.
        await browser.value(
            "document.body.insertAdjacentHTML('beforeend', '<img src=\"x:\" onerror=\"document.title=1\">')"
        )
        await browser.wait_for("document.images.length === 1 && document.images[0].complete")
        assert await browser.value("document.title") == "(1) Shop floor"
        assert any("Content Security Policy" in told for told in browser.told)


async def test_the_page_sorts_and_finds(mosquitto: Mosquitto) -> None:
    shown = "[...document.querySelectorAll('li.bench h2')].map((one) => one.textContent).join()"
    async with page(mosquitto.port) as url, Browser(1280, 800) as browser:
        await send(mosquitto.port, status("bay 10", indicator="down"), status("bay 9"), status("bay 2", needs="a hand"))
        await browser.open(url)
        await browser.wait_for(f"{shown} === 'bay 10,bay 2,bay 9'")
        await browser.value("{ const order = document.getElementById('order'); order.value = 'bench'; "
                            "order.dispatchEvent(new Event('input')); }")  # fmt: skip
        await browser.wait_for(f"{shown} === 'bay 2,bay 9,bay 10'")
        await browser.value("document.getElementById('only').click()")
        await browser.wait_for(f"{shown} === 'bay 2,bay 10'")
        await browser.value("document.getElementById('find').focus()")
        await browser.do("Input.insertText", text="BAY 1")
        await browser.wait_for(f"{shown} === 'bay 10'")


async def test_the_page_tells_a_lost_broker_and_a_lost_board(mosquitto: Mosquitto) -> None:
    trouble = "document.getElementById('trouble')"
    async with Browser(1280, 800) as browser:
        async with page(mosquitto.port) as url:
            await send(mosquitto.port, status("bay 1"))
            await browser.open(url)
            await browser.wait_for("document.querySelectorAll('li.bench').length === 1")
            await browser.wait_for(f"{trouble}.hidden")
            mosquitto.stop()
            await browser.wait_for(f"{trouble}.innerText.includes('BROKER LOST. All below is old.')")
            mosquitto.start()
            await browser.wait_for(f"{trouble}.hidden")
        # The page hears nothing any more: its own clock says so.
        await browser.value("heard = performance.now() - OLD_MS - 1")
        await browser.wait_for(f"{trouble}.innerText.includes('The page has lost the board.')")


async def test_what_the_server_answers_and_refuses(mosquitto: Mosquitto) -> None:
    async with page(mosquitto.port) as url, aiohttp.ClientSession() as session:
        for path, kind in (("", "text/html"), ("board.js", "text/javascript"), ("board.css", "text/css")):
            async with session.get(url + path) as answer:
                assert (answer.status, answer.content_type) == (200, kind)
                policy = answer.headers["Content-Security-Policy"]
                assert policy.startswith("default-src 'self'") and "unsafe" not in policy
        async with session.get(url + "events") as answer:
            assert answer.content_type == "text/event-stream"
            assert await answer.content.readline() == b"event: floor\n"
        async with session.post(url + "events", data=b"x") as answer:
            assert answer.status == 405
        for path in ("nothing", "../messages.py", "%2e%2e/web.py", "board.html"):
            async with session.get(url + path) as answer:
                assert answer.status == 404 and "default-src 'self'" in answer.headers["Content-Security-Policy"]
        # Another site's name that points here must not read the board through a visitor's browser.
        async with session.get(url + "events", headers={"Host": "elsewhere.example"}) as answer:
            assert answer.status == 403


async def test_a_board_says_from_outside_how_it_is(mosquitto: Mosquitto) -> None:
    async with page(mosquitto.port) as url:
        address = listen_address(url.split("//")[1].strip("/"))
        await send(mosquitto.port, *troubled(datetime.now(UTC)))

        def told() -> dict[tuple[str, str], object]:
            points = board_health(address, datetime.now(UTC)).points
            return {(one.point, name): value for one in points for name, value in one.figures.items()}

        wanted = {("process", "up"): 1, ("link", "up"): 1, ("benches", "known"): 12, ("benches", "in_need"): 7}
        async with asyncio.timeout(10):
            while not wanted.items() <= (await asyncio.to_thread(told)).items():
                pass
    assert not board_health(address, datetime.now(UTC)).well


async def test_a_reader_that_does_not_read_is_let_go() -> None:
    floor = Floor(datetime.now(UTC))
    pages = Pages(floor, None)
    telling = asyncio.create_task(pages.tell())
    stuck: asyncio.Queue[bytes | None] = asyncio.Queue()
    pages._readers[stuck] = _Reader("127.0.0.1", None)
    for _ in range(20):
        stuck.put_nowait(b"")
    floor.feed(*_fed(status("bay 1")))
    try:
        await until(lambda: not pages._readers)
        assert stuck.qsize() == 21
    finally:
        telling.cancel()
        await asyncio.wait({telling})


def _fed(sent: Sent) -> tuple[str, bytes, bool, datetime]:
    return sent.topic, sent.payload.encode(), sent.retain, datetime.now(UTC)


def test_an_address_is_taken_or_said_to_be_wrong() -> None:
    assert listen_address("127.0.0.1:8700") == ("127.0.0.1", 8700)
    assert listen_address("[::1]:80") == ("::1", 80)
    for wrong in ("8700", ":8700", "host:", "host:99999", "host:-1", ""):
        with pytest.raises(ValueError, match=r"expected address:port"):
            listen_address(wrong)


def test_another_address_than_loopback_is_cautioned_and_a_taken_port_named(mosquitto: Mosquitto) -> None:
    with board(mosquitto.port, "--web", "--listen", "0.0.0.0:0") as process:
        assert process.stderr is not None
        line = process.stderr.readline()
        assert line.startswith("caution: 0.0.0.0") and "without a login" in line and "proxy" in line
        port = process.stderr.readline().split(":")[2].split("/")[0]
        with board(mosquitto.port, "--web", "--listen", f"127.0.0.1:{port}") as second:
            assert second.wait(10) == 1
            assert second.stderr is not None
            assert f"cannot listen on 127.0.0.1 port {port}" in second.stderr.read()


async def test_whoever_opens_all_streams_keeps_nobody_else_from_the_board(mosquitto: Mosquitto) -> None:
    def visitor(address: str) -> aiohttp.ClientSession:
        return aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0, local_addr=(address, 0)))

    async with page(mosquitto.port) as url, visitor("127.0.0.2") as wall, visitor("127.0.0.1") as greedy:
        before = await wall.get(url + "events")
        assert await before.content.readline() == b"event: floor\n"
        opened = [await greedy.get(url + "events") for _ in range(110)]
        assert {one.status for one in opened} == {200}
        # The first of the greedy one's streams were ended for its last, and nobody else's.
        with pytest.raises(aiohttp.ClientError):
            await opened[0].content.read()
        later = await wall.get(url + "events")
        assert later.status == 200 and await later.content.readline() == b"event: floor\n"
        assert not before.content.at_eof() and before.content.exception() is None
        for stream in (before, *opened, later):
            stream.close()


#: A 55-inch screen of 16 to 9 is 685 mm high (ISO 80000-3 inch); a capital is at least 0.7 of its type size in the
#: typefaces of DejaVu, Noto and Liberation (their OS/2 tables' sCapHeight, from memory).
WALL_MM, CAPITAL = 685, 0.7


def minutes_of_arc(type_px: float, screen_px: int, distance_mm: float = 5000) -> float:
    return math.degrees(math.atan(type_px * CAPITAL * WALL_MM / screen_px / distance_mm)) * 60


async def test_a_wall_shows_who_needs_a_person_to_be_read_at_five_metres(mosquitto: Mosquitto) -> None:
    """ISO 9241-303 recommends characters of 20 to 22 minutes of arc."""
    async with page(mosquitto.port) as url, Browser(1920, 1080) as browser:
        await browser.open(f"{url}?wall=1")
        await send(mosquitto.port, status("bay 1"), status("bay 2"))
        await browser.wait_for("document.getElementById('nothing').textContent.includes('No bench needs a person')")
        needing = [status(f"bay {n}", needs="The air supply is off: open the valve at the wall.") for n in range(1, 7)]
        for count in (1, 2, 3, 4, 6):
            await send(mosquitto.port, *needing[:count])
            await browser.wait_for(f"document.getElementById('needing').textContent === '{count}'")
            await browser.wait_for(f"document.querySelectorAll('li.bench').length === {min(4, count)}")
            for part in ("li.bench h2", ".why b", ".why li"):
                size = await browser.value(f"parseFloat(getComputedStyle(document.querySelector('{part}')).fontSize)")
                assert minutes_of_arc(size, 1080) >= 20, part
            # Every name and reason is within its card, and every card on the screen.
            assert await browser.value(
                "[...document.querySelectorAll('li.bench h2, .why b')].every((one) => {"
                " const card = one.closest('li.bench').getBoundingClientRect(), own = one.getBoundingClientRect();"
                " return own.bottom <= card.bottom + 1 && card.bottom <= innerHeight && card.right <= innerWidth; })"
            )
        assert "page 1 of 2" in await browser.text()
        shown = "[...document.querySelectorAll('li.bench h2')].map((one) => one.textContent).join()"
        assert await browser.value(shown) == "bay 1,bay 2,bay 3,bay 4"
        assert not await browser.value("!!document.querySelector('#side').offsetParent")  # nothing to click
        await browser.wait_for(f"{shown} === 'bay 5,bay 6'")  # it turns by itself
        assert browser.told == []


async def test_a_new_need_is_announced_once(mosquitto: Mosquitto) -> None:
    async with page(mosquitto.port) as url, Browser(1280, 800) as browser:
        await send(mosquitto.port, status("bay 1", needs="Old news."))
        await browser.open(url)
        await browser.wait_for("document.querySelectorAll('li.bench').length === 1")
        news = "document.getElementById('news').textContent"
        assert await browser.value(news) == ""  # what stood before the page was opened is on the page
        assert await browser.value("document.getElementById('news').getAttribute('aria-live')") == "polite"
        await send(mosquitto.port, status("bay 2", needs="The valve sticks."))
        await browser.wait_for(f"{news} === 'bay 2: asks. The valve sticks.'")
