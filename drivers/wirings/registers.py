"""The wiring `registers`: a Modbus RTU module with a coil for the valve, a discrete input for the button, a register
for the pressure, polled one after the other.

Only what reads the coil back tells what the valve does: the answer to a write is the same bytes as the request, which
a two-wire line may echo by itself, so it proves nothing and is passed over.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.modbus import EXCEPTION, AnswerFinder, build_request
from drivers.units import parse_pressure
from drivers.wirings.protocol import (
    COMMAND_INTERVAL_NS,
    Button,
    FixtureDriver,
    FixtureFault,
    FixtureSettings,
    Heartbeat,
    Pressure,
    Signal,
    Valve,
)

__all__ = ["DRIVER", "FixtureRegistersSettings", "RegistersCodec"]

_READ_COILS, _READ_INPUTS, _READ_HOLDING, _READ_INPUT_REGISTERS, _WRITE_COIL = 1, 2, 3, 4, 5
_MILLION = 1_000_000

#: Modbus Application Protocol V1.1b3, 7.
_REFUSALS = {
    1: "it does not know this function",
    2: "it has no such address",
    3: "it does not take this value",
    4: "it failed",
    6: "it is busy",
}
_ASKED = {
    _READ_COILS: "the valve's coil",
    _READ_INPUTS: "the button's input",
    _READ_HOLDING: "the pressure's register",
    _READ_INPUT_REGISTERS: "the pressure's register",
    _WRITE_COIL: "the command to the valve's coil",
}


def _none(value: Any) -> Any:
    """Accept "none" (as typed on a command line or in TOML, which has no null)."""
    return None if value == "none" else value


Address = Annotated[int, Field(ge=0, le=0xFFFF)]
OptionalAddress = Annotated[Address | None, BeforeValidator(_none)]


class FixtureRegistersSettings(FixtureSettings):
    """Settings of `registers`. Addresses are as they are sent, counted from zero."""

    baud: int = Field(default=19200, gt=0)
    device: int = Field(default=1, ge=1, le=247)
    """The address of the module on the line."""
    valve_coil: Address = 0
    button_input: OptionalAddress = 0
    """The discrete input of the apply button, "none" if there is no button."""
    pressed: Literal["on", "off"] = "on"
    """How the input stands while the button is pressed."""
    pressure_register: OptionalAddress = 0
    """The first register of the pressure, "none" if there is no sensor."""
    pressure_function: Literal["input", "holding"] = "input"
    words: int = Field(default=1, ge=1, le=2)
    """Registers the pressure takes: one is 16 bits, two are 32."""
    word_order: Literal["big", "little"] = "big"
    signed: bool = True
    scale: float = 1.0
    """How many of `unit` one count is."""
    unit: str = "kPa"
    """The unit of pressure that `scale` counts in."""
    zero: int = 0
    """The register's count at no gauge pressure."""
    rate: float = Field(default=12.5, ge=5, le=100)
    """How often to ask for each of valve and pressure, hertz; for the button it asks twice as often."""
    turnaround_ms: int = Field(default=15, ge=1, le=100)
    """The time to leave between the beginnings of two requests: both ways on the wire, and the module's own delay."""

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.pascals_per_count == 0:
            raise ValueError("scale: zero says nothing of a pressure; expected such as 0.1 with unit 'kPa'")
        busy_ms = (len(self.asked) * self.rate + 1_000_000_000 / COMMAND_INTERVAL_NS) * self.turnaround_ms
        if busy_ms > 900:
            raise ValueError(
                f"rate: {self.rate} Hz leaves no room on the line, which would be busy {busy_ms:.0f} ms in a second; "
                "expected at most 900; lower rate or turnaround_ms"
            )
        return self

    @property
    def pascals_per_count(self) -> Fraction:
        """How many pascals one count is; raises ValueError if `unit` is none of pressure."""
        return Fraction(str(self.scale)) * Fraction(parse_pressure(f"{_MILLION} {self.unit}"), _MILLION)

    @property
    def asked(self) -> list[tuple[int, int, int]]:
        """Function, first address and count of everything that is polled, in order; the button after everything else,
        since the valve waits for its release."""
        asked = [(_READ_COILS, self.valve_coil, 1)]
        if self.pressure_register is not None:
            function = _READ_INPUT_REGISTERS if self.pressure_function == "input" else _READ_HOLDING
            asked.append((function, self.pressure_register, self.words))
        if self.button_input is not None:
            button = (_READ_INPUTS, self.button_input, 1)
            asked = [one for other in asked for one in (other, button)]
        return asked


class RegistersCodec:
    """Asks for one thing after the other, and reads what one module answers."""

    def __init__(self, settings: FixtureRegistersSettings) -> None:
        from pymodbus.pdu import bit_message, register_message

        self.skipped = 0
        self._settings = settings
        self._pascals = settings.pascals_per_count
        self._pressed: bool | None = None
        kinds = {
            _READ_COILS: bit_message.ReadCoilsRequest,
            _READ_INPUTS: bit_message.ReadDiscreteInputsRequest,
            _READ_HOLDING: register_message.ReadHoldingRegistersRequest,
            _READ_INPUT_REGISTERS: register_message.ReadInputRegistersRequest,
        }
        self._requests = [
            build_request(kinds[function](address=address, count=count, dev_id=settings.device))
            for function, address, count in settings.asked
        ]
        self._next = 0
        self._commands = [
            build_request(
                bit_message.WriteSingleCoilRequest(address=settings.valve_coil, bits=[on], dev_id=settings.device)
            )
            for on in (False, True)
        ]
        expected = {_WRITE_COIL: (settings.valve_coil.to_bytes(2, "big"), 2)}
        for function, _, count in settings.asked:
            length = 1 if function in (_READ_COILS, _READ_INPUTS) else 2 * count
            expected[function] = (bytes((length,)), length)
        self._answers = AnswerFinder(settings.device, expected)

    def feed(self, data: bytes) -> list[Signal]:
        """Take received bytes, cut anywhere; return the signals of the answers they complete."""
        signals: list[Signal] = []
        for frame in self._answers.feed(data):
            signals += self._meaning(frame)
        self.skipped = self._answers.skipped
        return signals

    def finish(self) -> list[Signal]:
        """Drop an unfinished answer."""
        self._answers.finish()
        self.skipped = self._answers.skipped
        self._pressed = None
        self._next = 0
        return []

    def command(self, valve_open: bool) -> bytes:
        """Return the request that writes the valve's coil."""
        return self._commands[valve_open]

    def poll(self) -> bytes:
        """Return the next request: the coil, the button, the pressure, the button, and round again."""
        request = self._requests[self._next]
        self._next = (self._next + 1) % len(self._requests)
        return request

    def _meaning(self, frame: bytes) -> list[Signal]:
        function = frame[1]
        if function & EXCEPTION:
            return [Heartbeat(), FixtureFault(self._refusal(function & ~EXCEPTION, frame[2]))]
        if function == _WRITE_COIL:
            return []
        if function == _READ_COILS:
            return [Heartbeat(), Valve(bool(frame[3] & 1))]
        if function == _READ_INPUTS:
            pressed = bool(frame[3] & 1) == (self._settings.pressed == "on")
            if pressed == self._pressed:
                return [Heartbeat()]
            self._pressed = pressed
            return [Heartbeat(), Button(pressed)]
        return [Heartbeat(), Pressure(self._pressure_pa(frame[3:]))]

    def _pressure_pa(self, data: bytes) -> int:
        if self._settings.word_order == "little":
            data = data[2:] + data[:2]
        count = int.from_bytes(data, "big", signed=self._settings.signed)
        return round((count - self._settings.zero) * self._pascals)

    def _refusal(self, function: int, code: int) -> str:
        why = _REFUSALS.get(code, f"exception {code}")
        return f"the module refuses {_ASKED[function]}: {why}; check the addresses in the fixture's settings"


def _poll_interval_ns(settings: FixtureRegistersSettings) -> int:
    return round(1_000_000_000 / (settings.rate * len(settings.asked)))


def _write_gap_ns(settings: FixtureRegistersSettings) -> int:
    return settings.turnaround_ms * 1_000_000


DRIVER = FixtureDriver(
    name="registers",
    summary="a Modbus RTU module: a coil for the valve, a discrete input for the button, a register for the pressure",
    settings=FixtureRegistersSettings,
    codec=RegistersCodec,
    closes_without_daemon=(
        "the module's communication watchdog, if it has one and it is set (set 500 ms); without one nothing shuts the "
        "valve, and the hard-wired release is all there is"
    ),
    has_heartbeat=True,
    measures_pressure=lambda settings: settings.pressure_register is not None,
    poll_interval_ns=_poll_interval_ns,
    write_gap_ns=_write_gap_ns,
)
