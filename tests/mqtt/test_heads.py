"""Heads that messages carry tell a record that was changed, replaced or cut from one that only grew."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from capture.mqtt.heads import HeadsHeard, HeadTold

AT = datetime(2025, 11, 25, 9, 0, tzinfo=UTC)


def chain(seed: str, length: int) -> list[HeadTold]:
    """A record's heads, one a minute, each hash of all before it."""
    heads, last = [], seed
    for number in range(1, length + 1):
        last = hashlib.sha256(f"{last}{number}".encode()).hexdigest()
        heads.append(HeadTold(number, last, AT + timedelta(minutes=number)))
    return heads


@given(st.permutations(range(12)), st.integers(0, 11))
def test_one_record_s_heads_in_any_order_and_any_number_of_times_are_no_break(order: list[int], twice: int) -> None:
    heads, heard = chain("a", 12), HeadsHeard()
    for n in [*order, twice, *order]:
        heard.take(heads[n])
    assert heard.broken == ""


@given(st.integers(2, 12), st.integers(1, 12))
def test_a_second_record_of_a_bench_is_found_by_its_first_head_of_a_known_number(known: int, forked: int) -> None:
    heard = HeadsHeard()
    for head in chain("a", known):
        heard.take(head)
    other = chain("b", 12)[forked - 1]
    heard.take(other)
    assert bool(heard.broken) == (forked <= known)
    if heard.broken:
        assert heard.broken.startswith(f"entry {forked} was ")


def test_a_record_that_lost_its_end_is_found_by_its_next_message() -> None:
    heads, heard = chain("a", 9), HeadsHeard()
    heard.take(heads[8])
    heard.take(HeadTold(5, "f" * 64, AT + timedelta(hours=1)))
    assert heard.broken == "entry 9 was there and the newest is 5 now: the record lost its end"
    heard.take(heads[7])
    assert "lost its end" in heard.broken  # it stays


def test_an_older_message_that_the_broker_retained_tells_nothing() -> None:
    heads, heard = chain("a", 9), HeadsHeard()
    heard.take(heads[8])
    heard.take(heads[2])
    assert heard.broken == ""
