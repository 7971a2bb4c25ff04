"""Some thousand inputs that nobody ever sent; `python -m tests.load.fuzz` makes five million. The count can fail."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from tests.load import fuzz as fuzzing
from tests.load.fuzz import KINDS, fuzz


def test_what_nobody_ever_sent_is_read_or_refused_in_words() -> None:
    found = fuzz(8_000, seed=10_000_000)
    assert found.faults == {}
    assert found.inputs.keys() == KINDS.keys() and sum(found.inputs.values()) >= 8_000


def test_a_stroke_of_two_readings_is_measured_or_left_and_never_a_failure() -> None:
    """Before the finder knew how far a window of two readings may begin, this stream ended in a StopIteration."""
    assert fuzz(60, seed=282_507, kinds=["decoders"]).faults == {}


def test_an_exception_and_a_slow_input_are_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(dice: random.Random) -> Iterator[int]:
        yield 1
        if dice.random() < 0.5:
            raise ArithmeticError("it broke")

    monkeypatch.setitem(KINDS, "keys", (1.0, fails))
    ((what, again),) = fuzz(20, seed=1, kinds=["keys"]).faults.items()
    assert what.startswith("keys: ArithmeticError at") and "it broke `--kind keys --seed" in again
    monkeypatch.setattr(fuzzing, "MOST_S", 0.0)
    assert any("takes more than" in what for what in fuzz(20, seed=1, kinds=["codecs"]).faults)
