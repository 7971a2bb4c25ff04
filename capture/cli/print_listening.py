"""What `strokelog listen` prints: the ports there are, which driver fits, or one driver live."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Callable, Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from capture.plumbing.outward import warn, write
from capture.recordings.file import RecordedLine, read_recording
from capture.recordings.playback import PREFIX as RECORDED
from drivers.identify import BAUDS, HeardAtBaud, WireFit, best, decimals_of, fits, how_it_sends, listen_live, survey
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.keyboard_port import keyboards
from drivers.port_names import lasting_path
from drivers.reading import Reading
from drivers.transport import list_ports
from drivers.units import format_length

#: One that fits nearly as well as the first must be told from it by the display.
_RIVAL = 0.8
#: A driver that fits worse than this only by accident yields readings; naming it would mislead.
_WORTH_A_LINE = 0.05


def _say(text: str) -> None:
    write(f"{text}\n")


def list_them(as_json: bool) -> int:
    """Print the serial ports of this computer, and its keyboards; 0 if there are any, 1 if not."""
    ports = list_ports()
    for port in ports:
        if as_json:
            line = {"port": port.device, "description": port.description, "lasting": lasting_path(port.device)}
            _say(json.dumps(line))
        else:
            lasting = lasting_path(port.device)
            described = "not described" if port.description in ("", "n/a") else port.description
            _say(f"{port.device}  {described}" + (f"  {lasting}" if lasting != port.device else ""))
    typing = keyboards()
    for keyboard in typing:
        if as_json:
            _say(json.dumps({"port": keyboard, "description": "keyboard"}))
        else:
            _say(f"{keyboard}  a keyboard: an indicator that types, or the one you type on, which would be taken")
    if not ports and not typing:
        warn("strokelog: no serial port found; check the cable and `ls /dev/serial/by-id`")
    return 0 if ports or typing else 1


def _raw(data: bytes) -> str:
    """Bytes as a person can read them: text where it is text, hex where it is not."""
    if all(32 <= byte < 127 or byte in b"\r\n\t" for byte in data):
        return ascii(data.decode("ascii"))
    return data.hex(" ")


async def name_the_form(
    port: str, known: dict[str, Any], seconds: float, as_json: bool, settled: Callable[[WireFit, HeardAtBaud], None]
) -> int:
    """Listen at each baud and say which driver fits and how sure that is; 1 if none does.

    `known` are settings that are given. `settled` is told the driver that fits, and what was heard.
    """
    bauds = [int(known["baud"])] if str(known.get("baud", "")).isdigit() else BAUDS
    given = {key: value for key, value in known.items() if key != "baud"}
    if port.startswith(RECORDED):
        heard = [_heard_in(port, given)]
    else:
        heard = await survey(port, bauds, seconds, known=given or None, told=_tell_baud(port, seconds))
    if as_json:
        for one in heard:
            for fit in one.fits:
                _say(
                    json.dumps(
                        {
                            "baud": one.baud,
                            "driver": fit.driver,
                            "settings": {**fit.settings, **_sends(one)},
                            "readings": fit.readings,
                            "explained": round(fit.explained, 3),
                            "confidence": round(fit.confidence, 3),
                            "shown": fit.shown(fit.sample[-1]),
                            "names_unit": fit.names_unit,
                        }
                    )
                )
        return 0 if heard and best(heard[0].fits) else 1
    return _name_for_people(port, heard, settled)


def _bytes_in(lines: Iterable[RecordedLine]) -> Iterator[tuple[int, bytes]]:
    """Yield when the indicator's bytes of a recording came, ns since it was begun, and those bytes."""
    yield from ((line.t_ns, line.data) for line in lines if line.source == "indicator" and line.mark is None)


def _heard_in(port: str, known: dict[str, Any]) -> HeardAtBaud:
    """Return what was recorded, and what fits it."""
    header, lines = read_recording(Path(port.removeprefix(RECORDED)))
    chunks = list(_bytes_in(lines))
    data = b"".join(data for _, data in chunks)
    baud = int(header.indicator.get("baud", BAUDS[0]))
    return HeardAtBaud(baud, data, tuple(fits(data, known or None)), how_it_sends([t_ns for t_ns, _ in chunks]))


async def _recorded(
    port: str, driver: IndicatorDriver, settings: IndicatorSettings, seconds: float
) -> AsyncGenerator[tuple[int, bytes, list[Reading]], None]:
    """Yield the first `seconds` of a recording as a port would bring them."""
    decoder = driver.decoder(settings)
    _, lines = read_recording(Path(port.removeprefix(RECORDED)))
    with closing(lines):
        for t_ns, data in _bytes_in(lines):
            if t_ns > seconds * 1e9:
                break
            yield t_ns, data, decoder.feed(data)


def _sends(heard: HeardAtBaud) -> dict[str, str]:
    """Return the setting that says how it sends, where that is not the usual way."""
    return {} if heard.sends == "stream" else {"sends": heard.sends}


def _tell_baud(port: str, seconds: float) -> Callable[[int, int | None], None]:
    """Return what says at once, on standard error, that somebody listens and what came."""

    def tell(baud: int, heard: int | None) -> None:
        if heard is None:
            warn(f"listening at {port}, {baud} baud, for {seconds:g} s: move the plunger")
        elif not heard:
            warn("  nothing came: is it on? does it send by itself, or at a press of its data key?")

    return tell


def _name_for_people(port: str, heard: list[HeardAtBaud], settled: Callable[[WireFit, HeardAtBaud], None]) -> int:
    if not any(one.data for one in heard):
        _say(f"Nothing came from {port}. Is the instrument on, and does it send by itself? If it must be asked, try")
        _say("`--driver polled-line --set request='?\\r'`, or `--driver registers`.")
        _say("If it sends at a press of its key, press that about once a second while this listens.")
        return 1
    for one in heard:
        if not one.data:
            continue
        _say(f"{one.baud} baud, {len(one.data)} bytes, such as {_raw(one.data[:32])}")
        for fit in [fit for fit in one.fits[:3] if fit.confidence >= _WORTH_A_LINE]:
            newest = ", ".join(fit.shown(reading) for reading in fit.sample[-3:])
            settings = "".join(f" --set {key}={json.dumps(value)}" for key, value in fit.settings.items())
            _say(f"  {fit.driver}{settings}: {fit.readings} readings, fits {fit.confidence:.0%}; newest {newest}")
    leading = best(heard[0].fits)
    if leading is None and (still := heard[0].fits) and still[0].values == 1:
        _say(
            f"It stood still at {still[0].shown(still[0].sample[-1])}, which tells too little: move the plunger in and"
        )
        _say("out while this listens.")
        return 1
    if leading is None:
        _say("No driver fits. Check framing (--set framing=7E1) and wiring,")
        _say("or record it and write a driver.")
        return 1
    for question in open_questions(heard):
        _say(question)
    settled(leading, heard[0])
    return 0


def open_questions(heard: Sequence[HeardAtBaud]) -> list[str]:
    """Return what the bytes alone do not tell, each with what tells it."""
    leading = heard[0].fits[0]
    shown = leading.shown(leading.sample[-1])
    asked = []
    if not leading.names_unit:
        asked.append(f"{shown}, it names no unit: --set unit=in? or unit=mm? Its display says which.")
    if leading.guessed_scale:
        asked.append(
            "How long a count is cannot be heard. Move the plunger until the display has changed by 1.00 mm or "
            "0.1000 in, and divide that by the counts: --set scale='0.01 mm'."
        )
    if leading.values == 1:
        asked.append(f"It stood still at {shown}: move the plunger while it listens, so that it is more than a guess.")
    rivals = [
        (one.baud, fit)
        for one in heard
        for fit in one.fits
        if (one.baud, fit.driver) != (heard[0].baud, leading.driver) and fit.confidence >= _RIVAL * leading.confidence
    ]
    seen: set[tuple[int, str]] = set()
    for baud, fit in rivals:
        if (baud, fit.driver) in seen:
            continue
        seen.add((baud, fit.driver))
        other = f"{fit.driver} at {baud} baud" if baud != heard[0].baud else fit.driver
        asked.append(
            f"It may be {other} as well: then the display shows {fit.shown(fit.sample[-1])} at the end, with "
            f"{leading.driver} {shown}. Hold them against it; --driver {fit.driver} shows it live."
        )
    return asked


async def follow(port: str, driver: IndicatorDriver, settings: IndicatorSettings, seconds: float, as_json: bool) -> int:
    """Show raw bytes and readings as they come for `seconds`; 1 if no reading came."""
    count, decimals = 0, 2
    started: int | None = None
    try:
        async with asyncio.timeout(seconds):
            played = port.startswith(RECORDED)
            coming = _recorded(port, driver, settings, seconds) if played else listen_live(port, driver, settings)
            async for t_ns, data, readings in coming:
                started = t_ns if started is None else started
                count += len(readings)
                at = (t_ns - started) / 1e9
                if as_json:
                    values = [reading.value_nm for reading in readings]
                    _say(json.dumps({"t_ns": t_ns - started, "data": data.decode("latin-1"), "values_nm": values}))
                else:
                    decimals = max([decimals, *(decimals_of(r.value_nm, r.unit) for r in readings)])
                    shown = ", ".join(format_length(r.value_nm, r.unit, decimals) for r in readings) or "no frame yet"
                    _say(f"{at:8.3f} s  {_raw(data)}  {shown}")
    except TimeoutError:
        pass
    return 0 if count else 1
