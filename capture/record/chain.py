"""Walks a chain of hashes from its first entry, the record's and the stock's alike: whole, in order, and with the heads
that were written down elsewhere."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any

from capture.record.ledger import BEFORE_THE_FIRST, digest, is_canonical, parse
from capture.record.mismatch import Mismatch, shown


class ChainWalk:
    """One pass over a chain. Its methods raise Mismatch."""

    def __init__(self, expect: Sequence[tuple[int, str]] = ()) -> None:
        """`expect` are numbers and hashes that the chain must hold."""
        self._expect: dict[int, list[str]] = {}
        for number, sha256 in expect:
            self._expect.setdefault(number, []).append(sha256)
        self.head = BEFORE_THE_FIRST
        """Number and hash of the entry that was taken last."""

    def take(self, entry: sqlite3.Row) -> dict[str, Any]:
        """Take the next entry; return its body."""
        last, last_hash = self.head
        number = entry["number"]
        if number != last + 1:
            raise Mismatch("an entry of the ledger is missing", entry=last + 1, expected=last + 1, found=number)
        if entry["previous"] != last_hash:
            raise Mismatch(
                f"the hash it holds of entry {last}", entry=number, expected=last_hash, found=entry["previous"]
            )
        fields = [entry[name] for name in ("kind", "at", "body")]
        try:
            worked_out = digest(last_hash, number, *fields)
        except UnicodeEncodeError:
            worked_out = "no hash: the entry holds bytes that are no text"
        if worked_out != entry["sha256"] or not all(isinstance(one, str) for one in fields):
            raise Mismatch(
                f"its contents do not have its hash, so the entry ({shown(entry['kind'])}) was changed",
                entry=number,
                expected=entry["sha256"],
                found=worked_out,
            )
        self.head = (number, worked_out)
        for expected in self._expect.get(number, ()):
            if expected != worked_out:
                raise Mismatch(
                    "the hash of this entry as it was written down", entry=number, expected=expected, found=worked_out
                )
        return _body_of(entry)

    def ended(self) -> None:
        """There is no further entry: none that was written down elsewhere may be missing."""
        number = self.head[0]
        if max(self._expect, default=0) > number:
            raise Mismatch(
                "the end of the ledger is missing", entry=number + 1, expected=f"entry {max(self._expect)}",
                found=f"{number} as the last",
            )  # fmt: skip


def _body_of(entry: sqlite3.Row) -> dict[str, Any]:
    try:
        body = parse(entry["body"])
        sound = isinstance(body, dict) and is_canonical(entry["body"], body)
    except (ValueError, RecursionError):
        sound = False
    if not sound:
        raise Mismatch(
            "no entry that this program writes", entry=entry["number"], expected="canonical JSON", found=entry["kind"]
        )
    found: dict[str, Any] = body
    return found
