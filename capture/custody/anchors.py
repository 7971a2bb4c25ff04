"""Anchors: a record's head written down where the bench's owner does not reach, and a record proven against them.

Theory. The chain holds all that was written before its head, so whoever keeps a head keeps a promise of everything up
to it. An anchor is one line of JSON: the bench, the head, when it was taken, and the RFC 3161 stamp where there is one.
The same line goes to a file, to a printer in words, to a second broker as a retained message. What is stamped is the
text `BENCH NUMBER:HASH` and a line feed, so that any RFC 3161 tool can check it without this program.
"""

from __future__ import annotations

import base64
import binascii
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from capture.custody.stamps import StampError, stamped_at
from capture.plumbing.wrong_values import wrong_values
from capture.record import Store

#: How far the bench's clock and an authority's may be apart, and how long a head waits for its stamp.
CLOCKS_APART: Final = timedelta(minutes=10)


class AnchorError(Exception):
    """Anchors cannot be written or read. The text says what happened, where, and what was expected."""


class Anchor(BaseModel):
    """A record's head, as it was written down."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    anchor: Annotated[int, Field(ge=1, le=1)] = 1
    bench: str = Field(min_length=1)
    what: Literal["record", "stock"] = "record"
    """Of which chain: the bench's record, or the stock that it uses."""
    at: AwareDatetime
    number: int = Field(ge=1)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    stamp: str = ""
    """The authority's answer (RFC 3161, TimeStampResp), in DER and base64; empty where none was asked for."""

    def stamped_text(self) -> bytes:
        """Return what a stamp is of."""
        of_stock = "stock " if self.what == "stock" else ""
        return f"{self.bench} {of_stock}{self.number}:{self.sha256}\n".encode()

    def with_stamp(self, stamp: bytes) -> Anchor:
        """Return the anchor with an authority's answer."""
        return self.model_copy(update={"stamp": base64.b64encode(stamp).decode()})

    def line(self) -> str:
        """Return it as a file and a broker keep it."""
        left_out = {"stamp": not self.stamp, "what": self.what == "record"}
        return self.model_dump_json(exclude={name for name, out in left_out.items() if out})

    def paper(self) -> str:
        """Return it as it is printed: the hash in groups that a person can compare and type."""
        groups = " ".join(self.sha256[start : start + 8] for start in range(0, 64, 8))
        return (
            f"Head of the {self.what} of bench {self.bench}, {self.at.astimezone(UTC):%Y-%m-%d %H:%M} UTC\n\n"
            f"  entry {self.number}\n  {groups}\n\n"
            f"Keep this paper away from the bench. To prove that the {self.what} still holds all that it held then:\n"
            f"  strokelog {self.what} verify --expect {self.number}:{self.sha256}\n"
        )


@dataclass(frozen=True, slots=True)
class Stamped:
    """A head, and when an authority saw it; or, unstamped, when the anchor says that it was written down."""

    number: int
    at: datetime
    word: Literal["stamped", "written down"] = "stamped"


@dataclass(frozen=True, slots=True)
class Misdated:
    """An entry whose time is not what an authority's stamp, or an anchor's own time, lets it be."""

    entry: int
    at: datetime
    stamped: Stamped

    def text(self) -> str:
        """Return it in words."""
        when = f"{self.at:%Y-%m-%d %H:%M} UTC"
        head = f"{self.stamped.number} was {self.stamped.word} at {self.stamped.at:%Y-%m-%d %H:%M} UTC"
        if self.entry > self.stamped.number:
            return f"Entry {self.entry} says {when}, and was not there yet when entry {head}."
        return f"Entry {self.entry} says {when}, and was there already when entry {head}."


def append_anchor(path: Path, anchor: Anchor) -> None:
    """Add a line to the file at `path`, on the disk when this returns. Raises AnchorError."""
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            os.write(descriptor, f"{anchor.line()}\n".encode())
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise AnchorError(f"cannot write the head to {path}: {error.strerror}") from error


def anchors_of(path: Path, benches: Sequence[str] | None, what: str = "record") -> list[Anchor]:
    """Return the anchors of the records of these benches in a file, or with None the stock's that any bench wrote: a
    line each, as `append_anchor` and a broker's subscriber write them. Raises AnchorError for a line that is none, and
    where there is none of these."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise AnchorError(
            f"cannot read the anchors in {path}: {getattr(error, 'strerror', 'no UTF-8 text')}"
        ) from error
    found = []
    for number, line in enumerate(lines, 1):
        try:
            one = Anchor.model_validate_json(line)
        except ValidationError as error:
            raise AnchorError(
                f"{path}, line {number}: no anchor ({wrong_values(error)[0]}); expected a line that "
                "`strokelog record anchor` wrote"
            ) from error
        if one.what == what and (benches is None or one.bench in benches):
            found.append(one)
    if not found:
        of = f"the {what}" if benches is None else f"{', '.join(benches) or 'any bench'}"
        raise AnchorError(f"{path} holds no anchor of {of}: nothing is proven by it")
    return found


def check_stamps(anchors: Sequence[Anchor], authority: Path) -> list[Stamped]:
    """Return when the authority saw which head. Raises AnchorError for the first stamp that is not its own."""
    found = []
    for one in anchors:
        if not one.stamp:
            continue
        try:
            stamp = base64.b64decode(one.stamp, validate=True)
            found.append(Stamped(one.number, stamped_at(stamp, one.stamped_text(), authority)))
        except (StampError, binascii.Error) as error:
            raise AnchorError(f"the stamp of entry {one.number} of bench {one.bench} does not hold: {error}") from error
    return found


def misdated_anchors(anchors: Sequence[Anchor], stamped: Sequence[Stamped]) -> list[str]:
    """Return in words which anchors say another time than their stamp, or than the order they were written in."""
    seen = {one.number: one.at for one in stamped}
    found = []
    for one in anchors:
        at = seen.get(one.number)
        if one.stamp and at is not None and abs(at - one.at) > CLOCKS_APART:
            when = f"{one.at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
            found.append(f"The anchor of entry {one.number} says {when}, and was stamped at {at:%Y-%m-%d %H:%M} UTC.")
    for earlier, later in pairwise(anchors):
        if later.number >= earlier.number and later.at < earlier.at - CLOCKS_APART:
            when = f"{later.at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
            found.append(f"The anchor of entry {later.number} says {when}, earlier than the one before it.")
    return found


def misdated(store: Store, stamped: Sequence[Stamped]) -> list[Misdated]:
    """Return the entries whose times cannot be, in their order: earlier than the stamp of a head before them, or later
    than that of a head which holds them. The clocks may be ten minutes apart."""
    found: dict[int, Misdated] = {}
    for one in stamped:
        times = store.dated_outside(one.number, one.at - CLOCKS_APART, one.at + CLOCKS_APART)
        for entry, at in times:
            found.setdefault(entry, Misdated(entry, at, one))
    return [found[entry] for entry in sorted(found)]
