"""A real browser for tests: Debian's chromium, headless, told what to do over its debugging socket."""

from __future__ import annotations

import asyncio
import base64
import itertools
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import aiohttp

__all__ = ["Browser"]

_START_S = 30.0


class Browser:
    """One page. Enter it with `async with`; chromium and its profile are gone afterwards."""

    def __init__(self, width: int, height: int) -> None:
        self._first = width, height
        self._profile = Path(tempfile.mkdtemp(prefix="browser-"))
        self._process: asyncio.subprocess.Process | None = None
        self._numbers = itertools.count(1)
        self.told: list[str] = []
        """Errors of the page: exceptions, and what the browser refused or could not load."""
        self.requests: list[str] = []
        """Every address that the page asked for."""

    async def __aenter__(self) -> Browser:
        program = shutil.which("chromium")
        assert program is not None, "no chromium; on Debian: apt-get install chromium"
        flags = ["--headless=new", "--remote-debugging-port=0", f"--user-data-dir={self._profile}", "--no-first-run"]
        flags += ["--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking", "--disable-extensions"]
        if os.geteuid() == 0:  # its sandbox refuses to run as root, as which CI runs
            flags.append("--no-sandbox")
        self._process = await asyncio.create_subprocess_exec(
            program, *flags, "about:blank", stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            port_file = self._profile / "DevToolsActivePort"
            end = time.monotonic() + _START_S
            while not port_file.exists() or port_file.read_text().count("\n") < 1:
                assert self._process.returncode is None, f"chromium ended with {self._process.returncode}"
                assert time.monotonic() < end, "chromium does not answer"
                await asyncio.sleep(0.02)
            port = port_file.read_text().splitlines()[0]
            self._session = aiohttp.ClientSession()
            await self._attach(f"http://127.0.0.1:{port}")
        except BaseException:
            await self._stop()
            raise
        return self

    async def _attach(self, address: str) -> None:
        async with self._session.get(f"{address}/json/list") as answer:
            page = next(one for one in await answer.json() if one["type"] == "page")
        self._socket = await self._session.ws_connect(page["webSocketDebuggerUrl"], max_msg_size=0)
        for domain in ("Page", "Runtime", "Log", "Network"):
            await self.do(f"{domain}.enable")
        await self.become(*self._first)

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stop()

    async def _stop(self) -> None:
        if hasattr(self, "_session"):
            await self._session.close()
        if self._process is not None:
            self._process.terminate()
            await asyncio.wait_for(self._process.wait(), 10)
        shutil.rmtree(self._profile, ignore_errors=True)

    async def do(self, method: str, **params: Any) -> Any:
        """Send one command of the debugging protocol and return its result."""
        number = next(self._numbers)
        await self._socket.send_json({"id": number, "method": method, "params": params})
        while True:
            told = await self._socket.receive_json(timeout=90)
            if told.get("id") == number:
                assert "error" not in told, told
                return told["result"]
            self._note(told)

    def _note(self, told: dict[str, Any]) -> None:
        about = told.get("params", {})
        if told.get("method") == "Runtime.exceptionThrown":
            self.told.append(str(about["exceptionDetails"]))
        elif told.get("method") == "Log.entryAdded" and about["entry"]["level"] == "error":
            self.told.append(about["entry"]["text"])
        elif told.get("method") == "Network.requestWillBeSent":
            self.requests.append(about["request"]["url"])

    async def become(self, width: int, height: int, *, phone: bool = False, dark: bool = False) -> None:
        """Give the page another size, kind of screen and colour scheme."""
        await self.do(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        await self.do("Emulation.setEmulatedMedia", features=[scheme])

    async def open(self, url: str) -> None:
        """Go to an address and wait until its page is there."""
        await self.do("Page.navigate", url=url)
        await self.wait_for("location.href !== 'about:blank' && document.readyState === 'complete'")

    async def value(self, script: str) -> Any:
        """Return what a script in the page gives, as JSON holds it."""
        done = await self.do("Runtime.evaluate", expression=script, returnByValue=True)
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    async def text(self) -> str:
        """Return the page's text as a person reads it."""
        return str(await self.value("document.body ? document.body.innerText : ''"))

    async def wait_for(self, script: str, seconds: float = 60) -> None:
        """Wait until a script in the page gives something true."""
        end = time.monotonic() + seconds
        while not await self.value(script):
            assert time.monotonic() < end, f"not within {seconds} s: {script}; the page says: {await self.text()}"
            await asyncio.sleep(0.02)

    async def picture(self) -> bytes:
        """Return what the page looks like as a PNG."""
        shot = await self.do("Page.captureScreenshot", format="png")
        return base64.b64decode(shot["data"])
