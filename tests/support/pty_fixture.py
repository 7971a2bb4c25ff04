"""Puts an air-check fixture behind a real pseudo-terminal, so that it is driven as a real one is.

The controller is the twin, in a thread of its own, or the reference firmware in an emulated processor. Either runs on
its own, as a real one does: its fail-safe timer goes on while the event loop is busy, and after the program at the
other end was killed.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import termios
import threading
import time
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from capture.simulation.physics import MAX_STEP_S, PistonSimulator
from drivers.wirings.ascii import LONGEST_LINE, line
from tests.support.avr import built_emulator, built_firmware
from tests.support.firmware import AsciiFirmware, Firmware, ValveMove, Why
from tests.support.on_time import runs_on_time
from tests.support.watched import Watched

__all__ = ["EmulatedFixture", "FixturePort", "PtyFixture"]

#: One turn of the controller's loop, seconds.
_TURN_S = 0.002
_MOST_CAUGHT_UP_S = 1.0
#: Without a pack: the pressure that the regulator gives, and how fast a short hose fills and empties.
_SUPPLY_PA = 140_000.0
_FILL_S = 0.03


class FixturePort(Watched, ABC):
    """A fixture behind the symlink `path`, and the air at its valve. Use as a context manager, plain or async.

    A `piston` is filled and emptied by the valve in real time. Where something else steps the pack, such as a
    `PtyBench`, give `read_pressure_pa` instead and let that follow `valve_open`; without either there is an empty hose.
    Every method may be called from any thread.
    """

    def __init__(
        self,
        path: Path,
        *,
        piston: PistonSimulator | None = None,
        read_pressure_pa: Callable[[], float] | None = None,
    ) -> None:
        self.path = path
        self._piston = piston
        self._read_pressure_pa = read_pressure_pa
        self._hose_pa = 0.0
        self._forced_pa: int | None = None
        self._received = 0
        self._changed = threading.Condition()
        self.released_ns = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._now_ns = time.monotonic_ns()

    def __enter__(self) -> Self:
        self._switch_on()
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
        self._switch_off()

    async def __aenter__(self) -> Self:
        return self.__enter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.__exit__(kind, error, trace)

    # What a test or the demo may look at

    @property
    @abstractmethod
    def valve_open(self) -> bool:
        """Whether the valve truly is open."""

    @property
    @abstractmethod
    def moves(self) -> list[ValveMove]:
        """When the valve truly opened and shut, on the monotonic clock, and why."""

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

    def stood_still_ms(self, since_ns: int) -> float:
        """How long the controller's own time stood still since then, because this machine did not let it run."""
        return 0.0

    # What happens to it

    @abstractmethod
    def press(self) -> None:
        """Press the apply button and keep it pressed."""

    @abstractmethod
    def release(self) -> None:
        """Let the apply button go; `released_ns` says when that was, however long this machine took over it."""

    @abstractmethod
    def freeze(self, frozen: bool = True) -> None:
        """Say nothing any more, heartbeat and all, or speak again; commands are still obeyed."""

    @abstractmethod
    def send_garbage(self, data: bytes) -> None:
        """Send bytes that the firmware never would."""

    def over_pressure(self, pressure_pa: int | None) -> None:
        """Show this gauge pressure whatever the valve does, None for the true one again."""
        with self._changed:
            self._forced_pa = pressure_pa

    @abstractmethod
    def unplug(self) -> None:
        """Pull the cable: a reader meets a hang-up. The controller has its own supply and goes on."""

    @abstractmethod
    def replug(self) -> None:
        """Put the cable in: a new pty behind the same symlink."""

    # The controller's thread

    @abstractmethod
    def _switch_on(self) -> None: ...

    @abstractmethod
    def _switch_off(self) -> None: ...

    @abstractmethod
    def _await_news(self) -> None: ...

    @abstractmethod
    def _turn(self) -> None: ...

    def _run(self) -> None:
        runs_on_time()
        while not self._stop.is_set():
            self._await_news()
            with self._changed:
                t_ns = time.monotonic_ns()
                self._flow((t_ns - self._now_ns) / 1e9)
                self._now_ns = t_ns
                self._turn()
                self._changed.notify_all()

    def _flow(self, passed_s: float) -> None:
        """Let air flow for the time that passed."""
        left_s = min(passed_s, _MOST_CAUGHT_UP_S)
        if self._piston is None:
            target_pa = _SUPPLY_PA if self.valve_open else 0.0
            self._hose_pa += (target_pa - self._hose_pa) * min(1.0, left_s / _FILL_S)
            return
        while left_s > 1e-9:
            step_s = min(left_s, MAX_STEP_S)
            self._piston.step(step_s, self.valve_open)
            left_s -= step_s

    def _unlink(self) -> None:
        if self.path.is_symlink():
            self.path.unlink()


class PtyFixture(FixturePort):
    """The twin of a controller, run by a thread of this process."""

    def __init__(
        self,
        path: Path,
        firmware: Firmware | None = None,
        *,
        piston: PistonSimulator | None = None,
        read_pressure_pa: Callable[[], float] | None = None,
    ) -> None:
        super().__init__(path, piston=piston, read_pressure_pa=read_pressure_pa)
        self.firmware: Firmware = firmware if firmware is not None else AsciiFirmware()
        self._frozen = False
        self._raw = b""
        self._master = self._slave = -1

    @property
    def valve_open(self) -> bool:
        """Whether the valve truly is open."""
        return self.firmware.valve_open

    @property
    def moves(self) -> list[ValveMove]:
        """When the valve truly opened and shut, on the monotonic clock, and why."""
        with self._changed:
            return list(self.firmware.moves)

    def press(self) -> None:
        """Press the apply button and keep it pressed."""
        with self._changed:
            self.firmware.pressed = True

    def release(self) -> None:
        """Let the apply button go."""
        with self._changed:
            self.firmware.pressed = False
            self.released_ns = time.monotonic_ns()

    def freeze(self, frozen: bool = True) -> None:
        """Say nothing any more, heartbeat and all, or speak again; commands are still obeyed."""
        with self._changed:
            self._frozen = frozen

    def send_garbage(self, data: bytes) -> None:
        """Send bytes that the firmware never would."""
        with self._changed:
            self._raw += data

    def unplug(self) -> None:
        """Pull the cable: a reader meets a hang-up. The controller has its own supply and goes on."""
        with self._changed:
            for descriptor in (self._master, self._slave):
                if descriptor >= 0:
                    os.close(descriptor)
            self._master = self._slave = -1
            self._unlink()

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

    def _switch_on(self) -> None:
        self.replug()

    def _switch_off(self) -> None:
        self.unplug()

    def _await_news(self) -> None:
        master = self._master
        if master < 0:
            self._stop.wait(_TURN_S)
            return
        with contextlib.suppress(OSError, ValueError):  # unplugged meanwhile
            select.select([master], [], [], _TURN_S)

    def _turn(self) -> None:
        with contextlib.suppress(OSError):  # nothing there, or unplugged
            data = os.read(self._master, 4096)
            self._received += len(data)
            self.firmware.receive(self._now_ns, data)
        sent = self.firmware.tick(self._now_ns, self.pressure_pa)
        if self._frozen:
            sent = b""
        sent += self._raw
        self._raw = b""
        if sent and self._master >= 0:
            self._write(sent)

    def _write(self, data: bytes) -> None:
        """Send without waiting; what a reader that does not read has let pile up is thrown away as a whole."""
        for again in (False, True):
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._master, data) :]
            if not data or again:
                return
            termios.tcflush(self._master, termios.TCOFLUSH)
            termios.tcflush(self._slave, termios.TCIFLUSH)


class EmulatedFixture(FixturePort):
    """The reference firmware, or another build of it, in an emulated processor that is a process of its own.

    The sensor's voltage follows the air every few milliseconds. Its time runs as a real one's does; where a busy
    machine does not let it run for longer than 20 ms, its time stands still, and that is told.
    """

    #: The sensor's voltages, as the firmware takes them: a tenth of 5 V at none, nine tenths at full scale.
    FULL_SCALE_PA = 1_000_000
    #: How soon after `shut` the valve shuts if that is why.
    _OBEYED_NS = 30_000_000

    def __init__(
        self,
        path: Path,
        firmware: Path | None = None,
        *,
        piston: PistonSimulator | None = None,
        read_pressure_pa: Callable[[], float] | None = None,
    ) -> None:
        super().__init__(path, piston=piston, read_pressure_pa=read_pressure_pa)
        self._firmware = firmware or built_firmware()
        self._process: subprocess.Popen[bytes] | None = None
        self._moves: list[ValveMove] = []
        self._events = b""
        self._heard = b""
        self._shut_ns = self._reset_ns = -self._OBEYED_NS
        self._millivolts = -1
        self._still: list[tuple[int, int]] = []
        #: How often the processor started anew, simulated nanoseconds.
        self.resets: list[int] = []

    @property
    def valve_open(self) -> bool:
        """Whether the valve's pin truly is driven."""
        return bool(self._moves) and self._moves[-1].open

    @property
    def moves(self) -> list[ValveMove]:
        """When the valve's pin truly was driven and let go, on the monotonic clock, and why."""
        with self._changed:
            return list(self._moves)

    def stood_still_ms(self, since_ns: int) -> float:
        """How long the controller's own time stood still since then, because this machine did not let it run."""
        with self._changed:
            return sum(min(still_ns, end_ns - since_ns) for end_ns, still_ns in self._still if end_ns > since_ns) / 1e6

    def press(self) -> None:
        """Press the apply button and keep it pressed."""
        self._tell("button 1")

    def release(self) -> None:
        """Let the apply button go."""
        self._tell("button 0")
        self.released_ns = time.monotonic_ns()

    def freeze(self, frozen: bool = True) -> None:
        """Say nothing any more, heartbeat and all, or speak again; commands are still obeyed."""
        self._tell(f"mute {frozen:d}")

    def send_garbage(self, data: bytes) -> None:
        """Send bytes that the firmware never would."""
        self._tell(f"garble {data.hex()}")

    def unplug(self) -> None:
        """Pull the cable: a reader meets a hang-up. The controller has its own supply and goes on."""
        self._tell("unplug")
        self._unlink()

    def replug(self) -> None:
        """Put the cable in: a new pty behind the same symlink."""
        self._tell("plug")
        assert self.wait_for(self.path.is_symlink)

    def _switch_on(self) -> None:
        command = [str(built_emulator()), str(self._firmware)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        runs_on_time(self._process.pid)
        while not self.path.is_symlink():
            self._await_news()
            self._turn()

    def _switch_off(self) -> None:
        assert self._process is not None
        self._process.communicate()
        self._unlink()
        assert self._process.returncode == 0, "the emulator failed"

    def _tell(self, command: str) -> None:
        with self._changed:
            assert self._process is not None and self._process.stdin is not None
            self._process.stdin.write(command.encode() + b"\n")
            self._process.stdin.flush()

    def _await_news(self) -> None:
        assert self._process is not None
        select.select([self._process.stdout], [], [], 2 * _TURN_S)

    def _turn(self) -> None:
        assert self._process is not None and self._process.stdout is not None
        output = self._process.stdout.fileno()
        if select.select([output], [], [], 0)[0]:
            self._events += os.read(output, 65_536)
        *events, self._events = self._events.split(b"\n")
        for event in events:
            self._take(event.decode().split())
        share = 0.1 + 0.8 * self.pressure_pa / self.FULL_SCALE_PA
        if (millivolts := round(5000 * share)) != self._millivolts:
            self._millivolts = millivolts
            self._tell(f"millivolts {millivolts}")

    def _take(self, event: list[str]) -> None:
        match event:
            case ["port", name]:
                self._unlink()
                self.path.symlink_to(name)
            case ["heard", _, wall_ns, data]:
                heard = bytes.fromhex(data)
                self._received += len(heard)
                self._heard = (self._heard + heard)[-2 * LONGEST_LINE :]
                if line("shut") in self._heard[-len(heard) - len(line("shut")) + 1 :]:
                    self._shut_ns = int(wall_ns)
            case ["reset", _, wall_ns]:
                self._reset_ns = int(wall_ns)
                self.resets.append(int(wall_ns))
            case ["still", _, wall_ns, still_ns]:
                self._still.append((int(wall_ns), int(still_ns)))
            case ["valve", _, wall_ns, driven]:
                self._moves.append(ValveMove(int(wall_ns), driven == "1", self._why(int(wall_ns), driven == "1")))

    def _why(self, t_ns: int, driven: bool) -> Why:
        if driven or t_ns - self._shut_ns < self._OBEYED_NS:
            return "command"
        return "reset" if t_ns - self._reset_ns < self._OBEYED_NS else "fail-safe"
