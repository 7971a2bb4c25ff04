"""How `strokelog run` measures: in a process of its own behind a terminal's face, or here, for a pipe and a service."""

from __future__ import annotations

import asyncio
import os
import sys
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from capture.cli.extras import need
from capture.cli.options import errors_in_words, fail
from capture.plumbing.outward import say, warn

if TYPE_CHECKING:
    from socket import socket

    from capture.bench.setup import BenchSetup
    from capture.session.faces.hall import Hall
    from capture.session.faces.terminal import Left
    from capture.session.session import Session
    from capture.session.units_keys import NextUnit
    from capture.session.wrench_field import WrenchSetup


def is_terminal() -> bool:
    """Say whether a person sits there: keys come from a terminal, and it is drawn on."""
    dumb = os.environ.get("TERM", "dumb") in ("", "dumb", "unknown")
    return sys.stdin.isatty() and sys.stdout.isatty() and not dumb


def encodable(text: str) -> str:
    """Return what the command line says with what is no text in it (bytes of another encoding) replaced."""
    return text.encode("utf-8", "replace").decode()


@dataclass(frozen=True, slots=True)
class ServedPage:
    """Where the bench's page listens already, and what a browser on another machine must say to press keys."""

    listener: socket
    token: str
    address: str
    """As a browser takes it."""


def page_at(address: str, token_file: Path) -> ServedPage:
    """Return the page that listens at an address, and say where it is; or exit saying why it cannot."""
    need("web")
    import socket as sockets

    from capture.plumbing.web_pages import is_loopback, listen_address
    from capture.session.faces.page import token_in

    try:
        host, port = listen_address(address)
        token_file.parent.mkdir(parents=True, exist_ok=True)
        token = token_in(token_file)
        family = sockets.AF_INET6 if ":" in host else sockets.AF_INET
        listener = sockets.create_server((host, port), family=family)
    except ValueError as error:
        fail(f"the page: {error}", 2)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        fail(f"the page cannot listen at {address}: {where}{error.strerror or error}; give another --listen")
    shown = f"[{host}]" if ":" in host else host
    url = f"http://{shown}:{listener.getsockname()[1]}/"
    warn(f"The bench's page is at {url}")
    if not is_loopback(host):
        warn(
            f"caution: whoever reaches {host} sees the bench, without a login and over plain http; to press keys a "
            f"page there needs the token in {token_file}. Keep it to a network you trust."
        )
    return ServedPage(listener, token, url)


@dataclass(frozen=True, slots=True)
class BenchRun:
    """One bench to be measured at."""

    setup: BenchSetup
    packs: list[int] | None
    """The packs to go through by itself; None where a technician's keys say which."""
    wrench: WrenchSetup | None = None
    as_json: bool = False
    repeats: bool = False
    service: bool = False
    group: str = ""
    """The group whose members may look and ask for the keys; empty for this user alone."""
    page: ServedPage | None = None
    """The page that shows the bench, if there is one."""
    begun_with: str = ""
    """The options that whoever goes on with a unit must give again, as a shell takes them."""

    def here(self) -> int:
        """Measure in this process; what completes is written to standard output, which nothing waits for."""
        return self._measure(None)

    def on_terminal(self) -> int:
        """Measure in a process of its own, with this terminal as its first face."""
        from capture.session.faces.start import found, started

        setup = self.setup
        bench, record = setup.bench, setup.record_path
        log = setup.data_dir / "measuring.log"
        while True:
            run = replace(self, setup=setup)
            try:
                link = started(partial(_in_child, run), log)
            except OSError as error:
                fail(f"cannot begin to measure: {error.filename or log}: {error.strerror}; give another --data-dir")
            left = _face(link, partial(found, bench, record, service=False), began=True)
            if left.how != "again":
                return _told(left, bench, log)
            job = int(left.view.job or 0) if left.view is not None and not left.view.signed_off else 0
            setup = replace(self.setup, resume=job or None)

    def _measure(self, link: socket | None) -> int:
        from capture.plumbing.local_socket import listen_at
        from capture.plumbing.long_lived import keep_for_good
        from capture.plumbing.outlet import Outlet
        from capture.session.conduct import attended, by_hand, in_order
        from capture.session.daemon import Way, run_daemon
        from capture.session.faces.start import found, place, started
        from capture.session.session import Session

        by_keys = attended if self.service else by_hand
        conduct = by_keys if self.packs is None else in_order(self.packs)
        try:
            listener = listen_at(place(self.setup.bench, self.setup.record_path), self.group)
        except ConnectionError as error:
            if self.service or link is not None:
                raise
            listener = None  # a pipe needs no faces
            self._warn_unless_measured(error)

        alive = None
        if self.page is not None:
            reach = partial(found, self.setup.bench, self.setup.record_path, service=False)
            inherited = [one for one in (link, listener) if one is not None]
            alive = started(partial(_page_in_child, self.page, reach, self.setup.data_dir, inherited), None)
            self.page.listener.close()

        async def run() -> int:
            stop = asyncio.Event()
            loop = asyncio.get_running_loop()
            outlet = Outlet(gone=lambda: loop.call_soon_threadsafe(stop.set))

            sessions = count()

            def session(hall: Hall, following: NextUnit | None) -> Session:
                first = next(sessions) == 0
                made = Session(
                    self.setup if first else self._setup_for(following), outlet.line, as_json=self.as_json,
                    attended=self.service or link is not None, wrench=self.wrench, changed=hall.changed,
                    leaves=link is not None or listener is not None, understood=following is not None,
                )  # fmt: skip
                if first and self.page is not None:
                    made.controls.say(f"The bench's page is at {self.page.address}")
                return made

            way = Way(conduct, listener, link, repeats=self.repeats, stays=self.service, begun_with=self.begun_with)
            try:
                code = await run_daemon(session, way, stop)
            finally:
                outlet.close()
            if outlet.broken:
                raise BrokenPipeError
            return code

        keep_for_good()
        try:
            return asyncio.run(run())
        finally:
            if alive is not None:
                alive.close()

    def _setup_for(self, following: NextUnit | None) -> BenchSetup:
        """Return what the next session begins with: another unit by this bench's sheet, an old job by its own. What
        was fitted to the unit before says nothing of the next."""
        from capture.job.unfinished import sheet_of_job
        from capture.sheet.sheet import parse_sheet
        from capture.sheet.variants import chosen_text, unchosen_text

        setup = self.setup
        if following is not None and following.resume is not None:
            sheet, text = sheet_of_job(setup.record_path, following.resume)
            return replace(
                setup, technician=following.technician, unit_serial="", resume=following.resume,
                sheet=sheet, sheet_toml=text,
            )  # fmt: skip
        if setup.sheet.variants:
            text = unchosen_text(setup.sheet_toml)
            if following is not None and following.variant:
                text = chosen_text(text, following.variant, following.variant_by, following.serial)
            setup = replace(setup, sheet=parse_sheet(text, "the build sheet"), sheet_toml=text, unit_serial="")
        if following is None:
            return setup
        return replace(setup, technician=following.technician, unit_serial=following.serial, resume=None)

    def _warn_unless_measured(self, error: ConnectionError) -> None:
        if "already" not in str(error):
            warn(f"warning: no screen can look at this bench: {error}")


def _in_child(run: BenchRun, link: socket) -> int:
    try:
        with errors_in_words():
            return run._measure(link)
    except typer.Exit as ended:
        return ended.exit_code


def _page_in_child(
    page: ServedPage, reach: partial[socket | None], folder: Path, inherited: list[socket], alive: socket
) -> int:
    from capture.session.faces.page import serve_page

    for one in inherited:  # what the measuring process has must end with it
        one.close()
    return serve_page(page.listener, reach, page.token, folder, alive)


def attach(bench: str, record: Path, *, look: bool, service: bool, unit: str, technician: str) -> None:
    """Show a bench that is being measured and exit; return where none is."""
    from capture.session.faces.start import found

    reach = partial(found, bench, record, service=service)
    link = reach()
    if link is None:
        if look:
            fail(f"nothing measures at bench {bench!r} now; begin with: strokelog run --bench {bench}")
        return
    if look and not is_terminal():
        fail("--look shows a bench on a terminal, and this is none", 2)
    with errors_in_words():
        left = _face(
            link, reach, began=False, wants_keys=not look, unit=encodable(unit), technician=encodable(technician)
        )
        raise typer.Exit(_told(left, bench, record.parent / "measuring.log"))


def _face(
    link: socket,
    reach: partial[socket | None],
    *,
    began: bool,
    wants_keys: bool = True,
    unit: str = "",
    technician: str = "",
) -> Left:
    from capture.session.faces.messages import Hello
    from capture.session.faces.terminal import TerminalFace, here

    async def run() -> Left:
        hello = Hello(who=here(), wants_keys=wants_keys, unit=unit[:200], technician=technician[:200])
        return await TerminalFace(link, hello, reach, began=began, restarts=began).run()

    return asyncio.run(run())


def _told(left: Left, bench: str, log: Path) -> int:
    """Say how it came out once the screen is gone; return the exit code."""
    from capture.session.conduct import EXIT_GOOD, EXIT_NOT_GOOD

    if left.ended is not None:
        if left.ended.error:
            fail(left.ended.error, left.ended.code)
        for line in left.ended.lines:
            say(line)
        return left.ended.code
    if not left.pid:
        fail(f"the process that measures ended; what it said last is in {log}")
    say(f"Bench {bench} measures on, in process {left.pid}. Its screen again: strokelog run --bench {bench}")
    good = left.view is not None and (left.view.signed_off or all(pack.is_good for pack in left.view.packs))
    return EXIT_GOOD if good else EXIT_NOT_GOOD
