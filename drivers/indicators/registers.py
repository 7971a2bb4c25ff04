"""The wire form `registers`: a reading in one or two Modbus RTU registers, polled.

The frames are those of Modbus over Serial Line V1.02 and the Modbus Application Protocol V1.1b3, functions 3
and 4; pymodbus builds the requests and computes the CRC.
"""

from __future__ import annotations

import warnings
from typing import Literal

from pydantic import Field

from drivers.indicators.protocol import IndicatorDriver, ScaledSettings, doubts, interval_ns
from drivers.reading import Reading

__all__ = ["DRIVER", "RegistersDecoder", "RegistersSettings"]

_FUNCTION_CODES = {"holding": 3, "input": 4}
_EXCEPTION = 0x80
_EXCEPTION_LENGTH = 5

with warnings.catch_warnings():
    # pydantic warns that `register` hides ABCMeta.register. That is a method of the metaclass, which no
    # instance has, and `register` is what the trade calls the thing.
    warnings.filterwarnings("ignore", message='Field name "register"', category=UserWarning)

    class RegistersSettings(ScaledSettings):
        """Settings of `registers`; `scale` is the length of one count of the register."""

        device: int = Field(default=1, ge=1, le=247)
        """The address of the instrument on the line."""
        function: Literal["input", "holding"] = "holding"
        register: int = Field(default=0, ge=0, le=0xFFFF)
        """The first register as it is sent, counted from zero."""
        words: int = Field(default=1, ge=1, le=2)
        """Registers a reading: one is 16 bits, two are 32."""
        word_order: Literal["big", "little"] = "big"
        """Of two registers, whether the first is the high ("big") or the low ("little") one."""
        signed: bool = True
        """Whether the value is in two's complement."""
        rate: float = Field(default=10.0, gt=0, le=1000)
        """How often to ask, hertz."""


class RegistersDecoder:
    """Finds the answers of one instrument to one request by address, function, length and CRC.

    What does not check is dropped a byte at a time until something does. An exception answer, the echo of the
    request and the answers of other instruments on the line are no frame.
    """

    def __init__(self, settings: RegistersSettings) -> None:
        from pymodbus.framer import FramerRTU  # here, as it costs a tenth of a second

        self.skipped = 0
        self._settings = settings
        self._scale_nm = settings.scale_nm
        self._crc = FramerRTU.compute_CRC
        code = _FUNCTION_CODES[settings.function]
        self._head = bytes((settings.device, code, settings.words * 2))
        self._exception_head = bytes((settings.device, code | _EXCEPTION))
        self._buffer = b""

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings of the frames they complete."""
        buffer = self._buffer + data
        readings = []
        at = 0
        while (left := len(buffer) - at) > 0:
            length = self._frame_length(buffer[at : at + len(self._head)])
            if length > left:
                break
            frame = buffer[at : at + length]
            if length == 1 or not self._checks(frame):
                self.skipped += 1
                at += 1
                continue
            at += length
            if frame.startswith(self._head):
                readings.append(self._reading(frame[3:-2]))
            else:
                self.skipped += length
        self._buffer = buffer[at:]
        return readings

    def finish(self) -> list[Reading]:
        """Count an unfinished frame as skipped; nothing is ever held back."""
        self.skipped += len(self._buffer)
        self._buffer = b""
        return []

    def _frame_length(self, head: bytes) -> int:
        """Return how long a frame that begins so is; 1 if none does."""
        if head.startswith(self._exception_head):
            return _EXCEPTION_LENGTH
        return len(self._head) + self._head[2] + 2 if self._head.startswith(head) else 1

    def _checks(self, frame: bytes) -> bool:
        return self._crc(frame[:-2]) == int.from_bytes(frame[-2:], "big")

    def _reading(self, data: bytes) -> Reading:
        settings = self._settings
        if settings.word_order == "little":
            data = data[2:] + data[:2]
        value_nm = round(int.from_bytes(data, "big", signed=settings.signed) * self._scale_nm)
        return Reading(value_nm, settings.unit, doubts(settings, value_nm, settings.unit))


def _request(settings: RegistersSettings) -> bytes:
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU
    from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

    ask = ReadInputRegistersRequest if settings.function == "input" else ReadHoldingRegistersRequest
    request = ask(address=settings.register, count=settings.words, dev_id=settings.device)
    return FramerRTU(DecodePDU(is_server=False)).buildFrame(request)


def _poll_interval_ns(settings: RegistersSettings) -> int:
    return interval_ns(settings.rate)


DRIVER = IndicatorDriver(
    name="registers",
    summary="Modbus RTU input or holding registers, one or two words, polled",
    settings=RegistersSettings,
    decoder=RegistersDecoder,
    request=_request,
    poll_interval_ns=_poll_interval_ns,
)
