"""A recording as a port: `recording:FILE` plays a recording's indicator bytes to the bench at their own pace.

A bench, its record and its screen can be tried on a real stream with no hardware. Marks of a lost port come out as a
lost port.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from time import monotonic_ns

from capture.recordings.file import GAP_NOTE, RecordedLine, read_recording
from drivers.indicator_port import indicator_port_at
from drivers.port_events import Chunk, Event, EventPort, Lost, Opened

PREFIX = "recording:"


class Playback(EventPort):
    """Nothing comes before `begin`, so that nothing is played while nobody measures; after the recording's last byte it
    is a port that is lost and stays so."""

    def __init__(self, path: Path, speed: float = 1.0) -> None:
        """Open the recording; raises RecordingError. Stamps are as if `speed` times real time were real time."""
        _, lines = read_recording(path)
        self._lines: list[RecordedLine] = list(lines)
        self._path = path
        self._speed = speed
        self._closed = asyncio.Event()
        self._begun = asyncio.Event()
        self._next = -1
        self._began_ns = 0

    async def close(self) -> None:
        self._closed.set()
        self._begun.set()

    def begin(self) -> None:
        """Play from now on."""
        self._begun.set()

    async def __anext__(self) -> Event:
        if self._next < 0:
            await self._begun.wait()
            self._next = 0
            self._began_ns = monotonic_ns()
            return Opened(self._began_ns)
        while self._next < len(self._lines):
            line = self._lines[self._next]
            self._next += 1
            t_ns = self._began_ns + round(line.t_ns / self._speed)
            lost = line.mark is not None and line.mark.get("note") == GAP_NOTE
            if line.source != "indicator" and not lost:
                continue
            if await self._closed_within((t_ns - monotonic_ns()) / 1e9):
                raise StopAsyncIteration
            return Lost(t_ns, "the recording says that the indicator was lost here") if lost else Chunk(t_ns, line.data)
        if self._next == len(self._lines):
            self._next += 1
            return Lost(monotonic_ns(), f"the recording {self._path} has ended; end the session")
        await self._closed.wait()
        raise StopAsyncIteration

    async def _closed_within(self, seconds: float) -> bool:
        try:
            async with asyncio.timeout(max(0.0, seconds)):
                await self._closed.wait()
        except TimeoutError:
            return False
        return True


def open_port(url: str, *, baud: int, framing: str, request: bytes, poll_interval_ns: int, speed: float) -> EventPort:
    """Return the port at `url`: a recording, or whatever an indicator can be at."""
    if url.startswith(PREFIX):
        return Playback(Path(url.removeprefix(PREFIX)), speed)
    return indicator_port_at(url, baud=baud, framing=framing, request=request, poll_interval_ns=poll_interval_ns)
