"""Where the command `strokelog` of this installation is, and whether a hardened service may run it there."""

from __future__ import annotations

import os
import re
import stat
import sys
import sysconfig
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from capture.bench.service.shipped import ServiceError

#: systemd.exec(5): ProtectHome=yes empties these for a service.
_HIDDEN: Final = ("/home", "/root", "/run/user")
#: What needs no quoting in a unit's ExecStart= (systemd.service(5)).
_PLAIN: Final = re.compile(r"/[A-Za-z0-9._/+@-]+")


def plain_command(command: str) -> str:
    """Return a command's path if a unit can name it; raises ServiceError."""
    if not _PLAIN.fullmatch(command):
        raise ServiceError(f"{command!r} cannot stand in a unit; expected a whole path without blanks or signs")
    for hidden in _HIDDEN:
        if command.startswith(f"{hidden}/"):
            raise ServiceError(
                f"{command} is under {hidden}, which hardened services do not see; install strokelog "
                "where they do, such as in /opt (`strokelog guide service`), or name another with --command"
            )
    return command


def own_command() -> str:
    """Return the path of the command that belongs to this interpreter, if services can run it; raises ServiceError."""
    path = Path(sysconfig.get_path("scripts")) / "strokelog"
    if not path.is_file():
        raise ServiceError(f"there is no {path}: this strokelog is not installed; name one that is with --command")
    # A command in /opt may still be run by an interpreter that lies in somebody's home, as tools that fetch one put it.
    for one in (path, Path(os.path.realpath(sys.executable))):
        plain_command(str(one))
        for step in _steps(one):
            if not step.stat().st_mode & stat.S_IXOTH:
                raise ServiceError(
                    f"{one} cannot be run by a service's user, since {step} is closed to others; install strokelog in "
                    "/opt (`strokelog guide service`), or name another with --command"
                )
    return str(path)


def _steps(path: Path) -> Iterator[Path]:
    yield path
    yield from path.parents
