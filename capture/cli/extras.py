"""What a bench does not need and a command may: the parts of the installation that are left out unless asked for."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from typing import Final

from capture.cli.options import fail

#: An extra of pyproject.toml: what needs it, and the modules that it brings.
EXTRAS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "demo": ("the demo's broker", ("amqtt",)),
    "paper": ("a report", ("jinja2", "weasyprint", "fontTools", "fontpkg_arimo")),
    "web": ("a page", ("aiohttp",)),
    "postgres": ("a PostgreSQL database", ("psycopg",)),
    "parquet": ("Parquet", ("pyarrow",)),
    "stamps": ("a time stamp", ("rfc3161_client", "cryptography")),
    "plant": ("a plant's system ([plant] in the settings)", ("google.protobuf",)),
    "keyboard": ("an indicator that is a keyboard", ("evdev",)),
}


def need(extra: str) -> None:
    """Exit, saying in one sentence what is missing and the command that installs it, unless `extra` is installed."""
    what, modules = EXTRAS[extra]
    missing = [name for name in modules if not _there(name)]
    if missing:
        here = f"{sys.executable} -m pip install 'strokelog[{extra}]'"
        fail(f"{what} needs {' and '.join(missing)}, not installed here; this installs it: {here}", 2)


def _there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except ModuleNotFoundError:  # what it is a part of
        return False
