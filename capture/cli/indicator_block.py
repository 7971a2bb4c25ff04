"""What `strokelog listen` found, as the settings file's part `[indicator]`: to paste, or written there."""

from __future__ import annotations

import json
from pathlib import Path

from capture.cli.options import fail
from capture.plumbing.durable import written
from capture.plumbing.outward import say
from drivers.identify import HeardAtBaud, WireFit
from drivers.indicators.protocol import NM_PER_UNIT
from drivers.port_names import lasting_path, udev_rule, usb_adapter
from drivers.units import format_length

#: From so many different values on, the step that they keep is the display's and no accident.
_ENOUGH_VALUES = 20


def indicator_block(port: str, fit: WireFit, heard: HeardAtBaud) -> str:
    """Return the block; what the bytes could not tell stands in it as a comment with what to look for."""
    values = {**fit.settings, "baud": heard.baud}
    values |= {} if heard.sends == "stream" else {"sends": heard.sends}
    lines = ["[indicator]", f"port = {json.dumps(lasting_path(port))}", f"driver = {json.dumps(fit.driver)}"]
    guess = "  # a guess: what one count is long"
    marks = {"scale": guess if fit.guessed_scale else ""}
    lines += [f"{key} = {json.dumps(value)}{marks.get(key, '')}" for key, value in values.items()]
    unit = fit.sample[-1].unit
    if not fit.names_unit:
        lines.append('# unit = "in"  # or "mm": it names none; its display says which')
    elif "unit" not in values and unit == "in":
        lines.append('unit = "in"')
    if "resolution" not in values:
        lines.append(_resolution(fit))
    lines.append('# max_error = "0.02 mm"  # from its data sheet: plus or minus')
    return "\n".join(lines) + "\n"


def _resolution(fit: WireFit) -> str:
    unit = fit.sample[-1].unit
    if not fit.step_nm or fit.values < _ENOUGH_VALUES or fit.guessed_scale:
        return '# resolution = "0.01 mm"  # its display\'s smallest step: move it more'
    places = next(n for n in range(7) if fit.step_nm * 10**n % NM_PER_UNIT[unit] == 0)
    if not fit.names_unit:
        step = format_length(fit.step_nm, unit, places).split(" ")[0]
        return f'# resolution = "{step} in"  # in its unit: all {fit.values} values kept it'
    step = format_length(fit.step_nm, unit, places)
    return f'resolution = "{step}"  # all {fit.values} values kept it; see its data sheet'


def show_block(port: str, fit: WireFit, heard: HeardAtBaud) -> None:
    """Print the block to paste."""
    say("Hold the readings against the display. If they agree, this is its part of the settings file:")
    say()
    say(indicator_block(port, fit, heard))


def write_block(port: str, fit: WireFit, heard: HeardAtBaud, path: Path) -> None:
    """Add the block to the settings file at `path`, which is begun where there is none; exit where that cannot be."""
    from capture.config import SETTINGS_FILE, ConfigError

    if not fit.names_unit:
        fail("not written: it names no unit; say which its display shows, --set unit=in or --set unit=mm", 2)
    if fit.guessed_scale:
        fail("not written: say how long a count is, such as --set scale='0.01 mm'", 2)
    before = ""
    if path.exists():
        try:
            before = SETTINGS_FILE.text(path)
            raw = SETTINGS_FILE.table(before, path)
        except ConfigError as error:
            fail(f"not written: {error}")
        if "indicator" in raw:
            fail(f"not written: {path} has an [indicator] already; change it there to this")
        before = before.rstrip() + "\n\n" if before.strip() else ""
    path.parent.mkdir(parents=True, exist_ok=True)
    with written(path) as file:
        file.write((before + indicator_block(port, fit, heard)).encode())
    say(f"Written to {path}.")


def show_rule(port: str) -> None:
    """Print the udev rule that keeps the name /dev/indicator for the adapter at `port`; exit where it has none."""
    adapter = usb_adapter(port)
    if adapter is None:
        fail(f"{port} is no USB adapter of this computer; a udev rule needs one")
    say("# As root, into /etc/udev/rules.d/60-indicator.rules; then: udevadm control --reload && udevadm trigger")
    if not adapter.serial:
        say("# This adapter has no serial number of its own: the rule takes any of its kind, so plug in one alone.")
    say(udev_rule(adapter, "indicator"))
