"""People and their keys by the commands: a key is asked for where nobody sees it, and never stands in an option."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.cli import people as module
from capture.cli.main import app
from capture.custody.backup import back_up_to_archive, back_up_to_folder, restore
from capture.custody.backup.sources import Source
from capture.custody.verify_people import people_changed
from capture.record import Store, audit
from capture.unit.facts import Correction, Override
from tests.support.proven_record import AT, copy_all, make_record


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_record(tmp_path_factory.mktemp("signed"))


@pytest.fixture
def home(record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A record, and settings that want a key for everything that can be signed by one."""
    monkeypatch.setattr("capture.job.people._N", 16)
    path = copy_all(record, tmp_path / "copy")
    (tmp_path / "config.toml").write_text(
        f'data_dir = "{path.parent}"\n[people]\nkeys_for = ["sign-off", "override", "correction", "gauge-check"]\n'
    )
    return tmp_path


def strokelog(home: Path, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, [*words, "--config", str(home / "config.toml")])
    assert done.exit_code == code, (done.exit_code, done.stdout, done.stderr)
    return done.stdout + done.stderr


def says(monkeypatch: pytest.MonkeyPatch, *answers: str) -> list[str]:
    """Whoever sits at the terminal answers so; return what was asked."""
    left: Iterator[str] = iter(answers)
    asked: list[str] = []

    def answer(question: str) -> str:
        asked.append(question)
        return next(left)

    monkeypatch.setattr(module, "hidden", answer)
    return asked


CORRECTION = ("record", "correct", "1", "5", "--by", "Foreman", "--reason", "misread", "--text", "it was pack high")


def test_an_entry_says_by_which_key_it_was_signed(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    says(monkeypatch, "2718", "2718", "2718", "key:4f0d9b1c77e25a60", "key:4f0d9b1c77e25a60", "key:4f0d9b1c77e25a60")
    strokelog(home, "people", "key", "Foreman")
    strokelog(home, *CORRECTION)
    strokelog(home, "people", "key", "Foreman", "--badge")
    strokelog(home, "unit", "override", "2", "--pack", "reverse", "--by", "Foreman", "--reason", "as measured")
    with Store.open_to_read(home / "copy" / "record.sqlite") as store:
        facts = [entry.fact for job in (1, 2) for entry in store.job(job).facts]
    assert [one.signed for one in facts if isinstance(one, Correction)][-1] == "PIN"
    assert [one.signed for one in facts if isinstance(one, Override)][-1] == "badge"
    assert "by Foreman (PIN)" in strokelog(home, "show", "1")
    assert "PROVEN" in strokelog(home, "record", "verify")


def test_a_wrong_key_writes_nothing(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = says(monkeypatch, "2718", "2718", "1234")
    strokelog(home, "people", "key", "Foreman")
    said = strokelog(home, *CORRECTION, code=1)
    assert "that is no key of Foreman. Nothing was written" in said
    assert asked[-1] == "PIN or badge of Foreman: "
    with Store.open_to_read(home / "copy" / "record.sqlite") as store:
        assert not any(entry.fact.by == "Foreman" for entry in store.job(1).facts)


def test_no_key_is_taken_from_a_pipe(home: Path) -> None:
    assert "at a terminal only" in strokelog(home, "people", "key", "Foreman", code=1)
    assert "at a terminal only" in strokelog(home, *CORRECTION, code=1)


def test_two_that_differ_are_no_key(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    says(monkeypatch, "2718", "2781")
    assert "not the same" in strokelog(home, "people", "key", "Foreman", code=1)
    assert "Nobody has a key here" in strokelog(home, "people", "list")


def test_people_come_lose_keys_leave_and_come_back(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    says(monkeypatch, "2718", "2718")
    strokelog(home, "people", "key", "Foreman")
    assert strokelog(home, "people", "list") == "Foreman: PIN\n"
    strokelog(home, "people", "forget", "Foreman")
    assert strokelog(home, "people", "list") == "Foreman: no key\n"
    strokelog(home, "people", "left", "Foreman")
    told = json.loads(strokelog(home, "people", "list", "--json"))
    assert (told["name"], told["keys"]) == ("Foreman", []) and told["left_at"]
    strokelog(home, "people", "back", "Foreman")
    assert "nobody is called 'Somebody'" in strokelog(home, "people", "left", "Somebody", code=1)


def test_settings_name_only_what_can_be_signed(home: Path) -> None:
    (home / "config.toml").write_text('[people]\nkeys_for = ["breakfast"]\n')
    assert "people.keys_for" in strokelog(home, "people", "list", code=1)


def verified(home: Path, code: int = 0) -> str:
    return strokelog(home, "record", "verify", "--processes", "1", code=code)


@pytest.mark.attack("a key given, taken or exchanged")
@pytest.mark.attack("the count of wrong tries there")
def test_every_change_of_who_signs_is_an_entry_whoever_made_it_and_by_what(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = home / "copy" / "people.json"
    says(monkeypatch, "2718", "2718", "3141", "3141", "3141", "1234")
    strokelog(home, "people", "key", "Foreman")
    lost = file.read_bytes()
    strokelog(home, "people", "key", "Foreman")  # another PIN
    assert "settings (people) of" in (said := verified(home)) and "Foreman.sha256 from" in said
    assert "PEOPLE CHANGED" not in said
    told = json.loads(file.read_bytes())
    assert told["people"][0]["keys"][0]["scrypt"] not in (home / "copy" / "record.sqlite").read_bytes().hex()
    # Past the commands, the lost PIN is put back: it is told before anybody signs, and by an entry once somebody does.
    file.write_bytes(lost)
    assert "PEOPLE CHANGED: people.json is not what entry" in verified(home)
    assert "that is no key of Foreman" in strokelog(home, *CORRECTION, code=1)
    assert "PEOPLE CHANGED" not in verified(home)
    with Store.open_to_read(home / "copy" / "record.sqlite") as store:
        entries = [one for one in audit(store.path).settings if one.of == "people"]
    assert len(entries) == 3 and entries[0].settings == entries[2].settings != entries[1].settings
    # Wrong tries are no change of who signs by what.
    assert json.loads(file.read_bytes())["people"][0]["wrong"] == 1
    strokelog(home, "people", "left", "Foreman")
    file.unlink()
    assert "PEOPLE CHANGED: there is no people.json here" in verified(home)


@pytest.mark.parametrize("place", ["kept", "kept.tar"])
def test_the_file_of_people_is_backed_up_for_its_owner_alone_and_comes_back(
    home: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    says(monkeypatch, "2718", "2718", "3141", "3141")
    strokelog(home, "people", "key", "Foreman")
    to, back = home / place, home / "back"
    source = Source(home / "copy" / "record.sqlite", None)
    back_up = back_up_to_archive if place.endswith(".tar") else back_up_to_folder
    back_up(source, to, at=AT)
    if back_up is back_up_to_folder:  # brought up to date after another key was given
        strokelog(home, "people", "key", "Foreman")
        back_up_to_folder(source, to, at=AT)
        assert [one.stat().st_mode & 0o777 for one in to.glob("people.json*")] == [0o600]
    restore(to, back)
    file = back / "people.json"
    assert file.read_bytes() == (home / "copy" / "people.json").read_bytes() and file.stat().st_mode & 0o777 == 0o600
    assert people_changed(back, audit(back / "record.sqlite").settings) == ""
