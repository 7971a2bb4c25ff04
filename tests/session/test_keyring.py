"""One at a time has the keys of a bench, and takes them by asking; somebody who is away holds nobody up."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from capture.session.faces.keyring import AWAY_NS, Keyring

ANA, BERIT, CARL = 1, 2, 3


def ring_of_two() -> Keyring:
    ring = Keyring()
    ring.arrive(ANA, wants=True)
    ring.arrive(BERIT, wants=True)
    return ring


def test_the_first_that_wants_the_keys_has_them_and_who_only_looks_never_does() -> None:
    ring = Keyring()
    ring.arrive(CARL, wants=False)
    assert ring.holder is None
    ring.arrive(ANA, wants=True)
    ring.arrive(BERIT, wants=True)
    assert ring.holder == ANA


def test_the_holder_is_asked_and_gives_or_keeps() -> None:
    ring = ring_of_two()
    assert not ring.ask(BERIT, 0) and (ring.holder, ring.asker) == (ANA, BERIT)
    ring.answer(gives=False)
    assert (ring.holder, ring.asker, ring.kept) == (ANA, None, BERIT)
    ring.ask(BERIT, 5)
    ring.answer(gives=True)
    assert (ring.holder, ring.asker, ring.kept) == (BERIT, None, None)


def test_a_holder_who_presses_nothing_for_the_stated_time_is_away() -> None:
    ring = ring_of_two()
    ring.ask(BERIT, 100)
    assert not ring.look(100 + AWAY_NS - 1) and ring.holder == ANA and ring.left_s(100 + AWAY_NS - 1) == 1
    assert ring.look(100 + AWAY_NS) and (ring.holder, ring.asker) == (BERIT, None)


def test_the_keys_of_one_who_left_go_to_whoever_asked() -> None:
    ring = ring_of_two()
    ring.leave(ANA)
    assert ring.holder is None and ring.ask(BERIT, 0) and ring.holder == BERIT
    ring.arrive(CARL, wants=True)
    ring.ask(CARL, 0)
    ring.leave(BERIT)
    assert (ring.holder, ring.asker) == (CARL, None)


@given(
    st.lists(
        st.tuples(st.sampled_from(["arrive", "look at", "leave", "ask", "give", "keep", "wait"]), st.integers(1, 4))
    )
)
def test_whatever_happens_the_keys_are_with_one_who_is_there(acts: list[tuple[str, int]]) -> None:
    ring, there, now_ns = Keyring(), set[int](), 0
    for act, face in acts:
        now_ns += AWAY_NS // 3
        if act in ("arrive", "look at") and face not in there:
            there.add(face)
            ring.arrive(face, wants=act == "arrive")
        elif act == "leave" and face in there:
            there.remove(face)
            ring.leave(face)
        elif act == "ask" and face in there:
            ring.ask(face, now_ns)
        elif act in ("give", "keep"):
            ring.answer(gives=act == "give")
        elif act == "wait":
            ring.look(now_ns)
        assert {ring.holder, ring.asker} - {None} <= there
        assert ring.asker is None or ring.asker != ring.holder
