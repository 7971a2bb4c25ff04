"""Puts a bench's service on a machine and takes it away: first what would be done, file by file, then the same done.

What is written is listed with hashes, before it is written: so one that was cut off is known as well. A file that was
changed since, or was there already, is somebody's own: it is left, and named.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from capture import __version__
from capture.bench.service.installed import INSTALLED_FILE, Installed, InstalledFile, on
from capture.bench.service.shipped import ServiceError, Shipped, check_bench, shipped
from capture.plumbing.durable import sync_folder, written

#: kept: it is what it should be. left: somebody changed it. edited: somebody changed it, as was meant.
Deed = Literal["written", "updated", "kept", "edited", "left", "removed", "gone"]


@dataclass(frozen=True, slots=True)
class FileDeed:
    """What is done with one file, and why it is left if it is."""

    deed: Deed
    path: str
    sha256: str = ""
    """Of what strokelog has there now; empty where it has nothing."""
    bench: str = ""
    contents: bytes = b""
    why: str = ""


def all_benches(installed: Installed | None, benches: Iterable[str]) -> tuple[str, ...]:
    """Return the benches of this machine once `benches` are installed as well; raises ServiceError for a bad name."""
    named = tuple(benches)
    for bench in named:
        check_bench(bench)
    return tuple(sorted({*(installed.benches if installed else ()), *named}))


def plan_install(root: Path, installed: Installed | None, benches: tuple[str, ...], command: str) -> list[FileDeed]:
    """Return what is done with every file so that `benches` are installed under `root`. Nothing is written."""
    ours = installed.hashes() if installed else {}
    wanted = shipped(benches, command)
    plan = [_put(root, one, ours.get(one.path, set())) for one in wanted]
    there = {one.path for one in wanted}
    if installed is not None:  # an earlier version had files that this one has not
        plan += [_take(root, path, hashes) for path, hashes in ours.items() if path not in there]
    return plan


def changes_all(installed: Installed | None, plan: Sequence[FileDeed]) -> bool:
    """Say whether what is done matters to benches that are there already, and not only to one that is added."""
    shared = any(one.deed in ("updated", "removed") and not one.bench for one in plan)
    return shared or (installed is not None and installed.version != __version__)


def _put(root: Path, file: Shipped, ours: set[str]) -> FileDeed:
    place, wanted = on(root, file.path), _sha256(file.contents)
    if not place.exists() and not place.is_symlink():
        return FileDeed("written", file.path, wanted, file.bench, file.contents)
    found = place.read_bytes() if place.is_file() and not place.is_symlink() else None
    if found == file.contents:
        return FileDeed("kept", file.path, wanted if wanted in ours else "", file.bench)
    if found is not None and (_sha256(found) in ours or found == file.as_it_comes):
        return FileDeed("updated", file.path, wanted, file.bench, file.contents)
    if file.to_edit:
        return FileDeed("edited", file.path, min(ours, default=""), file.bench)
    why = "it was changed since strokelog wrote it" if ours else "strokelog did not write it"
    return FileDeed(
        "left", file.path, min(ours, default=""), file.bench, why=f"{why}; move it away for the one of {__version__}"
    )


def _take(root: Path, path: str, hashes: set[str]) -> FileDeed:
    place = on(root, path)
    if not place.exists() and not place.is_symlink():
        return FileDeed("gone", path)
    if place.is_symlink() or not place.is_file() or _sha256(place.read_bytes()) not in hashes:
        return FileDeed("left", path, why="it was changed since strokelog wrote it")
    return FileDeed("removed", path)


def carry_out_install(
    root: Path, installed: Installed | None, benches: tuple[str, ...], command: str, plan: Sequence[FileDeed]
) -> None:
    """Do what `plan_install` returned, and list it; raises OSError."""
    made = list(installed.folders) if installed else []
    for folder in sorted({Path(one).parent for one in (INSTALLED_FILE, *(one.path for one in plan if one.contents))}):
        made += _make_folder(root, folder)
    files = tuple(InstalledFile(path=one.path, sha256=one.sha256, bench=one.bench) for one in plan if one.sha256)
    listed = Installed(version=__version__, command=command, benches=benches, files=files, folders=tuple(made))
    before = installed.files if installed else ()
    listed.model_copy(update={"files": tuple(dict.fromkeys((*before, *files)))}).write(root)
    for one in plan:
        if one.deed in ("written", "updated"):
            with written(on(root, one.path)) as file:
                file.write(one.contents)
            on(root, one.path).chmod(0o644)
        elif one.deed == "removed":
            _remove(on(root, one.path))
    listed.write(root)


def plan_uninstall(root: Path, installed: Installed | None, benches: Sequence[str]) -> list[FileDeed]:
    """Return what is done with every file so that `benches` are gone; with the last, what is all benches' goes too.

    Raises ServiceError for a bench that is not installed, and for units that are still enabled.
    """
    there = installed.benches if installed else ()
    if installed is None and not benches:
        raise ServiceError("nothing was installed by strokelog")
    if there and not benches:
        raise ServiceError(f"name the benches that go; installed are: {', '.join(there)}")
    for bench in benches:
        if bench not in there:
            raise ServiceError(f"{bench!r} was not installed by strokelog; installed are: {', '.join(there) or 'none'}")
        if on(root, f"/run/strokelog/{bench}").exists():
            raise ServiceError(f"the service of {bench} is running; stop it first: systemctl stop strokelog@{bench}")
    last = set(benches) == set(there)
    if enabled := _enabled(root, benches, last):
        raise ServiceError(f"still enabled; first: systemctl disable --now {' '.join(enabled)}")
    files = installed.files if installed else ()
    hashes = installed.hashes() if installed else {}
    going = dict.fromkeys(one.path for one in files if one.bench in benches or (last and not one.bench))
    return [_take(root, path, hashes[path]) for path in going]


def _enabled(root: Path, benches: Sequence[str], last: bool) -> list[str]:
    """systemd.unit(5): enabling a unit puts a link of its name into a folder NAME.wants."""
    units = on(root, "/etc/systemd/system")
    wanted = [pattern for bench in benches for pattern in (f"strokelog@{bench}.service", f"strokelog-*@{bench}.timer")]
    wanted += ["strokelog-board.service", "strokelog-collect.service"] if last else []
    return sorted({link.name for pattern in wanted for link in units.glob(f"*.wants/{pattern}")})


def carry_out_uninstall(root: Path, installed: Installed, benches: Sequence[str], plan: Sequence[FileDeed]) -> None:
    """Do what `plan_uninstall` returned, and list what stays; raises OSError."""
    for one in plan:
        if one.deed == "removed":
            _remove(on(root, one.path))
    rest = tuple(bench for bench in installed.benches if bench not in benches)
    if rest:
        dealt_with = {one.path for one in plan}
        files = tuple(one for one in installed.files if one.path not in dealt_with)
        installed.model_copy(update={"benches": rest, "files": files}).write(root)
        return
    _remove(on(root, INSTALLED_FILE))
    for folder in reversed(installed.folders):
        with suppress(OSError):  # somebody else's files are in it, or it is gone
            on(root, folder).rmdir()


def _make_folder(root: Path, folder: Path) -> list[str]:
    """Make a folder of the machine, and those above it; return which were not there, outermost first."""
    missing = [one for one in (folder, *folder.parents) if not on(root, str(one)).is_dir()]
    for one in reversed(missing):
        on(root, str(one)).mkdir(mode=0o755)
    return [str(one) for one in reversed(missing)]


def _remove(path: Path) -> None:
    path.unlink()
    sync_folder(path.parent)


def _sha256(contents: bytes) -> str:
    return hashlib.sha256(contents).hexdigest()
