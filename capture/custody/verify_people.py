"""Holds the file of people beside a record against what the record was told of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from capture.job.people import PEOPLE_FILE, PeopleError, PeopleFile, people_as_kept
from capture.record import SettingsSet


def people_changed(data_dir: Path, settings: Sequence[SettingsSet]) -> str:
    """Return what was changed in the file of people since the record was told of it last, in words; empty for nothing.

    It is no part of the chain: a key that was given past the commands is told by the next entry, or until then here.
    """
    told = [one for one in settings if one.of == "people"]
    try:
        now = people_as_kept(PeopleFile(data_dir).everybody())
    except PeopleError as error:
        return f"{error}"
    if not told:
        return f"the record was never told of {PEOPLE_FILE}" if now else ""
    last = told[-1]
    if not (data_dir / PEOPLE_FILE).exists():
        return f"there is no {PEOPLE_FILE} here, and entry {last.entry} tells of one"
    names = sorted(last.settings.keys() | now.keys())
    changed = [name for name in names if last.settings.get(name) != now.get(name)]
    return f"{PEOPLE_FILE} is not what entry {last.entry} tells: {', '.join(changed)}" if changed else ""
