"""What a fixture's microcontroller or Modbus module does, in software. Pure: no port, no thread, the clock an argument.

Each keeps its own fail-safe timer: with the valve open and no valid command for 500 ms it shuts the valve by itself,
and opens it again only after it has been told `shut`. `wrong` names what a broken one does instead.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from drivers.wirings.ascii import LONGEST_LINE, line, words_of
from drivers.wirings.registers import FixtureRegistersSettings

__all__ = ["FAIL_SAFE_NS", "AsciiFirmware", "Firmware", "RegistersFirmware", "ValveMove", "Why", "Wrong", "firmware_of"]

#: The longest time without a valid command for which an open valve stays open.
FAIL_SAFE_NS = 500_000_000
_STATE_INTERVAL_NS = 50_000_000
_SLOW_INTERVAL_NS = 700_000_000
_LATE_NS = 400_000_000
_BOUNCE_NS = 10_000_000

Wrong = Literal[
    "silent-start",  # never greets
    "any-checksum",  # takes commands whose check value is wrong
    "no-fail-safe",  # never shuts the valve by itself
    "late-fail-safe",  # shuts it 400 ms too late
    "reopens",  # takes `open` again without `shut` after it shut the valve by itself
    "slow",  # tells its state every 700 ms
    "stuck-shut",  # the valve never opens
    "stuck-open",  # the valve never shuts once open
    "no-button",  # never reports the button
    "off-scale",  # its pressure is off by 300 kPa
]


#: What moved the valve; a reset only where there is a processor to be reset.
Why = Literal["command", "fail-safe", "reset"]


@dataclass(frozen=True, slots=True)
class ValveMove:
    """The valve truly moved, at `t_ns` on the monotonic clock, nanoseconds."""

    t_ns: int
    open: bool
    why: Why


class Firmware(Protocol):
    """One controller: told what arrives and what time it is, asked what it sends."""

    valve_open: bool
    pressed: bool
    sensor_broken: bool
    moves: list[ValveMove]

    def receive(self, t_ns: int, data: bytes) -> None:
        """Take bytes from the host."""
        ...

    def tick(self, t_ns: int, pressure_pa: int) -> bytes:
        """Let time pass; return what is sent meanwhile."""
        ...


class _Valve:
    """The valve and its fail-safe timer."""

    def __init__(self, wrong: Collection[Wrong], fail_safe_ns: int | None) -> None:
        self.wrong = frozenset(wrong)
        self.valve_open = False
        self.pressed = False
        self.sensor_broken = False
        self.moves: list[ValveMove] = []
        self._fail_safe_ns = None if "no-fail-safe" in self.wrong else fail_safe_ns
        if self._fail_safe_ns is not None and "late-fail-safe" in self.wrong:
            self._fail_safe_ns += _LATE_NS
        self._heard_ns = 0
        self._armed = "reopens" in self.wrong

    def _command(self, t_ns: int, valve_open: bool) -> None:
        self._heard_ns = t_ns
        if not valve_open:
            self._armed = True
        if self._armed or not valve_open:
            self._move(t_ns, valve_open, "command")

    def _fail_safe(self, t_ns: int) -> bool:
        """Shut the valve if it is time; return whether that was now."""
        if not self.valve_open or self._fail_safe_ns is None or t_ns - self._heard_ns < self._fail_safe_ns:
            return False
        self._armed = "reopens" in self.wrong
        self._move(t_ns, False, "fail-safe")
        return True

    def _move(self, t_ns: int, valve_open: bool, why: Why) -> None:
        if valve_open == self.valve_open or ("stuck-shut" if valve_open else "stuck-open") in self.wrong:
            return
        self.valve_open = valve_open
        self.moves.append(ValveMove(t_ns, valve_open, why))

    def _shown_pa(self, pressure_pa: int) -> int:
        return pressure_pa + 300_000 if "off-scale" in self.wrong else pressure_pa


class AsciiFirmware(_Valve):
    """The fixture's side of `drivers/wirings/ascii.md`, version 1, as the firmware beside that does it."""

    def __init__(self, wrong: Collection[Wrong] = (), name: str = "simulated") -> None:
        super().__init__(wrong, FAIL_SAFE_NS)
        self.name = name
        self._buffer = b""
        self._too_long = False
        self._due_ns: int | None = None
        self._told = (False, False)
        self._down = self._raw_down = False
        self._raw_ns = 0
        self._to_send = b""
        self._greet()

    def receive(self, t_ns: int, data: bytes) -> None:
        """Take command lines, cut anywhere."""
        self._look_for_silence(t_ns)
        *whole, rest = (self._buffer + data).split(b"\n")
        for received in whole:
            if not self._too_long and len(received) < LONGEST_LINE:
                words = words_of(received)
                if words is None and "any-checksum" in self.wrong:
                    words = received.partition(b" ")[0].decode("latin-1")
                if words in ("open", "shut"):
                    self._command(t_ns, words == "open")
                elif words == "hello":
                    self._greet()
            self._too_long = False
        self._too_long = self._too_long or len(rest) >= LONGEST_LINE
        self._buffer = b"" if self._too_long else rest

    def tick(self, t_ns: int, pressure_pa: int) -> bytes:
        """Return the greeting and faults that wait, and the state when it is due or has changed."""
        self._look_for_silence(t_ns)
        pressed = self._debounced(t_ns) and "no-button" not in self.wrong
        changed = (self.valve_open, pressed) != self._told and "slow" not in self.wrong
        if self._due_ns is None:
            self._due_ns = t_ns + _STATE_INTERVAL_NS
        if changed or t_ns >= self._due_ns:
            self._told = (self.valve_open, pressed)
            self._due_ns = t_ns + (_SLOW_INTERVAL_NS if "slow" in self.wrong else _STATE_INTERVAL_NS)
            valve, button = "open" if self.valve_open else "shut", "down" if pressed else "up"
            self._to_send += line(
                f"state {valve} {button} {'-' if self.sensor_broken else self._shown_pa(pressure_pa)}"
            )
        sent, self._to_send = self._to_send, b""
        return sent

    def tell_fault(self, words: str) -> None:
        """Report a fault."""
        self._to_send += line(f"fault {words}")

    def _look_for_silence(self, t_ns: int) -> None:
        if self._fail_safe(t_ns):
            self._to_send += line("fault no command for 500 ms, valve shut")

    def _debounced(self, t_ns: int) -> bool:
        """Return the button as it has been for long enough to be believed."""
        if self.pressed != self._raw_down:
            self._raw_down, self._raw_ns = self.pressed, t_ns
        elif t_ns - self._raw_ns >= _BOUNCE_NS:
            self._down = self._raw_down
        return self._down

    def _greet(self) -> None:
        if "silent-start" not in self.wrong:
            self._to_send += line(f"fixture 1 {self.name}")


class RegistersFirmware(_Valve):
    """A Modbus RTU module wired as `settings` say, with a communication watchdog of `watchdog_ns`, None for none.

    Its requests are those of Modbus Application Protocol V1.1b3, 6.1 to 6.5, all of eight bytes. Any valid request
    feeds the watchdog, as such modules do; a coil that it cleared can be set again at once.
    """

    _REQUEST_LENGTH = 8

    def __init__(
        self, settings: FixtureRegistersSettings, wrong: Collection[Wrong] = (), watchdog_ns: int | None = FAIL_SAFE_NS
    ) -> None:
        from pymodbus.framer import FramerRTU

        super().__init__({*wrong, "reopens"}, watchdog_ns)
        self._settings = settings
        self._crc = FramerRTU.compute_CRC
        self._buffer = b""
        self._asked: list[bytes] = []

    def receive(self, t_ns: int, data: bytes) -> None:
        """Take requests, cut anywhere."""
        self._buffer += data
        while len(self._buffer) >= self._REQUEST_LENGTH:
            frame = self._buffer[: self._REQUEST_LENGTH]
            good = self._crc(frame[:-2]) == int.from_bytes(frame[-2:], "big") or "any-checksum" in self.wrong
            if not good or frame[0] != self._settings.device:
                self._buffer = self._buffer[1:]
                continue
            self._buffer = self._buffer[self._REQUEST_LENGTH :]
            self._heard_ns = t_ns
            if frame[1] == 5 and int.from_bytes(frame[2:4], "big") == self._settings.valve_coil:
                self._command(t_ns, frame[4:6] == b"\xff\x00")
            self._asked.append(frame[:-2])

    def tick(self, t_ns: int, pressure_pa: int) -> bytes:
        """Return the answers to what was asked."""
        self._fail_safe(t_ns)
        asked, self._asked = self._asked, []
        return b"".join(self._framed(self._answer(frame, pressure_pa)) for frame in asked)

    def _answer(self, frame: bytes, pressure_pa: int) -> bytes:
        settings, function, address = self._settings, frame[1], int.from_bytes(frame[2:4], "big")
        if function == 5 and address == settings.valve_coil:
            return frame
        if (function, address, int.from_bytes(frame[4:6], "big")) not in settings.asked:
            return bytes((frame[0], function | 0x80, 2))
        if function == 1:
            return bytes((frame[0], function, 1, self.valve_open))
        if function == 2:
            pressed = self.pressed and "no-button" not in self.wrong
            return bytes((frame[0], function, 1, pressed == (settings.pressed == "on")))
        length = 2 * settings.words
        count = round(self._shown_pa(pressure_pa) / settings.pascals_per_count) + settings.zero
        half = 1 << (8 * length - 1)
        low, high = (-half, half - 1) if settings.signed else (0, 2 * half - 1)
        data = min(max(count, low), high).to_bytes(length, "big", signed=settings.signed)
        if settings.word_order == "little":
            data = data[2:] + data[:2]
        return bytes((frame[0], function, length)) + data

    def _framed(self, answer: bytes) -> bytes:
        return answer + self._crc(answer).to_bytes(2, "big")


def firmware_of(name: str, *wrong: Wrong, watchdog_ns: int | None = FAIL_SAFE_NS) -> tuple[Firmware, dict[str, Any]]:
    """Make a fixture's twin by its driver's name; also return the settings of a driver that speaks with it."""
    if name == "ascii":
        return AsciiFirmware(wrong), {}
    values = {"scale": 0.1, "device": 5, "valve_coil": 3, "pressed": "off"}
    return RegistersFirmware(FixtureRegistersSettings(**values), wrong, watchdog_ns), values
