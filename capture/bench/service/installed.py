"""What was put on a machine, with the hash of each file: so that no more is taken away than was brought."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from capture.bench.service.shipped import ServiceError
from capture.plumbing.checked_file import FileKind
from capture.plumbing.durable import written

INSTALLED_FILE: Final = "/etc/strokelog/installed.json"
_KIND: Final = FileKind("list of installed files", ServiceError)


class InstalledFile(BaseModel):
    """One file that was written."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    path: str
    sha256: str
    bench: str = ""
    """Whose it is alone; empty for all benches' together."""


class Installed(BaseModel):
    """Everything that was written, for all benches of a machine."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    installed: Literal[1] = 1
    version: str
    """Of the strokelog that wrote last."""
    command: str
    benches: tuple[str, ...]
    files: tuple[InstalledFile, ...]
    folders: tuple[str, ...] = ()
    """Folders that were made for them, outermost first."""

    def hashes(self) -> dict[str, set[str]]:
        """Return what strokelog may have at each path: of an installation that was cut off, the old and the new."""
        found: dict[str, set[str]] = {}
        for one in self.files:
            found.setdefault(one.path, set()).add(one.sha256)
        return found

    def write(self, root: Path) -> None:
        """Put it in place under `root`."""
        with written(on(root, INSTALLED_FILE)) as file:
            file.write(self.model_dump_json(indent=1).encode() + b"\n")


def on(root: Path, path: str) -> Path:
    """Return where the machine's `path` is when its files lie under `root`."""
    return root / path.removeprefix("/")


def read_installed(root: Path) -> Installed | None:
    """Return what is installed under `root`, None if nothing is; raises ServiceError."""
    file = on(root, INSTALLED_FILE)
    return _KIND.read(file, Installed) if file.is_file() else None
