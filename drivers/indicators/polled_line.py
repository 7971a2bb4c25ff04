"""The wire form `polled-line`: as `line`, but the instrument answers only when it is asked."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import ClassVar

from pydantic import Field, field_validator

from drivers.indicators.line import BLANKS, DisplayDecoder, LineSettings, line_parser
from drivers.indicators.protocol import IndicatorDriver, interval_ns
from drivers.reading import Reading

_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]{2}|.?)", re.DOTALL)
_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "0": "\0", "\\": "\\"}


def _unescape(match: re.Match[str]) -> str:
    code = match[1]
    if code in _ESCAPES:
        return _ESCAPES[code]
    if len(code) == 3:
        return chr(int(code[1:], 16))
    raise ValueError(f"request: unknown escape {match[0]!r}; expected \\r, \\n, \\t, \\0, \\\\ or \\xHH")


class PolledLineSettings(LineSettings):
    """Settings of `polled-line`."""

    why_no_single_values: ClassVar[str] = "an instrument that is asked for its readings sends none at a press"

    request: str = Field(default="?\\r", min_length=1)
    """The text that asks for one reading, with the escapes \\r \\n \\t \\0 \\\\ and \\xHH."""
    rate: float = Field(default=10.0, gt=0, le=1000)
    """How often to ask, hertz."""

    @field_validator("request")
    @classmethod
    def _check_request(cls, request: str) -> str:
        if max(_ESCAPE.sub(_unescape, request)) > "\xff":
            raise ValueError(f"request: {request!r} has a character above \\xff; expected single bytes")
        return request

    @property
    def request_bytes(self) -> bytes:
        """The request as it goes over the wire."""
        return _ESCAPE.sub(_unescape, self.request).encode("latin-1")


def _parser(settings: PolledLineSettings) -> Callable[[bytes], Reading | None]:
    parse = line_parser(settings)
    echo = settings.request_bytes.strip(BLANKS + b"\r\n")

    def parse_after_echo(line: bytes) -> Reading | None:
        # A two-wire line hears its own request; where that has no line end, the answer stands right after it.
        reading = parse(line)
        if reading is None and echo:
            text = line.strip(BLANKS)
            if text.startswith(echo):
                reading = parse(text[len(echo) :])
        return reading

    return parse_after_echo


def _decoder(settings: PolledLineSettings) -> DisplayDecoder:
    return DisplayDecoder(_parser(settings), settings.decimal, settings)


def _request(settings: PolledLineSettings) -> bytes:
    return settings.request_bytes


def _poll_interval_ns(settings: PolledLineSettings) -> int:
    return interval_ns(settings.rate)


DRIVER = IndicatorDriver(
    name="polled-line",
    summary="text lines as in `line`, each the answer to a request",
    settings=PolledLineSettings,
    decoder=_decoder,
    request=_request,
    poll_interval_ns=_poll_interval_ns,
)
