"""What `strokelog listen` prints: the ports there are, which driver fits, or one driver live."""

from __future__ import annotations

import asyncio
import json

from capture.plumbing.outward import warn, write
from drivers.identify import BAUDS, HeardAtBaud, best, listen_live, survey
from drivers.indicators.protocol import IndicatorDriver, IndicatorSettings
from drivers.keyboard_port import keyboards
from drivers.transport import list_ports
from drivers.units import format_length

#: A driver that fits worse than this only by accident yields readings; naming it would mislead.
_WORTH_A_LINE = 0.05


def _say(text: str) -> None:
    write(f"{text}\n")


def list_them(as_json: bool) -> int:
    """Print the serial ports of this computer, and its keyboards; 0 if there are any, 1 if not."""
    ports = list_ports()
    for port in ports:
        if as_json:
            _say(json.dumps({"port": port.device, "description": port.description}))
        else:
            _say(f"{port.device}  {port.description}")
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


async def name_the_form(port: str, bauds: list[int] | None, seconds: float, as_json: bool) -> int:
    """Listen at each baud and say which driver fits and how sure that is; 1 if none does."""
    heard = await survey(port, bauds or BAUDS, seconds)
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
                        }
                    )
                )
        return 0 if heard and best(heard[0].fits) else 1
    return _name_for_people(port, heard)


def _sends(heard: HeardAtBaud) -> dict[str, str]:
    """Return the setting that says how it sends, where that is not the usual way."""
    return {} if heard.sends == "stream" else {"sends": heard.sends}


def _name_for_people(port: str, heard: list[HeardAtBaud]) -> int:
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
            newest = ", ".join(format_length(reading.value_nm, reading.unit) for reading in fit.sample[-3:])
            settings = "".join(f" --set {key}={json.dumps(value)}" for key, value in fit.settings.items())
            _say(f"  {fit.driver}{settings}: {fit.readings} readings, fits {fit.confidence:.0%}; newest {newest}")
    leading = best(heard[0].fits)
    if leading is None:
        _say("No driver fits. Check framing (--set framing=7E1) and wiring, or record it and write a driver.")
        return 1
    told = {**leading.settings, **_sends(heard[0])}
    settings = "".join(f" --set {key}={json.dumps(value)}" for key, value in told.items())
    _say(f"Best: --driver {leading.driver} --set baud={heard[0].baud}{settings}  (fits {leading.confidence:.0%})")
    _say("Move the plunger and hold the readings against the display before you trust it.")
    return 0


async def follow(port: str, driver: IndicatorDriver, settings: IndicatorSettings, seconds: float, as_json: bool) -> int:
    """Show raw bytes and readings as they come for `seconds`; 1 if no reading came."""
    count = 0
    started: int | None = None
    try:
        async with asyncio.timeout(seconds):
            async for t_ns, data, readings in listen_live(port, driver, settings):
                started = t_ns if started is None else started
                count += len(readings)
                at = (t_ns - started) / 1e9
                if as_json:
                    values = [reading.value_nm for reading in readings]
                    _say(json.dumps({"t_ns": t_ns - started, "data": data.decode("latin-1"), "values_nm": values}))
                else:
                    shown = ", ".join(format_length(r.value_nm, r.unit) for r in readings) or "no frame yet"
                    _say(f"{at:8.3f} s  {_raw(data)}  {shown}")
    except TimeoutError:
        pass
    return 0 if count else 1
