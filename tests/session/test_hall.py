"""The bench's process and those that look at it: nobody holds it up, one has the keys, and all see the same."""

from __future__ import annotations

import asyncio
import os
import socket
import stat
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.dashboard.showing import Showing
from capture.plumbing.local_socket import listen_at, reach
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.session.faces import hall as hall_module
from capture.session.faces.hall import Hall
from capture.session.faces.messages import Asks, Ended, FromBench, Hello, Keyed, PhotoSent, from_bench
from tests.support.broker import until
from tests.support.preview import sample_view


@dataclass
class House:
    """What stands for a session."""

    typing: bool = False
    pressed: list[object] = field(default_factory=list)
    moved: list[str] = field(default_factory=list)
    named: list[tuple[str, str]] = field(default_factory=list)
    state: str = "good"
    armed: bool = False

    def showing(self) -> Showing:
        return Showing(sample_view(self.state))

    def at_once(self, pressed: Key | Scan | LostScan) -> bool:
        if pressed == Key("a") and self.armed:
            self.armed = False
            return True
        return False

    async def take(self, pressed: Key | Scan | LostScan, *, may_arm: bool = True) -> None:
        self.pressed.append((pressed, may_arm))

    async def photo(self, sent: PhotoSent) -> None:
        self.pressed.append(sent)

    def keys_moved(self, to: str) -> None:
        self.moved.append(to)

    async def introduce(self, unit: str, technician: str) -> None:
        self.named.append((unit, technician))


class Face:
    """A face that a test holds in its hand."""

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        self.heard: list[FromBench] = []
        self.gone = asyncio.Event()

    async def come(self, **hello: object) -> Face:
        self.reader, self.writer = await asyncio.open_unix_connection(sock=self.link, limit=4 << 20)
        self.says(Hello(**{"who": "ana", **hello}))  # type: ignore[arg-type]
        self.task = asyncio.create_task(self._hear())
        return self

    def says(self, message: Hello | Keyed | Asks | PhotoSent) -> None:
        self.writer.write(message.model_dump_json().encode() + b"\n")

    def presses(self, key: str) -> None:
        self.says(Keyed(type="key", text=key))

    async def _hear(self) -> None:
        try:
            while line := await self.reader.readline():
                self.heard.append(from_bench().validate_json(line))
        except OSError:
            pass
        self.gone.set()

    @property
    def place(self):  # type: ignore[no-untyped-def]
        return next((one.place for one in reversed(self.heard) if one.place is not None), None)

    @property
    def has_keys(self) -> bool:
        return self.place is not None and self.place.has_keys


Come = Callable[..., "asyncio.Future[Face]"]


@asynccontextmanager
async def open_hall(house: House, path: Path) -> AsyncIterator[tuple[Hall, Callable[..., object]]]:
    hall = Hall()
    hall.house = house
    await hall.listen(listen_at(path))
    tasks = [asyncio.create_task(hall.tell()), asyncio.create_task(hall.take(house))]
    faces: list[Face] = []

    async def come(**hello: object) -> Face:
        link = reach(path)
        assert link is not None
        faces.append(await Face(link).come(**hello))
        return faces[-1]

    try:
        yield hall, come
    finally:
        for task in tasks:
            task.cancel()
        await hall.close(Ended(0))
        for face in faces:
            await face.gone.wait()
            face.writer.transport.abort()


async def test_all_see_the_bench_and_one_has_its_keys(tmp_path: Path) -> None:
    house = House()
    async with open_hall(house, tmp_path / "s") as (hall, come):
        ana = await come(who="ana on pts/1")  # type: ignore[misc]
        await until(lambda: ana.has_keys)
        berit = await come(who="berit on pts/2", unit="FW3-0001", technician="Berit")  # type: ignore[misc]
        await until(lambda: berit.place is not None)
        assert not berit.has_keys and berit.place.holder == "ana on pts/1"
        assert berit.heard[-1].showing is not None and berit.heard[-1].showing.view.bench == sample_view("good").bench
        berit.presses("2")
        ana.presses("1")
        ana.says(Keyed(type="scan", text="tech:Ana"))
        await until(lambda: len(house.pressed) == 2)
        assert house.pressed == [(Key("1"), True), (Scan("tech:Ana"), True)]
        assert house.named == [("", "")]  # who only looks names nothing
        assert list(hall.looked_at) == ["ana on pts/1", "berit on pts/2"]


async def test_the_keys_are_asked_for_and_given_and_the_session_is_told(tmp_path: Path) -> None:
    house = House()
    async with open_hall(house, tmp_path / "s") as (_, come):
        ana = await come(who="ana")  # type: ignore[misc]
        await until(lambda: ana.has_keys)
        berit = await come(who="berit")  # type: ignore[misc]
        await until(lambda: berit.place is not None)
        berit.says(Asks())
        await until(lambda: ana.place.asked_by == "berit" and berit.place.asks == "asked")
        assert 0 < ana.place.answer_s <= 20
        ana.presses("s")  # any other key keeps them, and acts
        await until(lambda: berit.place.asks == "kept")
        berit.says(Asks())
        await until(lambda: ana.place.asked_by == "berit")
        ana.presses("k")
        await until(lambda: berit.has_keys)
        assert house.moved == ["berit"] and house.pressed == [(Key("s"), True)]


async def test_a_name_that_is_typed_gives_no_keys_away(tmp_path: Path) -> None:
    house = House(typing=True)
    async with open_hall(house, tmp_path / "s") as (_, come):
        ana = await come(who="ana")  # type: ignore[misc]
        await until(lambda: ana.has_keys)
        berit = await come(who="berit")  # type: ignore[misc]
        await until(lambda: berit.place is not None)
        berit.says(Asks())
        await until(lambda: ana.place.asked_by == "berit")
        ana.presses("k")
        await until(lambda: house.pressed == [(Key("k"), True)])
        assert ana.has_keys and house.moved == []


async def test_taking_the_air_off_waits_for_nothing_that_is_being_done(tmp_path: Path) -> None:
    busy = asyncio.Event()

    class Busy(House):
        async def take(self, pressed: Key | Scan | LostScan, *, may_arm: bool = True) -> None:
            await busy.wait()

    house = Busy(armed=True)
    async with open_hall(house, tmp_path / "s") as (_, come):
        ana = await come()  # type: ignore[misc]
        await until(lambda: ana.has_keys)
        ana.presses("1")  # its record's disk takes for ever
        ana.presses("a")
        await until(lambda: not house.armed)


async def test_who_does_not_read_is_let_go_and_told_no_more_than_one_view(tmp_path: Path) -> None:
    house = House()
    async with open_hall(house, tmp_path / "s") as (hall, come):
        link = reach(tmp_path / "s")
        assert link is not None
        link.sendall(Hello(who="hangs").model_dump_json().encode() + b"\n")
        ana = await come(who="ana")  # type: ignore[misc]
        await until(lambda: len(hall.looked_at) == 2)

        def shown_often() -> bool:
            hall.changed()
            return list(hall.looked_at) == ["ana"]

        await until(shown_often)
        assert len(ana.heard) >= 8  # ten times a second for the second that the other was given
        reader, writer = await asyncio.open_unix_connection(sock=link)  # it is closed by this loop: it must go on
        async with asyncio.timeout(10):
            lay = await reader.read()
        assert lay.count(b"\n") <= 1
        writer.transport.abort()


async def test_a_bench_at_rest_still_says_that_it_is_there(tmp_path: Path) -> None:
    async with open_hall(House(), tmp_path / "s") as (_, come):
        ana = await come()  # type: ignore[misc]
        await until(lambda: len(ana.heard) >= 3)


async def test_how_it_ended_is_told_to_all_even_to_one_that_only_just_came(tmp_path: Path) -> None:
    hall = Hall()
    hall.house = House()
    ours, theirs = socket.socketpair()
    await hall.attach(theirs)
    closing = asyncio.create_task(hall.close(Ended(1, ["Nothing was measured."], "the disk is full")))
    face = await Face(ours).come()
    await closing
    await face.gone.wait()
    assert face.heard[-1].ended == Ended(1, ["Nothing was measured."], "the disk is full")
    face.writer.transport.abort()


async def test_no_more_faces_are_let_in_than_a_bench_has_room_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hall_module, "_MOST_FACES", 2)
    async with open_hall(House(), tmp_path / "s") as (hall, come):
        for _ in range(2):
            await come()  # type: ignore[misc]
        await until(lambda: len(hall.looked_at) == 2)
        third = await come()  # type: ignore[misc]
        await third.gone.wait()
        assert len(hall.looked_at) == 2


@settings(max_examples=30, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=40), st.just(b"x" * 5000), st.just(Asks().model_dump_json().encode()))))
def test_what_no_face_says_ends_that_face_and_nothing_else(lines: list[bytes]) -> None:
    async def scenario() -> None:
        hall = Hall()
        hall.house = House()
        ours, theirs = socket.socketpair()
        await hall.attach(theirs)
        with ours:
            ours.setblocking(False)
            loop = asyncio.get_running_loop()
            try:
                await loop.sock_sendall(ours, b"".join(line + b"\n" for line in [*lines, b"{}"]))
                while await loop.sock_recv(ours, 1 << 20):
                    pass
            except OSError:
                pass
        await hall.close(Ended(0))
        assert list(hall.looked_at) == []

    asyncio.run(scenario())


def test_the_socket_is_this_users_alone_or_a_groups(tmp_path: Path) -> None:
    with listen_at(tmp_path / "mine"):
        assert stat.S_IMODE((tmp_path / "mine").stat().st_mode) == 0o600
    group = next(g for g in ("root", "users", "nogroup") if os.geteuid() == 0 or g in map(str, os.getgroups()))
    with listen_at(tmp_path / "ours", group):
        assert stat.S_IMODE((tmp_path / "ours").stat().st_mode) == 0o660
    with pytest.raises(ConnectionError, match="there is no group 'nobody-has-this'"):
        listen_at(tmp_path / "none", "nobody-has-this")


def test_a_dead_processs_socket_is_cleared_away_and_a_living_ones_is_not(tmp_path: Path) -> None:
    path = tmp_path / ("a folder with a very long name " * 4) / "faces.sock"
    dead = listen_at(path)
    with pytest.raises(ConnectionError, match=r"another process answers at .* already"):
        listen_at(path)
    dead.close()
    assert reach(path) is None
    with listen_at(path):
        link = reach(path)
        assert link is not None
        link.close()
    (tmp_path / "file").write_text("not mine")
    with pytest.raises(ConnectionError, match="is no socket"):
        listen_at(tmp_path / "file")
    assert (tmp_path / "file").read_text() == "not mine"
