"""The wire form `registers`: a reading in one or two Modbus RTU registers, polled.

Functions 3 and 4 of the Modbus Application Protocol V1.1b3; `drivers.modbus` finds the frames.
"""

from __future__ import annotations

import warnings
from typing import ClassVar, Literal

from pydantic import Field

from drivers.indicators.protocol import IndicatorDriver, ScaledSettings, doubts, interval_ns
from drivers.modbus import EXCEPTION, AnswerFinder, build_request
from drivers.reading import Reading

__all__ = ["DRIVER", "RegistersDecoder", "RegistersSettings"]

_FUNCTION_CODES = {"holding": 3, "input": 4}
_CRC_LENGTH = 2

with warnings.catch_warnings():
    # pydantic warns that `register` hides ABCMeta.register. That is a method of the metaclass, which no
    # instance has, and `register` is what the trade calls the thing.
    warnings.filterwarnings("ignore", message='Field name "register"', category=UserWarning)

    class RegistersSettings(ScaledSettings):
        """Settings of `registers`; `scale` is the length of one count of the register."""

        why_no_single_values: ClassVar[str] = "an instrument that is asked for its readings sends none at a press"

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
    """Reads the answers of one instrument to one request.

    An exception answer, the echo of the request and the answers of other instruments on the line are no frame.
    """

    farthest_nm = None

    def __init__(self, settings: RegistersSettings) -> None:
        self._settings = settings
        self._scale_nm = settings.scale_nm
        length = settings.words * 2
        self._answers = AnswerFinder(settings.device, {_FUNCTION_CODES[settings.function]: (bytes((length,)), length)})
        self._refused = 0
        self.skipped = 0

    def feed(self, data: bytes) -> list[Reading]:
        """Take the next bytes; return the readings of the frames they complete."""
        readings = []
        for frame in self._answers.feed(data):
            if frame[1] & EXCEPTION:
                self._refused += len(frame) + _CRC_LENGTH
            else:
                readings.append(self._reading(frame[3:]))
        self.skipped = self._answers.skipped + self._refused
        return readings

    def finish(self) -> list[Reading]:
        """Count an unfinished frame as skipped; nothing is ever held back."""
        self._answers.finish()
        self.skipped = self._answers.skipped + self._refused
        return []

    @property
    def holds_nothing(self) -> bool:
        """Whether what comes next begins an answer."""
        return self._answers.holds_nothing

    def whole(self, chunk: bytes) -> Reading | None:
        """Return what an answer by itself reads as; None where a chunk is none, or refuses."""
        frame = self._answers.whole(chunk)
        return None if frame is None or frame[1] & EXCEPTION else self._reading(frame[3:])

    def goes_on(self, reading: Reading) -> bool:
        """Say that a whole answer is one, whatever came before."""
        return True

    def took(self, count: int, newest: Reading, chunk: bytes) -> None:
        """So many whole answers were taken: nothing is left of them."""

    def _reading(self, data: bytes) -> Reading:
        settings = self._settings
        if settings.word_order == "little":
            data = data[2:] + data[:2]
        value_nm = round(int.from_bytes(data, "big", signed=settings.signed) * self._scale_nm)
        return Reading(value_nm, settings.unit, doubts(settings, value_nm, settings.unit))


def _request(settings: RegistersSettings) -> bytes:
    from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

    ask = ReadInputRegistersRequest if settings.function == "input" else ReadHoldingRegistersRequest
    return build_request(ask(address=settings.register, count=settings.words, dev_id=settings.device))


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
