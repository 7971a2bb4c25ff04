"""The wire form `counts`: a signed whole number of counts a line, with their length in the settings."""

from __future__ import annotations

import re
from collections.abc import Callable

from drivers.indicators.line import BLANKS, LineDecoder
from drivers.indicators.protocol import IndicatorDriver, ScaledSettings, doubts
from drivers.reading import Reading

_COUNT = re.compile(rb"([+-]?)[ \t]*(\d{1,12})")


def _parser(settings: ScaledSettings) -> Callable[[bytes], Reading | None]:
    scale_nm, unit = settings.scale_nm, settings.unit

    def parse(line: bytes) -> Reading | None:
        match = _COUNT.fullmatch(line.strip(BLANKS))
        if match is None:
            return None
        value_nm = round(int(match[1] + match[2]) * scale_nm)  # a Fraction: exact, ties to even
        return Reading(value_nm, unit, doubts(settings, value_nm, unit))

    return parse


def _decoder(settings: ScaledSettings) -> LineDecoder[Reading]:
    return LineDecoder(_parser(settings))


DRIVER = IndicatorDriver(
    name="counts",
    summary="text lines with a signed whole number each; the setting `scale` is the length of one count",
    settings=ScaledSettings,
    decoder=_decoder,
)
