"""Puts a simulated air-check fixture behind a real pseudo-terminal, so that it is driven as a real one is.

The controller runs in a thread of its own, as a real one runs on its own: its fail-safe timer goes on while the event
loop is busy, and after the program at the other end was killed.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import termios
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from capture.simulation.physics import MAX_STEP_S, PistonSimulator
from tests.support.firmware import AsciiFirmware, Firmware, ValveMove

__all__ = ["PtyFixture"]

#: One turn of the controller's loop, seconds.
_TURN_S = 0.002
_MOST_CAUGHT_UP_S = 1.0
#: Without a pack: the pressure that the regulator gives, and how fast a short hose fills and empties.
_SUPPLY_PA = 140_000.0
_FILL_S = 0.03


class PtyFixture:
    """A fixture behind the symlink `path`. Use as a context manager, plain or async.

    A `piston` is filled and emptied by the valve in real time. Where something else steps the pack, such as a
    `PtyBench`, give `read_pressure_pa` instead and let that follow `valve_open`; without either there is an empty hose.
    Every method may be called from any thread.
    """

    def __init__(
        self,
        path: Path,
        firmware: Firmware | None = None,
        *,
        piston: PistonSimulator | None = None,
        read_pressure_pa: Callable[[], float] | None = None,
    ) -> None:
        self.path = path
        self.firmware: Firmware = firmware if firmware is not None else AsciiFirmware()
        self._piston = piston
        self._read_pressure_pa = read_pressure_pa
        self._hose_pa = 0.0
        self._forced_pa: int | None = None
        self._frozen = False
        self._raw = b""
        self._received = 0
        self._master = self._slave = -1
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._now_ns = time.monotonic_ns()

    def __enter__(self) -> Self:
        self.replug()
        self._stop.clear()
        self._now_ns = time.monotonic_ns()
        self._thread = threading.Thread(target=self._run, name=f"fixture {self.path}", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self.unplug()

    async def __aenter__(self) -> Self:
        return self.__enter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.__exit__(kind, error, trace)

    # What a test or the demo may look at

    @property
    def valve_open(self) -> bool:
        """Whether the valve truly is open."""
        return self.firmware.valve_open

    @property
    def moves(self) -> list[ValveMove]:
        """When the valve truly opened and shut, on the monotonic clock, and why."""
        with self._changed:
            return list(self.firmware.moves)

    @property
    def received(self) -> int:
        """How many bytes came from the host so far."""
        return self._received

    @property
    def pressure_pa(self) -> int:
        """Gauge pressure at the apply port as the sensor has it, pascals."""
        if self._forced_pa is not None:
            return self._forced_pa
        if self._read_pressure_pa is not None:
            return round(self._read_pressure_pa())
        return round(self._piston.pressure_pa if self._piston is not None else self._hose_pa)

    async def until(self, condition: Callable[[], bool], timeout_s: float = 10.0) -> None:
        """Return as soon as `condition` holds; raises TimeoutError."""
        held = await asyncio.to_thread(self.wait_for, condition, timeout_s)
        if not held:
            raise TimeoutError(f"the fixture at {self.path} did not come to it in {timeout_s} s")

    def wait_for(self, condition: Callable[[], bool], timeout_s: float = 10.0) -> bool:
        """Wait, blocking, until `condition` holds; return whether it did in time."""
        with self._changed:
            return self._changed.wait_for(condition, timeout_s)

    # What happens to it

    def press(self) -> None:
        """Press the apply button and keep it pressed."""
        with self._changed:
            self.firmware.pressed = True

    def release(self) -> None:
        """Let the apply button go."""
        with self._changed:
            self.firmware.pressed = False

    def freeze(self, frozen: bool = True) -> None:
        """Say nothing any more, heartbeat and all, or speak again; commands are still obeyed."""
        with self._changed:
            self._frozen = frozen

    def send_garbage(self, data: bytes) -> None:
        """Send bytes that the firmware never would."""
        with self._changed:
            self._raw += data

    def over_pressure(self, pressure_pa: int | None) -> None:
        """Show this gauge pressure whatever the valve does, None for the true one again."""
        with self._changed:
            self._forced_pa = pressure_pa

    def unplug(self) -> None:
        """Pull the cable: a reader meets a hang-up. The controller has its own supply and goes on."""
        with self._changed:
            for descriptor in (self._master, self._slave):
                if descriptor >= 0:
                    os.close(descriptor)
            self._master = self._slave = -1
            if self.path.is_symlink():
                self.path.unlink()

    def replug(self) -> None:
        """Put the cable in: a new pty behind the same symlink."""
        self.unplug()
        with self._changed:
            self._master, self._slave = os.openpty()
            # Raw, so that no byte is echoed or translated. The reader's side is kept open here as well, because a pty
            # that nobody holds reports a hang-up to its writer.
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self.path.symlink_to(os.ttyname(self._slave))

    # The controller's thread

    def _run(self) -> None:
        while not self._stop.is_set():
            self._await_byte()
            with self._changed:
                self._turn()
                self._changed.notify_all()

    def _await_byte(self) -> None:
        master = self._master
        if master < 0:
            self._stop.wait(_TURN_S)
            return
        with contextlib.suppress(OSError, ValueError):  # unplugged meanwhile
            select.select([master], [], [], _TURN_S)

    def _turn(self) -> None:
        t_ns = time.monotonic_ns()
        self._flow((t_ns - self._now_ns) / 1e9)
        self._now_ns = t_ns
        with contextlib.suppress(OSError):  # nothing there, or unplugged
            data = os.read(self._master, 4096)
            self._received += len(data)
            self.firmware.receive(t_ns, data)
        sent = self.firmware.tick(t_ns, self.pressure_pa)
        if self._frozen:
            sent = b""
        sent += self._raw
        self._raw = b""
        if sent and self._master >= 0:
            self._write(sent)

    def _flow(self, passed_s: float) -> None:
        """Let air flow for the time that passed."""
        left_s = min(passed_s, _MOST_CAUGHT_UP_S)
        if self._piston is None:
            target_pa = _SUPPLY_PA if self.firmware.valve_open else 0.0
            self._hose_pa += (target_pa - self._hose_pa) * min(1.0, left_s / _FILL_S)
            return
        while left_s > 1e-9:
            step_s = min(left_s, MAX_STEP_S)
            self._piston.step(step_s, self.firmware.valve_open)
            left_s -= step_s

    def _write(self, data: bytes) -> None:
        """Send without waiting; what a reader that does not read has let pile up is thrown away as a whole."""
        for again in (False, True):
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._master, data) :]
            if not data or again:
                return
            termios.tcflush(self._master, termios.TCOFLUSH)
            termios.tcflush(self._slave, termios.TCIFLUSH)
