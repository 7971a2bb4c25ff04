"""The settings that decide something, in the ledger whenever they are others than before: with which gauge and limits a
bench measures, how long recordings are kept, who can sign by which key; and who was at work then. Entries of their own,
of no job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Connection, select

from capture.record import ledger, schema

SettingsOf = Literal["bench", "retention", "people"]


@dataclass(frozen=True, slots=True)
class WhoSet:
    """Who was at work when settings came into force. A settings file does not say who wrote it."""

    technician: str
    user: str
    """Of the computer, whose process it was."""


def keep_settings(
    connection: Connection, bench: str, of: SettingsOf, settings: Mapping[str, Any], who: WhoSet, at: str
) -> int | None:
    """Append the settings unless they are what the newest entry of them says; return the entry's number. Where none is
    set and none was, there is nothing to say."""
    told = ledger.parse(ledger.canonical(ledger.exact(settings)))
    entries = schema.ledger.c
    query = select(entries.body).where(entries.job.is_(None), entries.kind == "settings_changed")
    for text in connection.execute(query.order_by(entries.number.desc())).scalars():
        body = ledger.parse(text)
        if (body["bench"], body["of"]) == (bench, of):
            if body["settings"] == told:
                return None
            break
    else:
        if not told:
            return None
    body = {"bench": bench, "of": of, "settings": told, "technician": who.technician, "user": who.user}
    return ledger.append(connection, "settings_changed", body, at)


def difference_of(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Return what differs between two settings, by dotted name: what it was, and what it is."""
    was, now = _flat(before), _flat(after)
    names = sorted(was.keys() | now.keys())
    return {name: (was.get(name), now.get(name)) for name in names if was.get(name) != now.get(name)}


def _flat(settings: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in settings.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{prefix}{name}.")
        else:
            flat[f"{prefix}{name}"] = value
    return flat
