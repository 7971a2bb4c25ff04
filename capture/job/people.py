"""Who works at a bench and by which key each signs: the file of people beside the record, and its answer to a key.

A key is a PIN or the secret of a badge. Kept is a slow hash of it, scrypt (RFC 7914) with a salt of its own, so that
whoever reads the file must try each PIN for as long as the bench does; a PIN is short all the same, so the file is
the owner's alone to read. After three wrong tries in a row a person waits. Keys are no part of the record: it keeps by
which way somebody signed, and that a key was given or taken; a record that is handed out tells nobody's PIN.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from capture.clearance.signing import ACT_WORDS, SignedAct, SignedWay
from capture.plumbing.durable import holding, written
from capture.plumbing.wrong_values import wrong_values
from capture.record import Store
from capture.record.settings_kept import WhoSet

PEOPLE_FILE: Final = "people.json"
#: A code that begins so is a badge's secret, wherever it is scanned.
BADGE_BEGINS: Final = "key:"
_TRIES: Final = 3
_WAIT: Final = timedelta(minutes=5)
_LEAST_PIN, _LEAST_BADGE, _LONGEST = 4, 16, 128
#: Cost of a try: about 50 ms and 16 MiB (OWASP asks for more where a server has it: from memory; a bench's computer is
#: small, and three tries in five minutes are the better guard).
_N, _R, _P, _MEMORY = 1 << 14, 8, 1, 64 << 20


class PeopleError(Exception):
    """The file of people cannot be used, or what was asked of it cannot be done; the text says why."""


class KeyRefused(Exception):
    """Nobody signs by this; the text says why, and what to do."""


class _Key(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    way: Literal["PIN", "badge"]
    salt: str
    n: int
    scrypt: str

    @classmethod
    def of(cls, way: Literal["PIN", "badge"], secret: str) -> _Key:
        salt = secrets.token_bytes(16)
        return cls(way=way, salt=salt.hex(), n=_N, scrypt=_hashed(secret, salt, _N).hex())

    def opens(self, secret: str) -> bool:
        return hmac.compare_digest(_hashed(secret, bytes.fromhex(self.salt), self.n).hex(), self.scrypt)


class Person(BaseModel):
    """Somebody who signs, and what is known of the keys."""

    model_config = ConfigDict(extra="forbid")

    name: str
    keys: list[_Key] = []
    left_at: AwareDatetime | None = None
    wrong: int = 0
    """Wrong tries in a row."""
    waits_until: AwareDatetime | None = None

    @property
    def ways(self) -> list[str]:
        """By which ways this person can sign beside a typed name."""
        return [key.way for key in self.keys]


class _People(BaseModel):
    model_config = ConfigDict(extra="forbid")

    people: list[Person] = Field(default=[])


def _hashed(secret: str, salt: bytes, n: int) -> bytes:
    return hashlib.scrypt(secret.encode("utf-8"), salt=salt, n=n, r=_R, p=_P, maxmem=_MEMORY)


def _as_one(name: str) -> str:
    """Return a name as it is compared: however it was typed, it is the same person's."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


class PeopleFile:
    """The people of a data folder. Each call reads the file anew, so that a bench that runs sees what was changed."""

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / PEOPLE_FILE

    def everybody(self) -> list[Person]:
        """Return all people, in the order they were first named. Raises PeopleError."""
        try:
            return _People.model_validate_json(self._path.read_bytes()).people
        except FileNotFoundError:
            return []
        except OSError as error:
            raise PeopleError(f"cannot read {self._path}: {error.strerror}") from error
        except ValidationError as error:
            raise PeopleError(f"{self._path}: {wrong_values(error)[0]}") from error

    @contextmanager
    def _changing(self) -> Iterator[list[Person]]:
        """Give everybody to change, with nobody else changing them meanwhile, and write them."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with holding(self._path.parent, alone=True):
                people = self.everybody()
                yield people
                with written(self._path) as file:
                    os.fchmod(file.fileno(), 0o600)
                    file.write(_People(people=people).model_dump_json(indent=1).encode())
        except OSError as error:
            raise PeopleError(f"cannot write {self._path}: {error.strerror}") from error

    def give_key(self, name: str, way: Literal["PIN", "badge"], secret: str) -> None:
        """Let `name` sign by this key, in place of an earlier one of its kind. Raises PeopleError."""
        if not name.strip():
            raise PeopleError("nobody is named")
        if wrong := _against(way, secret):
            raise PeopleError(wrong)
        key = _Key.of(way, secret)
        with self._changing() as people:
            person = _find(people, name)
            if person is None:
                people.append(person := Person(name=name.strip()))
            if person.left_at is not None:
                raise PeopleError(f"{person.name} left; `strokelog people back` says that the person works here again")
            person.keys = [*(one for one in person.keys if one.way != way), key]
            person.wrong, person.waits_until = 0, None

    def take_keys(self, name: str) -> None:
        """Take every key from `name`: one was lost. Raises PeopleError."""
        with self._known(name) as person:
            person.keys, person.wrong, person.waits_until = [], 0, None

    def left(self, name: str, at: datetime) -> None:
        """`name` works here no longer: neither a key nor the typed name signs from now on. Raises PeopleError."""
        with self._known(name) as person:
            person.keys, person.left_at = [], at

    def came_back(self, name: str) -> None:
        """`name` works here again, and needs a new key. Raises PeopleError."""
        with self._known(name) as person:
            person.left_at = None

    @contextmanager
    def _known(self, name: str) -> Iterator[Person]:
        with self._changing() as people:
            person = _find(people, name)
            if person is None:
                raise PeopleError(f"nobody is called {name!r} here; `strokelog people list` names all")
            yield person

    def typed(self, name: str) -> SignedWay:
        """Sign by a typed name, where no key is asked for. Raises KeyRefused for who left, and PeopleError."""
        person = _find(self.everybody(), name)
        if person is not None and person.left_at is not None:
            raise KeyRefused(_gone(person))
        return "typed"

    def signed(self, name: str, act: SignedAct, secret: str, now: datetime) -> SignedWay:
        """Return by which key `secret` lets `name` sign. Raises KeyRefused, and PeopleError."""
        refused = ""
        with self._changing() as people:
            person = _find(people, name)
            if person is None or (not person.keys and person.left_at is None):
                raise KeyRefused(
                    f"{name.strip()} has no key, and {ACT_WORDS[act]} is signed by one here: "
                    f"`strokelog people key` gives one"
                )
            if person.left_at is not None:
                raise KeyRefused(_gone(person))
            if person.waits_until is not None and now < person.waits_until:
                raise KeyRefused(_waits(person, person.waits_until, now))
            if len(secret) <= _LONGEST:
                for key in person.keys:
                    if key.opens(secret):
                        person.wrong, person.waits_until = 0, None
                        return key.way
            person.wrong += 1
            refused = f"that is no key of {person.name}"
            if person.wrong >= _TRIES:
                person.waits_until = now + _WAIT
                refused = f"{refused}. {_waits(person, person.waits_until, now)}"
        raise KeyRefused(refused)


def keep_people(store: Store, data_dir: Path, bench: str, who: WhoSet, at: datetime) -> None:
    """Keep in the record who can sign by which key, where that is not what it was, whoever changed it and by what.

    Raises PeopleError and RecordError.
    """
    store.keep_settings(bench, "people", people_as_kept(PeopleFile(data_dir).everybody()), who, at=at)


def people_as_kept(people: Sequence[Person]) -> dict[str, Any]:
    """Return what the record keeps of people: by which keys each signs, a hash that changes with every key, and who
    left. Without the salts, which the record does not have, nobody tries PINs against that hash."""
    return {
        one.name: {
            "keys": one.ways,
            "left": one.left_at is not None,
            "sha256": hashlib.sha256("".join(key.model_dump_json() for key in one.keys).encode()).hexdigest(),
        }
        for one in people
    }


def _find(people: list[Person], name: str) -> Person | None:
    return next((one for one in people if _as_one(one.name) == _as_one(name)), None)


def _gone(person: Person) -> str:
    when = f" on {person.left_at:%Y-%m-%d}" if person.left_at is not None else ""
    return f"{person.name} left{when} and signs nothing here"


def _waits(person: Person, until: datetime, now: datetime) -> str:
    minutes = -(-int((until - now).total_seconds()) // 60)
    return (
        f"After {person.wrong} wrong tries {person.name} can sign again in {minutes} min; "
        "a lost key is replaced with `strokelog people key`"
    )


def _against(way: Literal["PIN", "badge"], secret: str) -> str:
    """Return why this is no good as a key; empty where it is."""
    if len(secret) > _LONGEST:
        return f"it is longer than {_LONGEST} characters"
    if way == "badge":
        if not secret.startswith(BADGE_BEGINS) or len(secret) < len(BADGE_BEGINS) + _LEAST_BADGE:
            return f"a badge's code begins with {BADGE_BEGINS!r} and has {_LEAST_BADGE} characters or more behind that"
        return ""
    if len(secret) < _LEAST_PIN or not secret.isdecimal() or len(set(secret)) == 1:
        return f"a PIN is {_LEAST_PIN} digits or more, not all the same"
    return ""
