"""A backup's manifest: which files it is made of, with their hashes, and the head of the chain of the record in it. A
backup is what its manifest says; files that it does not list are no part of it.
"""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from capture.plumbing.wrong_values import wrong_values
from capture.record import RecordError

__all__ = ["MANIFEST", "RECORD", "STOCK", "BackedUp", "BackupError", "Head", "Manifest", "inside", "read_manifest"]

MANIFEST: Final = "manifest.json"
RECORD: Final = "record.sqlite"
STOCK: Final = "stock.sqlite"
_SHA256: Final = r"^[0-9a-f]{64}$"


class BackupError(RecordError):
    """A backup was not made, or not put back. The text says what happened, where, and what to do next."""


def inside(path: str) -> str:
    """Return `path` if it names a file in a backup and nothing outside it; else raises ValueError."""
    parts = PurePosixPath(path).parts
    whole = path == "/".join(parts) and "\0" not in path and not any(part.startswith((".", "/")) for part in parts)
    databases = re.fullmatch(r"(record|stock)(-[0-9]+)?\.sqlite", path)
    people = re.fullmatch(r"people\.json(\.g[0-9]+)?", path)
    if not (whole and (databases or people or (parts[0], len(parts)) in (("recordings", 3), ("photos", 2)))):
        raise ValueError(f"{path!r} is no file of a backup")
    return path


Inside = Annotated[str, AfterValidator(inside)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BackedUp(_Part):
    """One file: where it goes in a data folder, where it lies in the backup, and its bytes there."""

    path: Inside
    file: Inside
    bytes: int = Field(ge=0)
    sha256: str = Field(pattern=_SHA256)


class Head(_Part):
    """Number and hash of the newest entry."""

    number: int = Field(ge=0)
    sha256: str = Field(pattern=_SHA256)


class Manifest(_Part):
    """The manifest. `missing` and `altered` name recordings that were not there, or not as the record holds them,
    when the backup was made. `generation` counts how often a folder was brought up to date."""

    backup: Literal[1]
    made: AwareDatetime
    software_version: str
    generation: int = Field(ge=1)
    head: Head
    stock_head: Head | None = None
    """Of the stock's ledger; None where there is no stock, and of backups from before it had one."""
    files: tuple[BackedUp, ...]
    missing: tuple[str, ...] = ()
    altered: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Manifest:
        paths = [one.path for one in self.files]
        if len(set(paths)) != len(paths):
            raise ValueError("files: one is listed twice")
        if RECORD not in paths:
            raise ValueError(f"files: {RECORD} is not listed")
        return self

    def to_bytes(self) -> bytes:
        """Return it as the file holds it."""
        return self.model_dump_json(indent=1).encode() + b"\n"


def read_manifest(data: bytes, where: object) -> Manifest:
    """Return the manifest in `data`, which was read from `where`; raises BackupError."""
    try:
        return Manifest.model_validate_json(data)
    except ValidationError as error:
        wrong = wrong_values(error)[0]
        raise BackupError(f"the backup {where} is damaged at {MANIFEST}: {wrong}; use another backup") from error
