"""The page at a bench in a real browser: as large as a tablet allows, for a gloved finger, and no hand at the air."""

from __future__ import annotations

import asyncio
import io
import os
import re
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import aiohttp
import pytest

from capture.air.keeper.kept import KeptAir
from capture.air.standing import FixtureSetup
from capture.custody.verify import verify
from capture.dashboard.page_form import page_form
from capture.dashboard.showing import Showing
from capture.dashboard.signals import SIGNALS
from capture.job.photo_files import LARGEST_PHOTO
from capture.plumbing.terminal.scanner import Key
from capture.session.faces.page import token_in
from capture.session.session import Session
from capture.simulation.pty_bench import PtyBench
from drivers.registry import make_settings
from drivers.wirings.registry import find_driver
from tests.bench.test_live import setup_for
from tests.job.test_photos import camera_photo
from tests.session.test_faces import ONE_PACK, strokes
from tests.session.test_unit_session import ROOT, arguments, simulated, wrench
from tests.support.browser import Browser
from tests.support.preview import STATES, sample_view

#: What fifteen millimetres are on a page (CSS Values and Units Level 4, 6.2: 1in is 96px).
FIFTEEN_MM = 15 / 25.4 * 96


@asynccontextmanager
async def page_of_a_service(tmp_path: Path) -> AsyncIterator[tuple[str, PtyBench]]:
    """The page, and a simulated bench that streams."""
    async with simulated(tmp_path) as fixture, served(tmp_path) as url:
        yield url, fixture


@asynccontextmanager
async def served(tmp_path: Path, *more: str) -> AsyncIterator[str]:
    """The page of a service at the port that is there already."""
    sheet = tmp_path / "winch.toml"
    sheet.write_text(ONE_PACK)
    environment = {name: value for name, value in os.environ.items() if name != "XDG_RUNTIME_DIR"}
    words = [*arguments(tmp_path), "--service", "--sheet", str(sheet), "--page", "127.0.0.1:0", *more]
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tests.support.hand_session", *words),
        cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    try:
        line = (await asyncio.wait_for(process.stderr.readline(), 20)).decode()
        found = re.search(r"http://\S+", line)
        assert found, line
        yield found[0]
    finally:
        process.terminate()
        assert await asyncio.wait_for(process.wait(), 20) == 3


async def touches(browser: Browser, label: str, then: str) -> None:
    """Touch a button, and see what comes of it."""
    button = f"[...document.querySelectorAll('#buttons button')].find((one) => one.textContent === '{label}')"
    await browser.wait_for(f"!!{button}")
    await browser.value(f"{button}.click()")
    await browser.wait_for(f"document.body.innerText.includes({then!r})", 25)


async def assert_readable(browser: Browser, width: int) -> None:
    """Every button takes a gloved finger, and nothing sticks out at the side."""
    sizes = await browser.value(
        "[...document.querySelectorAll('button, input, select')].filter((one) => one.offsetParent).map((one) => "
        "[one.getBoundingClientRect().width, one.getBoundingClientRect().height])"
    )
    assert sizes and all(min(size) >= FIFTEEN_MM for size in sizes), sizes
    assert await browser.value("document.documentElement.scrollWidth") <= width


#: Writes down what the page shows and sounds for a moment. The contrast is that of WCAG 2.2, "relative luminance".
NOTICED = """
noticed = { colours: [], words: [], tones: 0, contrast: 99 };
createOscillator = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () { noticed.tones += 1; return createOscillator.call(this); };
light = (colour) => { const [r, g, b] = colour.match(/[\\d.]+/g).map((one) => one / 255).map((one) =>
  one <= .04045 ? one / 12.92 : ((one + .055) / 1.055) ** 2.4); return .2126 * r + .7152 * g + .0722 * b; };
new MutationObserver(() => {
  if (!document.body.dataset.signal) return;
  const seen = getComputedStyle(document.body);
  const [dark, bright] = [light(seen.color), light(seen.backgroundColor)].sort((a, b) => a - b);
  noticed.contrast = Math.min(noticed.contrast, (bright + .05) / (dark + .05));
  noticed.colours.push(document.body.dataset.signal);
  noticed.words.push(document.getElementById("signal").textContent);
}).observe(document.body, { attributes: true, attributeFilter: ["data-signal"] });
0
"""


async def sends_a_photo(browser: Browser, tmp_path: Path) -> None:
    """Across and down: what is asked takes a gloved finger, and what is sent is in the record."""
    camera_photo(tmp_path / "seal.jpg")
    await touches(browser, "photo", "A photo for the record")
    for width, height in ((800, 1280), (1280, 800)):
        await browser.become(width, height)
        await assert_readable(browser, width)
    found = await browser.do("Runtime.evaluate", expression="document.getElementById('picture')")
    await browser.do("DOM.setFileInputFiles", files=[str(tmp_path / "seal.jpg")], objectId=found["result"]["objectId"])
    assert await browser.value("document.getElementById('of').value") == "low"
    await browser.value("document.getElementById('sender').value = 'Ana'")
    await browser.value("document.querySelector('#photo button').click()")
    await browser.wait_for("document.body.innerText.includes('Photo of low kept by Ana: seal.jpg')")
    assert verify(tmp_path / "data" / "record.sqlite").photos == 1


async def notes(browser: Browser) -> None:
    """A note is typed on the page."""
    await touches(browser, "note", "A note")
    for typed in ("knocked", "Ana"):  # of which pack stands there already
        await browser.value(f"document.getElementById('typed').value = '{typed}'")
        await browser.value("document.getElementById('form').requestSubmit()")
        await browser.wait_for(
            f"document.getElementById('form').hidden || document.getElementById('typed').value !== '{typed}'"
        )
    await browser.wait_for("document.body.innerText.includes('note on low by Ana: knocked')")
    await touches(browser, "back", "LOOSE")


@pytest.mark.timeout(150)
async def test_a_tablet_measures_a_pack_and_shows_its_verdict_as_large_as_it_can(tmp_path: Path) -> None:
    """Values come at a press, one by one: no busy machine can hold one up, and every word is known beforehand."""
    with wrench(tmp_path / "port") as send:
        await measured_on_a_tablet(tmp_path, send)


async def measured_on_a_tablet(tmp_path: Path, send: Callable[[bytes], int]) -> None:
    async with served(tmp_path, "--sends", "on-press") as url, Browser(1280, 800) as browser:
        await browser.open(url)
        await browser.wait_for("document.body.innerText.includes('Wear eye protection')")
        await touches(browser, "Ask for the keys", "Wear eye protection")
        await touches(browser, "This is so", "Enter begins")
        assert f"The bench's page is at {url}" in await browser.text()
        await assert_readable(browser, 1280)
        await touches(browser, "next pack", "Seat the pack")
        await browser.value(NOTICED)
        for value, sent in [("+2.00", "at rest"), *[("+3.36", "while applied"), ("+2.00", "at rest")] * 6]:
            send(f"{value} mm\r\n".encode())
            await browser.wait_for(f"document.getElementById('moves').textContent.includes('sent {sent}')")
            large, said = await browser.value("['word', 'mean'].map((one) => document.getElementById(one).textContent)")
            # A word in large letters is a verdict; before the check has ended it is small, and says so.
            assert "so far" not in large and (not said or "◄► loose so far" in said or "LOOSE" in large.upper())
        await browser.wait_for("document.body.innerText.includes('Add 1 backing shim')")
        await browser.wait_for("document.getElementById('word').innerText === '◄► LOOSE'")
        for width, height in ((1280, 800), (800, 1280)):
            await browser.become(width, height)
            # Across or down, the word fills what there is for it; and that is a good part of the screen.
            filled = (
                "(() => { const word = document.getElementById('word'), box = document.getElementById('verdict'); "
                "return Math.max(word.offsetWidth / box.clientWidth, word.offsetHeight / box.clientHeight) })()"
            )
            await browser.wait_for(f"{filled} > 0.9 && {filled} <= 1")
            assert await browser.value("document.getElementById('word').offsetHeight") >= 0.12 * min(width, height)
            assert "Add 1 backing shim" in await browser.text()
            # All of it stands there at once, and no card is half empty: the trace takes what the lists leave.
            assert await browser.value("(one => one.scrollHeight <= one.clientHeight)(document.querySelector('main'))")
            edges = "(one => one.getBoundingClientRect().bottom)"
            trace, card = await browser.value(f"['trace', 'now'].map((one) => {edges}(document.getElementById(one)))")
            assert 0 <= card - trace < 40
            await assert_readable(browser, width)
        noticed = await browser.value("noticed")
        colours = noticed["colours"]
        assert colours[-1] == "verdict not good" and "counts" in colours
        assert noticed["tones"] == sum(1 for name in colours for hertz, _ in SIGNALS[name].tones if hertz)
        assert noticed["words"][0].endswith("seat")
        assert noticed["words"][-1].startswith("verdict not good: loose, ")
        assert noticed["contrast"] >= 4.5
        await touches(browser, "sound", "silent")
        await touches(browser, "silent", "no colour")
        await sends_a_photo(browser, tmp_path)
        await notes(browser)
        await touches(browser, "parts", "CHANGE PARTS")
        await touches(browser, "was done", "Was this done?")
        await browser.value("document.getElementById('typed').value = 'Ana'")
        await touches(browser, "Enter it was done", "Check low again")
        assert strokes(tmp_path) >= 6
        await touches(browser, "end", "Press q again")
        await touches(browser, "No, go on", "Check low again")
        assert browser.told == []
        assert browser.requests and all(asked.startswith(url) for asked in browser.requests)


async def test_a_page_that_hears_nothing_says_so_and_shows_no_old_number(tmp_path: Path) -> None:
    async with Browser(1280, 800) as browser:
        async with page_of_a_service(tmp_path) as (url, _):
            await browser.open(url)
            await browser.wait_for("document.body.innerText.includes('Wear eye protection')")
        await browser.wait_for("document.body.innerText.includes('hears nothing from the bench')")
        assert "Wear eye protection" not in await browser.text()
        assert await browser.value("document.querySelectorAll('#buttons button').length") == 0


@pytest.mark.timeout(60)
async def test_a_page_on_another_machine_looks_freely_and_acts_with_the_token_alone(tmp_path: Path) -> None:
    async with page_of_a_service(tmp_path) as (url, _), aiohttp.ClientSession() as session:
        token = (tmp_path / "data" / "page-token").read_text().strip()
        elsewhere = {"X-Forwarded-For": "192.0.2.7"}  # what a proxy on this machine adds (RFC 5737: an example address)
        async with session.get(url + "events", headers=elsewhere) as events:
            assert events.status == 200
            assert await events.content.readline() == b"event: face\n"
            told = (await events.content.readline()).decode()
            assert '"token": true' in told
            face = told.split('"face": "')[1].split('"')[0]

            async def pressed(**headers: str) -> int:
                async with session.post(url + "press", json={"face": face, "keys": ["x"]}, headers=headers) as answer:
                    return answer.status

            assert await pressed() == 204
            assert await pressed(**elsewhere) == 401
            assert await pressed(**elsewhere, Authorization="Bearer guessed") == 401
            assert await pressed(**elsewhere, Authorization=f"Bearer {token}") == 204
            assert await pressed(Origin="http://elsewhere.example") == 403
            async with session.post(url + "press", data="{}") as answer:
                assert answer.status == 403  # a form of another site can send this, and not what the page sends

            async def sent(
                what: bytes | io.BytesIO = b"", kind: str = "image/png", asked: str = "&by=Ana", **headers: str
            ) -> str:
                where = f"{url}photo?face={face}{asked}"
                async with session.post(where, data=what, headers={"Content-Type": kind, **headers}) as answer:
                    return f"{answer.status} {await answer.text()}"

            assert (await sent(kind="multipart/form-data")).startswith("403")
            assert (await sent(**elsewhere)).startswith("401")
            assert (await sent(asked="")).startswith("400")
            assert "ask for them first" in await sent()
            async with session.post(url + "press", json={"face": face, "asks": True}) as answer:
                assert answer.status == 204
            async for line in events.content:
                if b'"has_keys": true' in line:
                    break
            assert (
                await sent(io.BytesIO(bytes(LARGEST_PHOTO + 1)))
                == "413 A photo has at most 10 MB: take a smaller one.\n"
            )
            assert (await sent(b"nothing was measured yet")).startswith("204")
            assert not (tmp_path / "data" / "photo-coming").exists()
            for nonsense in ({}, [], {"face": "nobody", "keys": ["x"]}, {"face": face, "keys": 3}):
                async with session.post(url + "press", json=nonsense) as answer:
                    assert answer.status == 400
            async with session.get(url, headers={"Host": "evil.example"}) as answer:
                assert answer.status == 403
            async with session.get(url) as answer:
                policy = answer.headers["Content-Security-Policy"]
                assert policy.startswith("default-src 'self'") and "unsafe" not in policy


def test_the_token_is_this_users_alone_and_stays(tmp_path: Path) -> None:
    token = token_in(tmp_path / "token")
    assert len(token) >= 32 and token_in(tmp_path / "token") == token
    assert (tmp_path / "token").stat().st_mode & 0o777 == 0o600
    (tmp_path / "token").chmod(0o640)
    with pytest.raises(PermissionError, match="others can read it"):
        token_in(tmp_path / "token")


@pytest.mark.parametrize("state", STATES)
def test_a_page_has_a_button_for_every_key_but_the_one_that_arms(state: str) -> None:
    view = sample_view(state)
    view.keys = "a arm the air   Enter next pack   r again   s steps   q end   1-3 pack"
    made = page_form(Showing(view))
    assert [one["key"] for one in made["buttons"]] == ["\r", "r", "s", "q", *"123"[: max(3, len(view.packs))]]
    # No page has arrows to press, and a list's row is chosen by its number.
    view.keys = "Enter do   1-3 or arrows"
    assert [one["label"] for one in page_form(Showing(view))["buttons"]] == ["do", "1", "2", "3"]
    view.keys = "a air off   q end"
    assert [(one["key"], one["alarm"]) for one in page_form(Showing(view))["buttons"]] == [("a", True), ("q", False)]


async def test_no_face_but_a_hand_at_the_bench_arms_the_air(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    armed: list[str] = []
    monkeypatch.setattr(KeptAir, "arm", lambda self: armed.append("armed"))
    wiring = find_driver("ascii")
    fixture = FixtureSetup(wiring, make_settings(wiring, {}), str(tmp_path / "fixture"))
    session = Session(replace(setup_for(tmp_path), fixture=fixture), lambda text: None)
    session.understood.set()
    await session.take(Key("a"), may_arm=False)
    assert armed == [] and "armed at the bench" in session.showing().view.said
    await session.take(Key("a"))
    assert armed == ["armed"]
