"""What a bench as a service needs of its machine: the files that come with strokelog, and where each is put."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

#: The services' own word for the command in the files as they come; put in its place is where it is on this machine.
SHIPPED_COMMAND: Final = "/usr/bin/strokelog"
#: A unit's user is strokelog-BENCH: its characters are those of a user's name, which has 31 at most.
_BENCH_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,20}")
#: Boards and collectors have a user of the broker, or a settings file, by these names.
_TAKEN: Final = ("board", "collect", "collector")
SAMPLES: Final = "/etc/strokelog/samples"


class ServiceError(Exception):
    """A service cannot be installed or taken away; the text says why, and what to do. Nothing was changed."""


@dataclass(frozen=True, slots=True)
class Shipped:
    """A file to put in place."""

    path: str
    """Where, on the machine that will run it."""
    contents: bytes
    as_it_comes: bytes
    """The same before this machine's command was put in: what whoever copied it by hand has there."""
    bench: str = ""
    """Whose it is alone; empty for all benches' together."""
    to_edit: bool = False
    """Whether people are meant to change it, so that it is no news when they did."""


def shipped_folder() -> Path:
    """Return the folder of the files as they come: beside this module when installed, else in the checkout."""
    installed = Path(__file__).parent / "files"
    return installed if installed.is_dir() else Path(__file__).parents[3] / "systemd"


def check_bench(bench: str) -> None:
    """Refuse a name that a service's user, its settings file or the broker's rules cannot have; raises ServiceError."""
    if not _BENCH_NAME.fullmatch(bench):
        raise ServiceError(
            f"{bench!r} cannot be the name of a service; expected 1 to 21 letters, digits, hyphens and underscores "
            "that begin with a letter or digit, such as bay-1: its user is strokelog-NAME"
        )
    if bench in _TAKEN:
        raise ServiceError(f"{bench!r} is what boards and collectors are called; give the bench another name")


def shipped(benches: tuple[str, ...], command: str) -> list[Shipped]:
    """Return every file for these benches, with `command` as the program that the services run."""
    found = []
    for file in sorted(shipped_folder().iterdir()):
        raw = file.read_bytes()
        contents = raw.replace(SHIPPED_COMMAND.encode(), command.encode())
        if file.name == "bench.toml":
            for bench in benches:
                own = raw.replace(b"bay-1", bench.encode())
                found.append(Shipped(f"/etc/strokelog/{bench}.toml", own, own, bench, to_edit=True))
        else:
            found.append(Shipped(_place_of(file.name), contents, raw))
    return found


def _place_of(name: str) -> str:
    """systemd.unit(5), udev(7), sysusers.d(5): the folders for what the machine's own administrator puts there."""
    if name.endswith((".service", ".timer")):
        return f"/etc/systemd/system/{name}"
    if name.endswith(".rules"):
        return f"/etc/udev/rules.d/60-{name}"
    if name.endswith(".sysusers"):
        return f"/etc/sysusers.d/{name.removesuffix('.sysusers')}.conf"
    return f"{SAMPLES}/{name}"
