"""Names of a serial port that stay: its path by the adapter's own serial number, and a udev rule that gives it another.

`/dev/ttyUSB0` is whichever adapter was plugged in first.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

_BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class UsbAdapter:
    """The USB adapter of a port, as it names itself: vendor and product number, and its serial number or ""."""

    vendor: int
    product: int
    serial: str


def lasting_path(port: str, by_id: Path = _BY_ID) -> str:
    """Return the path below `by_id` that leads to the same device; else `port` as seen from any folder."""
    device = Path(port)
    if not device.exists():
        return port
    real, port = device.resolve(), str(device.absolute())
    links = sorted(by_id.iterdir()) if by_id.is_dir() else []
    return next((str(link) for link in links if link.resolve() == real), port)


def usb_adapter(port: str) -> UsbAdapter | None:
    """Return the USB adapter behind a device path, None where the port has none."""
    real = str(Path(port).resolve())
    for one in list_ports.comports():
        if one.device == real and one.vid is not None and one.pid is not None:
            return UsbAdapter(one.vid, one.pid, one.serial_number or "")
    return None


def udev_rule(adapter: UsbAdapter, name: str) -> str:
    """Return the udev rule that keeps `/dev/NAME` for this adapter, readable by the group `dialout`.

    udev(7): every match must hold. An adapter without a serial number is any of its product.
    """
    matches = ['SUBSYSTEM=="tty"', f'ATTRS{{idVendor}}=="{adapter.vendor:04x}"']
    matches.append(f'ATTRS{{idProduct}}=="{adapter.product:04x}"')
    serial = "".join(letter for letter in adapter.serial if letter.isalnum() or letter in "-_.:")
    if serial and serial == adapter.serial:
        matches.append(f'ATTRS{{serial}}=="{serial}"')
    return ", ".join([*matches, f'SYMLINK+="{name}"', 'GROUP="dialout"', 'MODE="0660"'])
