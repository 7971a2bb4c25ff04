"""A recording that is written on a thread of its own: in order, bounded, and never with a gap."""

from __future__ import annotations

import asyncio
import errno
import hashlib
import threading
from pathlib import Path
from typing import Any

import pytest

from capture.recordings.file import RecordingError, RecordingWriter, read_recording
from capture.recordings.queued import QueuedRecording

HEADER = {"recording": 2, "started": "2026-11-28T08:00:00Z", "bench": "1", "indicator": {"driver": "line"}}


class Gate:
    """A file whose writes wait until the gate is open; one may take only so many bytes, as a full disk does."""

    def __init__(self, file: Any, room: int | None = None) -> None:
        self.file, self.room, self.open = file, room, threading.Event()

    def write(self, data: bytes) -> int:
        assert self.open.wait(10)
        if self.room is None:
            return int(self.file.write(data))
        if not self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        written = int(self.file.write(data[: self.room]))
        self.room -= written
        return written

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)


def gated(path: Path, room: int | None = None) -> tuple[RecordingWriter, Gate]:
    writer = RecordingWriter(path, HEADER)
    gate = Gate(writer._file, room)
    writer._file = gate  # type: ignore[assignment]
    return writer, gate


async def test_what_was_handed_over_is_in_the_file_in_its_order_and_the_seal_is_its_hash(tmp_path: Path) -> None:
    writer, gate = gated(tmp_path / "one.jsonl")
    recording = QueuedRecording(writer)
    for number in range(500):
        recording.stream(number, "indicator", b"%d\r\n" % number)
        recording.stream(number, "fixture", b"%d\n" % number)
    waiting = asyncio.ensure_future(recording.written(recording.handed))
    await asyncio.sleep(0)
    assert not waiting.done() and recording.waiting_ns() > 0
    gate.open.set()
    await waiting
    sha256, size = await recording.seal()
    raw = await asyncio.to_thread((tmp_path / "one.jsonl").read_bytes)
    assert (hashlib.sha256(raw).hexdigest(), len(raw), recording.waiting_ns()) == (sha256, size, 0)
    lines = [line.data for line in read_recording(tmp_path / "one.jsonl")[1]]
    assert lines == [data for number in range(500) for data in (b"%d\r\n" % number, b"%d\n" % number)]
    recording.close()


async def test_a_disk_that_fills_up_keeps_what_it_took_and_refuses_all_that_follows(tmp_path: Path) -> None:
    writer, gate = gated(tmp_path / "one.jsonl", room=60)
    told: list[RecordingError] = []
    failed = asyncio.Event()

    def on_failure(error: RecordingError) -> None:
        told.append(error)
        failed.set()

    recording = QueuedRecording(writer, on_failure)
    recording.stream(1, "indicator", b"+1.00 mm\r\n")
    first = recording.handed
    recording.stream(2, "indicator", b"+2.00 mm\r\n")
    second = asyncio.ensure_future(recording.written(recording.handed))
    await asyncio.sleep(0)
    gate.open.set()
    with pytest.raises(RecordingError, match="the disk is full: nothing of this stroke was kept"):
        await second
    await recording.written(first)
    await asyncio.wait_for(failed.wait(), 5)
    assert len(told) == 1
    for refused in (recording.seal(), recording.written(recording.handed)):
        with pytest.raises(RecordingError, match="the disk is full"):
            await refused
    with pytest.raises(RecordingError, match="the disk is full"):
        recording.mark(3, {"note": "session ended"})
    with pytest.warns(match="cut off"):
        assert [line.t_ns for line in read_recording(tmp_path / "one.jsonl")[1]] == [1]


@pytest.mark.parametrize(("lines", "size"), [(10, 1 << 20), (1000, 400)])
async def test_more_than_may_wait_is_refused_in_words_and_never_left_out(tmp_path: Path, lines: int, size: int) -> None:
    writer, gate = gated(tmp_path / "one.jsonl")
    recording = QueuedRecording(writer, most_lines=lines, most_bytes=size)
    taken = 0
    with pytest.raises(RecordingError, match=r"the disk is too slow: 3.. bytes of readings wait for it"):
        while True:
            recording.stream(taken, "indicator", b"+1.00 mm\r\n")
            taken += 1
    place = recording.handed
    (thread,) = (one for one in threading.enumerate() if one.name == "recording one.jsonl")
    gate.open.set()
    with pytest.raises(RecordingError, match="too slow"):  # what follows would come after a gap
        recording.stream(99, "indicator", b"+1.00 mm\r\n")
    recording.close()
    await asyncio.to_thread(thread.join, 10)
    assert writer.size == place
    assert [line.t_ns for line in read_recording(tmp_path / "one.jsonl")[1]] == list(range(taken))
