"""Who signed is known by a PIN or a badge where the shop wants it: a lost one is replaced, three wrong tries wait, who
left signs nothing, and no key is kept anywhere but as a slow hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from capture.job import people as module
from capture.job.people import KeyRefused, PeopleError, PeopleFile

NOW = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
BADGE = "key:4f0d9b1c77e25a60"


@pytest.fixture
def people(tmp_path: Path) -> PeopleFile:
    found = PeopleFile(tmp_path)
    found.give_key("Foreman", "PIN", "2718")
    return found


def refused(sign: Callable[[], object]) -> str:
    with pytest.raises(KeyRefused) as caught:
        sign()
    return str(caught.value)


def test_a_person_signs_by_the_key_that_was_given(people: PeopleFile) -> None:
    assert people.signed("Foreman", "sign-off", "2718", NOW) == "PIN"
    people.give_key("foreman ", "badge", BADGE)
    assert people.signed("FOREMAN", "override", BADGE, NOW) == "badge"
    assert people.signed("Foreman", "override", "2718", NOW) == "PIN"
    assert [(one.name, one.ways) for one in people.everybody()] == [("Foreman", ["PIN", "badge"])]


def test_a_name_alone_is_a_name_that_was_typed(people: PeopleFile) -> None:
    assert people.typed("anybody") == people.typed("Foreman") == "typed"


def test_who_has_no_key_signs_nothing_that_needs_one(people: PeopleFile) -> None:
    assert "has no key" in refused(lambda: people.signed("Apprentice", "sign-off", "2718", NOW))
    people.take_keys("Foreman")
    assert "has no key" in refused(lambda: people.signed("Foreman", "sign-off", "2718", NOW))


def test_three_wrong_tries_wait_and_a_right_one_between_forgives(people: PeopleFile) -> None:
    for wrong in ("1111", "27180"):
        assert "no key of Foreman" in refused(lambda wrong=wrong: people.signed("Foreman", "sign-off", wrong, NOW))
    assert people.signed("Foreman", "sign-off", "2718", NOW) == "PIN"
    for _ in range(2):
        refused(lambda: people.signed("Foreman", "sign-off", "0000", NOW))
    assert "3 wrong tries" in refused(lambda: people.signed("Foreman", "sign-off", "0000", NOW))
    soon, later = NOW + timedelta(minutes=4), NOW + timedelta(minutes=6)
    assert "in 1 min" in refused(lambda: people.signed("Foreman", "sign-off", "2718", soon))
    assert "4 wrong tries" in refused(lambda: people.signed("Foreman", "sign-off", "1234", later))
    assert "wrong tries" in refused(lambda: people.signed("Foreman", "sign-off", "2718", later))
    assert people.signed("Foreman", "sign-off", "2718", later + timedelta(minutes=6)) == "PIN"


def test_a_lost_pin_is_replaced_and_the_old_one_opens_nothing(people: PeopleFile) -> None:
    for _ in range(3):
        refused(lambda: people.signed("Foreman", "sign-off", "0000", NOW))
    people.give_key("Foreman", "PIN", "3141")
    assert people.signed("Foreman", "sign-off", "3141", NOW) == "PIN"
    assert "no key" in refused(lambda: people.signed("Foreman", "sign-off", "2718", NOW))


def test_who_left_signs_nothing_not_even_by_name(people: PeopleFile) -> None:
    people.left("Foreman", NOW)
    assert "left on 2026-03-02" in refused(lambda: people.typed("foreman"))
    assert "left" in refused(lambda: people.signed("Foreman", "sign-off", "2718", NOW))
    with pytest.raises(PeopleError, match="people back"):
        people.give_key("Foreman", "PIN", "2718")
    people.came_back("Foreman")
    assert people.typed("Foreman") == "typed"
    assert "has no key" in refused(lambda: people.signed("Foreman", "sign-off", "2718", NOW))


@pytest.mark.parametrize(
    ("way", "secret"),
    [("PIN", "123"), ("PIN", "7777"), ("PIN", "12a4"), ("PIN", ""), ("PIN", "1" * 64 + "2" * 65),
     ("badge", "key:short"), ("badge", "4f0d9b1c77e25a60ffff")],
)  # fmt: skip
def test_a_key_that_is_none_is_refused(people: PeopleFile, way: str, secret: str) -> None:
    with pytest.raises(PeopleError):
        people.give_key("Somebody", way, secret)  # type: ignore[arg-type]
    assert len(people.everybody()) == 1


def test_the_file_is_its_owners_and_holds_only_slow_hashes(people: PeopleFile, tmp_path: Path) -> None:
    path = tmp_path / "people.json"
    assert path.stat().st_mode & 0o777 == 0o600
    assert "2718" not in path.read_text()
    key = json.loads(path.read_text())["people"][0]["keys"][0]
    again = hashlib.scrypt(b"2718", salt=bytes.fromhex(key["salt"]), n=key["n"], r=8, p=1, maxmem=1 << 26)
    assert again.hex() == key["scrypt"]
    people.give_key("Other", "PIN", "2718")
    assert len({one["keys"][0]["scrypt"] for one in json.loads(path.read_text())["people"]}) == 2


def test_the_slow_hash_is_that_of_the_standard() -> None:
    """RFC 7914, section 12, the third test vector (memory), at its own cost."""
    wanted = "7023bdcb3afd7348461c06cd81fd38eb"
    made = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=16384, r=8, p=1, maxmem=module._MEMORY)
    assert made.hex().startswith(wanted)


def test_a_file_that_is_none_is_said_to_be(tmp_path: Path) -> None:
    (tmp_path / "people.json").write_text('{"people": 3}')
    with pytest.raises(PeopleError, match="people"):
        PeopleFile(tmp_path).typed("Foreman")
