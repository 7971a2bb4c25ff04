"""The commands that keep people and their keys, and the asking for a key wherever the settings want one."""

from __future__ import annotations

import getpass
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.clearance.signing import SignedAct, SignedWay
    from capture.config import Config
    from capture.job.people import PeopleFile

PersonName = Annotated[str, typer.Argument(metavar="NAME", help="As the person signs.")]


def list_people(as_json: Json = False, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """List who signs here, and by what."""
    with errors_in_words():
        everybody = _people(config, data_dir).everybody()
    for one in everybody:
        if as_json:
            left = one.left_at.isoformat() if one.left_at is not None else None
            say_json({"type": "person", "name": one.name, "keys": one.ways, "left_at": left})
        else:
            left = f"left {one.left_at:%Y-%m-%d}" if one.left_at is not None else ""
            say(f"{one.name}: {left or ' and '.join(one.ways) or 'no key'}")
    if not everybody and not as_json:
        say("Nobody has a key here: whoever signs is a name that was typed.")


def give_key(
    name: PersonName,
    badge: Annotated[bool, typer.Option("--badge", help="A badge instead of a PIN: scan it when asked.")] = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Give a person a PIN or a badge to sign with, in place of a lost one. It is asked for, and not shown."""
    from capture.job.people import PeopleError

    way: Literal["PIN", "badge"] = "badge" if badge else "PIN"
    secret = hidden(f"The new {way} of {name}: ")
    if hidden("Once more: ") != secret:
        fail("the two are not the same. Nothing was kept")
    with errors_in_words():
        try:
            _people(config, data_dir).give_key(name, way, secret)
        except PeopleError as error:
            fail(f"{error}. Nothing was kept")
        _told(config, data_dir)
    say(f"{name} signs by {way} from now on.")


def forget_keys(name: PersonName, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """Take every key from a person: one was lost."""
    with errors_in_words():
        _people(config, data_dir).take_keys(name)
        _told(config, data_dir)
    say(f"{name} has no key any more.")


def person_left(name: PersonName, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """A person works here no longer, and signs nothing from now on. What was signed stays."""
    with errors_in_words():
        _people(config, data_dir).left(name, datetime.now(UTC))
        _told(config, data_dir)
    say(f"{name} left, and signs nothing here from now on.")


def person_back(name: PersonName, config: ConfigFile = None, data_dir: DataDir = None) -> None:
    """A person who left works here again."""
    with errors_in_words():
        _people(config, data_dir).came_back(name)
        _told(config, data_dir)
    say(f"{name} works here again; `strokelog people key` gives a key.")


def _people(config: Path | None, data_dir: Path | None) -> PeopleFile:
    from capture.config import load_config
    from capture.job.people import PeopleFile

    return PeopleFile(data_dir or load_config(config).data_dir)


def _told(config: Path | None, data_dir: Path | None) -> None:
    """Say in the record who can sign by which key now."""
    from capture.config import load_config

    settled = load_config(config)
    _keep_told(settled, data_dir or settled.data_dir)


def _keep_told(settled: Config, home: Path) -> None:
    from capture.job.people import keep_people
    from capture.plumbing.user_folders import user_name
    from capture.record import Store
    from capture.record.settings_kept import WhoSet

    with Store.open(home / settled.record_path.name) as store:
        keep_people(store, home, settled.bench, WhoSet(settled.technician, user_name()), datetime.now(UTC))


def signed_way(name: str, act: SignedAct, settled: Config, data_dir: Path | None) -> SignedWay:
    """Return by which way `name` signs, asking for a key where the settings want one; end in words if it is refused."""
    from capture.job.people import KeyRefused, PeopleError, PeopleFile

    home = data_dir or settled.data_dir
    people = PeopleFile(home)
    try:
        if people.everybody():  # whoever changed it, and by what: told before anybody signs by it
            _keep_told(settled, home)
        if act not in settled.people.keys_for:
            return people.typed(name)
        return people.signed(name, act, hidden(f"PIN or badge of {name}: "), datetime.now(UTC))
    except (KeyRefused, PeopleError) as error:
        fail(f"{error}. Nothing was written")


def hidden(question: str) -> str:
    """Ask for a key at the terminal without showing it. Never taken from an option: those stand in the process list."""
    from capture.plumbing.outward import harmless

    if not sys.stdin.isatty():
        fail("a key is asked for at a terminal only, where nobody sees it typed")
    return getpass.getpass(harmless(question)).strip()
