"""Where the faces of a bench stand, inside the bench's process: who looks, who has the keys, and what each was told.

Nothing here waits for a face. Each is told the newest there is to show, at most ten times a second, and only when it
has read what it was told before; one that does not read for a second is let go, and may come back. What is pressed is
taken one after the other, by whoever has the keys; taking the air off waits for nothing.
"""

from __future__ import annotations

import asyncio
import fcntl
import socket
import struct
import termios
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import count
from os import getpid
from time import monotonic_ns
from typing import Final, Protocol

from capture.dashboard.showing import Showing, encoded
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.session.faces.keyring import Keyring
from capture.session.faces.messages import (
    LONGEST_FROM_FACE,
    Asks,
    Ended,
    FaceStanding,
    FromFace,
    Hello,
    Keyed,
    PhotoSent,
    Said,
    ended,
    shown,
)

#: A face that is told nothing for so long could not tell a bench that rests from one that hangs.
_LIFE_S: Final = 1.0
_INTERVAL_S: Final = 0.1
_BEHIND_NS: Final = 1_000_000_000
_MOST_FACES: Final = 32
_MOST_PRESSED: Final = 1000
_HELLO_S: Final = 5.0


class House(Protocol):
    """What is shown, and what keys act on: a session."""

    def showing(self) -> Showing:
        """Return what there is to show now."""

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""

    def at_once(self, pressed: Key | Scan | LostScan) -> bool:
        """Do what waits for nothing; say whether that was what `pressed` was for."""

    async def take(self, pressed: Key | Scan | LostScan, *, may_arm: bool = True) -> None:
        """Act on a key or a scan."""

    async def photo(self, sent: PhotoSent) -> None:
        """Take a photo into the record."""

    def keys_moved(self, to: str) -> None:
        """Somebody else has the keys now."""

    async def introduce(self, unit: str, technician: str) -> None:
        """A face was opened with these named."""


@dataclass(eq=False, slots=True)
class _Face:
    """One that looks."""

    number: int
    hello: Hello
    writer: asyncio.StreamWriter
    behind_ns: int | None = None
    """Since when it has not read what it was told; None while it has."""

    def told_ns(self, now_ns: int) -> int:
        """Return for how long what it was told has lain unread."""
        descriptor = self.writer.get_extra_info("socket").fileno()
        unread = self.writer.transport.get_write_buffer_size() if descriptor >= 0 else 0
        if descriptor >= 0 and not unread:  # SIOCOUTQ (unix(7)): what the other end has not read yet
            (unread,) = struct.unpack("i", fcntl.ioctl(descriptor, termios.TIOCOUTQ, b"\0" * 4))
        self.behind_ns = (self.behind_ns if self.behind_ns is not None else now_ns) if unread else None
        return now_ns - self.behind_ns if self.behind_ns is not None else 0


class Hall:
    """The faces of one bench's process. `house` is the session of the moment, None between two."""

    def __init__(self, *, stays: bool = False) -> None:
        """`stays`: this process goes on after a session."""
        self.house: House | None = None
        self._stays = stays
        self._faces: dict[int, _Face] = {}
        self._ring = Keyring()
        self._pressed: asyncio.Queue[tuple[int, Key | Scan | LostScan | PhotoSent]] = asyncio.Queue(_MOST_PRESSED)
        self._dirty = asyncio.Event()
        self._next = 0
        self._coming = 0
        """How many attached and have not said yet who they are."""
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    # -- coming and going --------------------------------------------------------------------------------

    @property
    def listens(self) -> bool:
        """Whether faces can come by themselves."""
        return self._server is not None

    async def listen(self, listener: socket.socket) -> None:
        """Take faces from a listening socket, until `close`."""
        self._server = await asyncio.start_unix_server(self._come, sock=listener, limit=LONGEST_FROM_FACE)

    async def attach(self, link: socket.socket) -> None:
        """Take a face at the other end of a connected socket."""
        reader, writer = await asyncio.open_unix_connection(sock=link, limit=LONGEST_FROM_FACE)
        self._coming += 1
        task = asyncio.create_task(self._come(reader, writer, awaited=True), name="face")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _come(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, awaited: bool = False) -> None:
        face: _Face | None = None
        try:
            if len(self._faces) >= _MOST_FACES:
                return
            async with asyncio.timeout(_HELLO_S):
                hello = FromFace.validate_json(await reader.readline())
            if not isinstance(hello, Hello):
                return
            self._next += 1
            face = self._faces[self._next] = _Face(self._next, hello, writer)
            self._coming -= awaited
            awaited = False
            self._ring.arrive(face.number, wants=hello.wants_keys)
            if self.house is not None and self._ring.holder == face.number:
                await self.house.introduce(hello.unit, hello.technician)
            self.changed()
            while line := await reader.readline():
                self._hear(face, FromFace.validate_json(line))
        except (OSError, ValueError, TimeoutError):
            pass  # it left, said what no face says, or said nothing
        except asyncio.CancelledError:
            pass  # the hall closes
        finally:
            self._coming -= awaited
            if face is not None:
                self._go(face)
            else:
                writer.transport.abort()

    def _go(self, face: _Face) -> None:
        if self._faces.pop(face.number, None) is not None:
            self._ring.leave(face.number)
            face.writer.transport.abort()
            self.changed()

    # -- what is pressed ---------------------------------------------------------------------------------

    def _hear(self, face: _Face, said: Said) -> None:
        if isinstance(said, Asks):
            self._ring.ask(face.number, monotonic_ns())
            self.changed()
        if self.house is None or self._ring.holder != face.number:
            return
        if isinstance(said, PhotoSent):
            self._put(face, said)
        if not isinstance(said, Keyed):
            return
        pressed = said.pressed()
        if self._ring.asker is not None:
            gives = pressed == Key("k") and not self.house.typing
            self._ring.answer(gives=gives)
            self.changed()
            if gives:
                self._moved()
                return
        if not self.house.at_once(pressed):
            self._put(face, pressed)

    def _put(self, face: _Face, said: Key | Scan | LostScan | PhotoSent) -> None:
        with suppress(asyncio.QueueFull):  # whoever presses a thousand keys ahead of the bench is no hand
            self._pressed.put_nowait((face.number, said))

    def _moved(self) -> None:
        holder = self._faces.get(self._ring.holder or 0)
        if self.house is not None and holder is not None:
            self.house.keys_moved(holder.hello.who)

    async def take(self, house: House) -> None:
        """Act on what is pressed, until cancelled. Raises what acting on it raises."""
        while True:
            number, said = await self._pressed.get()
            face = self._faces.get(number)
            if face is None or self._ring.holder != number:
                continue
            if isinstance(said, PhotoSent):
                await house.photo(said)
            else:
                await house.take(said, may_arm=face.hello.may_arm)
            self.changed()

    # -- what is told ------------------------------------------------------------------------------------

    def changed(self) -> None:
        """Say that there is something new to show. Cheap: call it for every reading."""
        self._dirty.set()

    async def tell(self) -> None:
        """Tell every face what there is to show, until cancelled."""
        while True:
            with suppress(TimeoutError):
                async with asyncio.timeout(_LIFE_S):
                    await self._dirty.wait()
            self._dirty.clear()
            if self._ring.look(monotonic_ns()):
                self._moved()
            if self._faces and self.house is not None:
                self._tell_all(encoded(self.house.showing()))
            await asyncio.sleep(_INTERVAL_S)

    def _tell_all(self, showing: bytes) -> None:
        now_ns = monotonic_ns()
        for face in list(self._faces.values()):
            behind_ns = face.told_ns(now_ns)
            if behind_ns > _BEHIND_NS:
                self._go(face)
            elif face.behind_ns is None and not face.writer.is_closing():
                face.writer.write(shown(showing, self._place(face, now_ns)))
            else:
                self._dirty.set()  # it has something newer to see once it has read

    def _place(self, face: _Face, now_ns: int) -> FaceStanding:
        ring = self._ring
        holder, asker = self._faces.get(ring.holder or 0), self._faces.get(ring.asker or 0)
        asked = holder is face and asker is not None
        return FaceStanding(
            has_keys=holder is face,
            holder=holder.hello.who if holder is not None else "",
            asked_by=asker.hello.who if asked and asker is not None else "",
            answer_s=ring.left_s(now_ns) if asked else 0,
            asks="asked" if asker is face else "kept" if ring.kept == face.number else "",
            stays=self._stays,
            pid=getpid(),
        )

    async def close(self, how: Ended) -> None:
        """Tell every face how it ended, and let them go; one that does not read is waited for no longer than ever."""
        if self._server is not None:
            self._server.close()
        with suppress(TimeoutError):
            async with asyncio.timeout(_HELLO_S):
                await self._until(lambda: not self._coming)
        for face in self._faces.values():
            face.writer.write(ended(how))
        with suppress(TimeoutError):
            async with asyncio.timeout(_BEHIND_NS / 1e9):
                await self._until(lambda: not any(face.told_ns(monotonic_ns()) for face in self._faces.values()))
        for face in list(self._faces.values()):
            self._go(face)
        for task in self._tasks:
            task.cancel()

    @staticmethod
    async def _until(so: Callable[[], bool]) -> None:
        for _ in count():  # nothing tells when the other end has read
            if so():
                return
            await asyncio.sleep(_INTERVAL_S / 10)

    @property
    def looked_at(self) -> Sequence[str]:
        """Who looks now."""
        return [face.hello.who for face in self._faces.values()]
