"""The ledger: every completed thing as one numbered entry, chained by SHA-256 to the one before. What an entry is,
how it is hashed and how it is added; who adds which, and what the entries prove, lives elsewhere.

Theory. An entry's body is canonical JSON (RFC 8785): one value has one text, byte for byte, on any machine and in any
language, so that anybody can work the hashes out again without this program. Its hash is

    SHA-256 of the UTF-8 text  previous LF number LF kind LF at LF body

where `previous` is the hash of the entry before (64 zeros for the first) in lower-case hex. No field but the body
can hold a line feed, and canonical JSON holds none, so two different entries never share that text. Changing,
leaving out, adding or moving an entry breaks every hash after it. Only a cut tail leaves a whole chain: the last
number and hash, written down somewhere else, prove that too.

RFC 8785 has no whole numbers beyond 2^53 - 1; as it advises (appendix D), those are written as text.

These forms never change: a record's old entries must still hash to what they did.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import rfc8785
from sqlalchemy import Connection, insert, select

from capture.record import schema

__all__ = [
    "BEFORE_THE_FIRST",
    "KINDS",
    "LedgerEntry",
    "append",
    "canonical",
    "digest",
    "exact",
    "head",
    "is_canonical",
    "link",
    "parse",
]

#: Every kind of entry there is. A kind once used keeps its name for good.
KINDS: Final = (
    "job_opened",
    "check_started",
    "stroke",
    "verdict",
    "check_abandoned",
    "job_closed",
    "job_reopened",  # work on the unit went on in another session
    "parts_changed",
    "step_begun",
    "step_done",
    "override",
    "signed_off",
    "correction",
    "stroke_left_out",  # by a person, with a reason; the stroke's own entry stays
    "came_back",  # a unit that was signed off before: which job that was, and why
    "change_undone",  # a change of parts that was never made; its own entry stays
    "note_made",  # something to know; it decides nothing
    "photo_kept",  # of the unit or a pack; its bytes are a file of the data folder, by their hash
    "gauge_masters",  # the shop's masters; this and what follows of gauges is of no job
    "gauge_check",
    "gauge_event",
    "instrument_check",  # a torque wrench or a pressure gauge, by hand
    "study_planned",
    "study_measured",
    "gauge_study",
    "clock_jumped",  # the wall clock was set: times before and after it are not of one clock
    "settings_changed",  # what decides something is other than before; this is of no job
    "pruned",  # a recording was removed by policy: what was derived from it can be proven no more
)

_MOST_EXACT: Final = 2**53 - 1
#: What a whole number beyond that has.
_MANY_DIGITS: Final = re.compile("[0-9]{16}")
#: Of these magnitudes Python writes a double that is not whole as RFC 8785 does.
_LEAST_ALIKE, _MOST_ALIKE = 1e-4, 1e16
_PLAIN_FORM: Final = json.JSONEncoder(ensure_ascii=False, sort_keys=True, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class LedgerEntry:
    """One entry. `job` is a copy of the body's, for finding a job's entries; `at` is RFC 3339 text in UTC."""

    number: int
    job: int | None
    kind: str
    at: str
    body: str
    previous: str
    sha256: str


#: What the first entry follows.
BEFORE_THE_FIRST: Final = (0, "0" * 64)


def exact(value: Any) -> Any:
    """Return `value` with every whole number beyond 2^53 - 1 as text, and tuples as lists."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > _MOST_EXACT:
        return str(value)
    if isinstance(value, Mapping):
        return {key: exact(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [exact(one) for one in value]
    return value


def canonical(value: Any) -> str:
    """Return `value` as canonical JSON (RFC 8785). Raises ValueError for what it has no form for (NaN, 2^53)."""
    return rfc8785.dumps(value).decode()


def parse(text: str) -> Any:
    """Return the value of canonical JSON, such that `canonical` gives `text` again. Raises ValueError for no JSON.

    A whole number beyond 2^53 - 1 can only have been a double that happened to be whole.
    """

    def whole(digits: str) -> int | float:
        return int(digits) if len(digits) <= 17 and abs(int(digits)) <= _MOST_EXACT else float(digits)

    # Asking of each number takes several times as long: only where one is so long, as hardly any is.
    value = json.loads(text)
    plain = _MANY_DIGITS.search(text) is None or _is_plain(value, doubles=False)
    return value if plain else json.loads(text, parse_int=whole)


def is_canonical(text: str, value: Any) -> bool:
    """Say whether this text, which `parse` made the value of, is its canonical one. Raises ValueError as `canonical`.

    Of ASCII the standard library's encoder, which is many times as quick, has the same form but for some numbers: names
    stand in the same order, and both write the shortest digits that are the number. The rest is asked of `canonical`.
    """
    if text.isascii() and _is_plain(value, doubles=True) and _PLAIN_FORM.encode(value) == text:
        return True
    return canonical(value) == text


def _is_plain(value: Any, *, doubles: bool) -> bool:
    """Say whether no whole number in this is beyond 2^53 - 1, and of doubles whether Python writes each as RFC 8785."""
    kind = type(value)
    if kind is int:
        return bool(-_MOST_EXACT <= value <= _MOST_EXACT)
    if kind is float:
        alike = _LEAST_ALIKE <= abs(value) < _MOST_ALIKE and not value.is_integer()
        return not doubles or alike
    if kind is dict:
        return all(_is_plain(one, doubles=doubles) for one in value.values())
    return kind is not list or all(_is_plain(one, doubles=doubles) for one in value)


def digest(previous: str, number: int, kind: str, at: str, body: str) -> str:
    """Return the hash of an entry as hex digits, from the hash of the entry before and its own fields."""
    return hashlib.sha256(f"{previous}\n{number}\n{kind}\n{at}\n{body}".encode()).hexdigest()


def link(last: tuple[int, str], kind: str, body: Mapping[str, Any], at: str) -> LedgerEntry:
    """Return the entry that follows `last` (number and hash). Raises ValueError for a body that is no JSON."""
    assert kind in KINDS
    number, text = last[0] + 1, canonical(exact(body))
    return LedgerEntry(number, body.get("job"), kind, at, text, last[1], digest(last[1], number, kind, at, text))


def head(connection: Connection) -> tuple[int, str]:
    """Return number and hash of the newest entry: one step down the key's tree, however long the ledger is."""
    entries = schema.ledger.c
    row = connection.execute(select(entries.number, entries.sha256).order_by(entries.number.desc()).limit(1)).first()
    return BEFORE_THE_FIRST if row is None else (row.number, row.sha256)


def append(connection: Connection, kind: str, body: Mapping[str, Any], at: str) -> int:
    """Add an entry in the running transaction, which must hold the write lock; return its number."""
    entry = link(head(connection), kind, body, at)
    connection.execute(insert(schema.ledger).values(columns_of(entry)))
    return entry.number


def columns_of(entry: LedgerEntry) -> dict[str, Any]:
    """Return the columns that keep `entry`."""
    return {name: getattr(entry, name) for name in LedgerEntry.__slots__}
