"""The apply button: what a hand, a bouncing contact and a stuck one may and may not bring about."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.air.button import (
    AirGone,
    AskForAir,
    AskForNoAir,
    ButtonEdge,
    Cycle,
    CycleTimes,
    Event,
    Phase,
    Say,
    StrokeCompleted,
    StrokesToMake,
    TimePassed,
    VerdictSettled,
)

MS = 1_000_000
TICK_MS = 10


class Bench:
    """A cycle with its ticks, and everything it said and wanted, by the millisecond."""

    def __init__(
        self,
        way: Literal["hold", "press"],
        strokes: StrokesToMake | None = None,
        *,
        down: bool = False,
        finds: bool = True,
        times: CycleTimes | None = None,
    ) -> None:
        self.times = times or CycleTimes()
        self.cycle = Cycle(way, strokes or StrokesToMake(1, 3, 9), self.times, now_ns=0, button_down=down)
        self.ms = 0
        self.said: list[str] = []
        self.opened: list[int] = []
        self.closed: list[int] = []
        self.finds = finds
        self.settle_at: int | None = None
        self.made = 0

    def feed(self, event: Event) -> None:
        for action in self.cycle.take(self.ms * MS, event):
            match action:
                case Say(text):
                    self.said.append(text)
                case AskForAir():
                    assert len(self.opened) == len(self.closed), "opened twice"
                    self.opened.append(self.ms)
                case AskForNoAir():
                    self.closed.append(self.ms)
                    assert len(self.opened) == len(self.closed), "closed twice"
        assert self.cycle.wants_open == (len(self.opened) > len(self.closed))

    def wait(self, ms: int) -> None:
        """Let time go by; a stroke is found half a second after each release."""
        end = self.ms + ms
        while self.ms < end:
            self.ms = min(self.ms + TICK_MS, end)
            if self.finds and len(self.closed) > self.made and self.ms >= self.closed[self.made] + 500:
                self.made += 1
                self.feed(StrokeCompleted(counts=self.made > 1, seats=self.made == 1))
                if self.settle_at == self.made:
                    self.feed(VerdictSettled())
            self.feed(TimePassed())

    def press(self, down_ms: int = 100) -> None:
        self.feed(ButtonEdge(True))
        self.wait(down_ms)
        self.feed(ButtonEdge(False))
        self.wait(30)


# -- hold ------------------------------------------------------------------------------------------------


def test_in_hold_the_valve_follows_the_button() -> None:
    bench = Bench("hold")
    bench.wait(100)
    bench.press(1_500)
    assert bench.opened == [120] and bench.closed == [1_620]


def test_a_bouncing_contact_opens_once_and_closes_once() -> None:
    bench = Bench("hold")
    for _ in range(5):
        bench.feed(ButtonEdge(True))
        bench.wait(2)
        bench.feed(ButtonEdge(False))
        bench.wait(3)
    bench.press(500)
    for _ in range(2):
        bench.feed(ButtonEdge(True))
        bench.wait(4)
        bench.feed(ButtonEdge(False))
        bench.wait(4)
    bench.wait(200)
    assert len(bench.opened) == len(bench.closed) == 1


def test_a_spike_opens_nothing_and_a_dropout_closes_nothing() -> None:
    bench = Bench("hold")
    bench.feed(ButtonEdge(True))
    bench.wait(19)
    bench.feed(ButtonEdge(False))
    bench.wait(100)
    assert bench.opened == []
    bench.feed(ButtonEdge(True))
    bench.wait(300)
    bench.feed(ButtonEdge(False))
    bench.wait(10)
    bench.feed(ButtonEdge(True))
    bench.wait(300)
    assert len(bench.opened) == 1 and bench.closed == []


def test_the_longest_hold_closes_and_asks_for_the_button_to_be_let_go() -> None:
    bench = Bench("hold")
    bench.feed(ButtonEdge(True))
    bench.wait(20_000)
    assert bench.opened == [20] and bench.closed == [7_020]
    assert bench.said[0] == "Air off: it was on for 7 s, the longest hold. Let go of the button."
    bench.feed(ButtonEdge(False))
    bench.wait(100)
    bench.press(200)
    assert len(bench.opened) == 2


def test_news_of_a_press_that_is_over_opens_nothing() -> None:
    cycle = Cycle("hold", StrokesToMake(0, 3, 9), now_ns=0)
    cycle.take(0, ButtonEdge(True))
    assert cycle.take(3_000 * MS, ButtonEdge(False)) == []


def test_a_settled_check_takes_no_more_air() -> None:
    bench = Bench("hold")
    bench.feed(ButtonEdge(True))
    bench.wait(100)
    bench.feed(VerdictSettled())
    assert not bench.cycle.wants_open
    bench.feed(ButtonEdge(False))
    bench.wait(100)
    bench.press()
    assert len(bench.opened) == 1
    assert bench.said[-1] == "This check is done. Go on to the next pack before applying air."


# -- press -----------------------------------------------------------------------------------------------


def test_one_press_seats_counts_and_ends_when_the_verdict_is_settled() -> None:
    bench = Bench("press")
    bench.settle_at = 4
    bench.press()
    bench.wait(20_000)
    assert len(bench.opened) == 4 and bench.cycle.phase is Phase.READY
    assert all(shut - begun == 1_500 for begun, shut in zip(bench.opened, bench.closed, strict=True))
    assert all(begun - shut == 1_500 for begun, shut in zip(bench.opened[1:], bench.closed, strict=False))
    assert bench.said == [
        "Hands clear: the run starts. Press again to stop it at once.",
        "Seat stroke 1 of 1.",
        "Stroke 1 of 3.",
        "Stroke 2 of 3.",
        "Stroke 3 of 3.",
        "The verdict stands after 3 counted strokes.",
    ]


def test_a_verdict_settled_early_ends_the_run_early() -> None:
    bench = Bench("press", StrokesToMake(1, 8, 24))
    bench.settle_at = 3
    bench.press()
    bench.wait(30_000)
    assert len(bench.opened) == 3


def test_an_undecided_check_makes_more_but_not_more_than_the_sheet_allows() -> None:
    bench = Bench("press", StrokesToMake(1, 3, 5))
    bench.press()
    bench.wait(60_000)
    assert len(bench.opened) == 6
    assert "Undecided after 3 strokes: stroke 4 of at most 5." in bench.said
    assert bench.said[-1] == "Stopped undecided: 6 applies are as many as the sheet allows in a run."


def test_spoiled_strokes_do_not_make_a_run_endless() -> None:
    bench = Bench("press", StrokesToMake(0, 3, 5), finds=False)
    bench.press()
    for _ in range(20_000):
        bench.wait(TICK_MS)
        if bench.cycle.phase is Phase.RESTING:
            bench.feed(StrokeCompleted(counts=False, seats=False))
    assert len(bench.opened) == 5 and bench.cycle.phase is Phase.READY


def test_air_that_moves_nothing_ends_the_run() -> None:
    bench = Bench("press", finds=False)
    bench.press()
    bench.wait(30_000)
    assert len(bench.opened) == 1
    assert bench.said[-1].startswith("Stopped: air was applied and no stroke was seen.")


@pytest.mark.parametrize("after_ms", [200, 1_400, 1_700, 3_500])
def test_a_second_press_stops_in_that_very_step_and_starts_nothing(after_ms: int) -> None:
    bench = Bench("press")
    bench.press()
    bench.wait(after_ms)
    bench.feed(ButtonEdge(True))
    assert not bench.cycle.wants_open and bench.cycle.phase is Phase.READY
    made = len(bench.opened)
    bench.wait(100)
    bench.feed(ButtonEdge(False))
    bench.wait(10_000)
    assert len(bench.opened) == made
    assert bench.said[-1] == "Stopped: the button was pressed again. Press once more to start over."
    bench.press()
    assert len(bench.opened) == made + 1


def test_a_double_press_ends_with_the_air_off() -> None:
    bench = Bench("press")
    bench.press(80)
    bench.press(80)
    bench.wait(10_000)
    assert bench.opened == [100] and len(bench.closed) == 1 and bench.closed[0] <= 110


def test_a_long_press_starts_nothing_and_says_so() -> None:
    bench = Bench("press")
    bench.press(1_200)
    bench.wait(5_000)
    assert bench.opened == []
    assert bench.said == ["That press was too long to start a run. Press the button briefly."]


def test_a_button_down_at_the_start_does_nothing_until_it_has_been_up() -> None:
    for way in ("hold", "press"):
        bench = Bench("hold" if way == "hold" else "press", down=True)
        bench.wait(60_000)
        assert bench.opened == []
        assert bench.said == ["The apply button is down already. Let go of it; nothing happens until it has been up."]
        bench.feed(ButtonEdge(False))
        bench.wait(100)
        assert bench.opened == []
        bench.press()
        assert len(bench.opened) == 1


def test_a_button_that_sticks_never_cycles_and_is_told_of_once() -> None:
    bench = Bench("press")
    bench.feed(ButtonEdge(True))
    bench.wait(60_000)
    assert bench.opened == []
    assert bench.said == ["The apply button has been down for 5 s. Let go of it; if nobody holds it, it sticks."]
    bench.feed(ButtonEdge(False))
    bench.wait(100)
    assert bench.opened == []


def test_a_stop_closes_at_once_with_its_reason() -> None:
    bench = Bench("press")
    bench.press()
    bench.feed(AirGone("the indicator sends nothing."))
    assert not bench.cycle.wants_open
    assert bench.said[-1] == "Air off: the indicator sends nothing."
    bench.wait(10_000)
    assert len(bench.opened) == 1


@pytest.mark.parametrize("way", ["hold", "press"])
def test_after_a_stop_a_button_still_down_starts_nothing(way: Literal["hold", "press"]) -> None:
    bench = Bench(way)
    bench.feed(ButtonEdge(True))
    bench.wait(100)
    bench.feed(AirGone("disarmed."))
    bench.wait(500)
    bench.feed(ButtonEdge(False))
    bench.wait(5_000)
    assert not bench.cycle.wants_open and len(bench.opened) == (way == "hold")


def test_times_and_counts_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="apply_ns is 9000000000; expected no more than max_apply_ns"):
        CycleTimes(apply_ns=9_000 * MS)
    with pytest.raises(ValueError, match="release_ns is 0"):
        CycleTimes(release_ns=0)
    with pytest.raises(ValueError, match="debounce_ns < long_press_ns"):
        replace(CycleTimes(), long_press_ns=MS)
    with pytest.raises(ValueError, match="0 < count <= most"):
        StrokesToMake(1, 5, 4)


# -- whatever the button does ----------------------------------------------------------------------------

WAITS = st.one_of(st.integers(0, 30), st.integers(0, 2_000), st.integers(0, 9_000))
NOISE = st.lists(
    st.tuples(
        WAITS, st.sampled_from([ButtonEdge(True), ButtonEdge(False), ButtonEdge(True), AirGone("x."), TimePassed()])
    ),
    max_size=30,
)


@given(st.sampled_from(["hold", "press"]), st.booleans(), st.booleans(), NOISE)
def test_no_noise_keeps_air_wanted_longer_than_the_longest_apply(
    way: Literal["hold", "press"], down: bool, finds: bool, noise: list[tuple[int, Event]]
) -> None:
    bench = Bench(way, down=down, finds=finds)
    for wait, event in noise:
        bench.wait(wait)
        bench.feed(event)
    bench.feed(AirGone("the end."))
    assert not bench.cycle.wants_open
    longest = bench.times.max_apply_ns // MS + TICK_MS
    assert all(shut - begun <= longest for begun, shut in zip(bench.opened, bench.closed, strict=True))


@given(st.booleans(), st.booleans(), NOISE)
def test_any_edge_down_in_a_run_ends_it_at_once(down: bool, finds: bool, noise: list[tuple[int, Event]]) -> None:
    bench = Bench("press", down=down, finds=finds)
    level = down
    for wait, event in noise:
        bench.wait(wait)
        bench.feed(event)
        if isinstance(event, ButtonEdge):
            if event.pressed and not level:
                assert not bench.cycle.wants_open and bench.cycle.phase is Phase.READY
            level = event.pressed


@given(st.lists(st.integers(0, 19), max_size=40), st.booleans())
def test_chatter_that_ends_stuck_down_never_cycles(gaps: list[int], down: bool) -> None:
    bench = Bench("press", down=down)
    level = down
    for gap in gaps:
        level = not level
        bench.feed(ButtonEdge(level))
        bench.wait(gap)
    bench.feed(ButtonEdge(True))
    bench.wait(30_000)
    assert bench.opened == []
    assert len(bench.said) == 1
