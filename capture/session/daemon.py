"""The process that measures at one bench: its session, its faces, and the signals that end it in order."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from socket import socket

from capture.plumbing.sd_notify import notify_service, watchdog
from capture.session.conduct import EXIT_GOOD, EXIT_NOT_GOOD, summary
from capture.session.faces.hall import Hall
from capture.session.faces.messages import Ended
from capture.session.session import Session
from capture.session.units_keys import NextUnit

#: What is said when the process ends: no more lines than these, the newest units'.
_LINES = 60

Conduct = Callable[[Session], Awaitable[int]]


@dataclass(frozen=True, slots=True)
class Way:
    """How a bench's process goes about its sessions."""

    conduct: Conduct
    listener: socket | None = None
    """Where faces come to."""
    link: socket | None = None
    """The face that it was started for."""
    repeats: bool = False
    """Whether the next session begins when every pack of one was measured."""
    stays: bool = False
    """Whether the next session begins when a technician ended one: a service."""
    follows: bool = True
    """Whether the next session begins with the unit that a technician chose."""
    begun_with: str = ""
    """The options that whoever goes on with a unit must give again, as a shell takes them."""
    caution_s: float | None = None
    """For how long the cautions stand where no key says that they were read; None for as long as it takes."""


@asynccontextmanager
async def _signals(leave: asyncio.Event) -> AsyncIterator[None]:
    """SIGTERM and Ctrl-C end the process in order: the check's strokes are kept, the faces are told."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        loop.add_signal_handler(number, leave.set)
    try:
        yield
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            loop.remove_signal_handler(number)


async def run_daemon(
    make: Callable[[Hall, NextUnit | None], Session], way: Way, stop: asyncio.Event | None = None
) -> int:
    """Run a session, or one after the other, with its faces; return the exit code of the last that measured.

    `make` makes a session, with the unit that the one before it ended for.

    Raises what the bench raises (RecordError, RecordingError) after the faces were told.
    """
    hall, stop = Hall(stays=way.stays), stop or asyncio.Event()
    ended = Ended(EXIT_NOT_GOOD)
    following: NextUnit | None = None
    told: list[str] = []
    code = EXIT_NOT_GOOD
    async with _signals(stop):
        telling = asyncio.create_task(hall.tell(), name="tell")
        try:
            while True:
                session = make(hall, following)
                hall.house = session
                if way.listener is not None and not hall.listens:
                    await hall.listen(way.listener)
                if way.link is not None and not hall.looked_at:
                    await hall.attach(way.link)
                came_to = await run_session(session, way.conduct, hall, stop, way.caution_s)
                if session.bench.state.job_id or not told:
                    code, told = came_to, [*told, *summary(session, way.begun_with)][-_LINES:]
                ended = Ended(code, told)
                if way.follows and (following := session.following) is not None and not stop.is_set():
                    continue
                goes_on = way.stays if session.leave.is_set() else way.repeats or way.stays
                if stop.is_set() or not goes_on:
                    return code
        except BaseException as error:
            ended = Ended(1, error=str(error) or type(error).__name__)
            raise
        finally:
            telling.cancel()
            await hall.close(ended)


async def run_session(
    session: Session, conduct: Conduct, hall: Hall, stop: asyncio.Event, caution_s: float | None = None
) -> int:
    """Run the bench and `conduct` until that returns an exit code, the technician ends it, or `stop` is set."""
    async with contextlib.AsyncExitStack() as stack:
        tasks: list[asyncio.Task[object]] = []

        async def end() -> None:
            session.bench.shut()
            for task in reversed(tasks):
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, Exception):
                    await task

        stack.push_async_callback(end)
        running = asyncio.create_task(session.bench.run(), name="bench")
        tasks.append(running)
        ready = asyncio.create_task(session.bench.ready.wait(), name="ready")
        await asyncio.wait({running, ready}, return_when=asyncio.FIRST_COMPLETED)
        if running.done():
            ready.cancel()
            running.result()
        notify_service("READY=1")
        tasks.append(asyncio.create_task(watchdog(lambda: not running.done()), name="watchdog"))

        async def conducted() -> int:
            await session.cautions(caution_s)
            return await conduct(session)

        conducting = asyncio.create_task(conducted(), name="conduct")
        leaving = [asyncio.create_task(one.wait(), name="leave") for one in (session.leave, stop)]
        keys = asyncio.create_task(hall.take(session), name="keys")
        tasks += [keys, conducting, *leaving]
        watched: set[asyncio.Task[object]] = {running, keys, conducting, *leaving}
        while True:
            done, watched = await asyncio.wait(watched, return_when=asyncio.FIRST_COMPLETED)
            # What ended the bench is said, not what it made of the others.
            for task in sorted(done, key=lambda one: one is not running):
                if task is conducting:
                    return conducting.result()
                if task in leaving:
                    if stop.is_set():
                        notify_service("STOPPING=1")
                    return EXIT_GOOD if session.all_done() else EXIT_NOT_GOOD
                task.result()
                if task is running:
                    raise RuntimeError("the bench stopped by itself")
