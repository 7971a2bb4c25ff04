"""The air valve's safety, checked on every state it can reach and not on examples only."""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.air import safety
from capture.air.safety import (
    TABLE,
    Alive,
    Arm,
    ButtonHeld,
    Disarm,
    ErrorRaised,
    Event,
    Fault,
    FixtureBack,
    FixtureLost,
    FixtureTrouble,
    HeartbeatSeen,
    IndicatorBack,
    IndicatorLost,
    PressureSeen,
    RanLate,
    Request,
    Safety,
    SafetyLimits,
    State,
    Stop,
    Tick,
    ValveConfirmed,
    WantClosed,
    WantOpen,
)

MS = 1_000_000
#: A clock of few ticks, so that every age can be tried: what counts is the order of the limits, not their size.
SMALL = SafetyLimits(
    over_pressure_pa=700_000, heartbeat_ns=2, pressure_ns=None, alive_ns=None, max_apply_ns=3, disagree_ns=2
)
#: A fixture without a sensor, of a bench that need not say that it is alive: each claim names what it is about.
ALONE = SafetyLimits(pressure_ns=None, alive_ns=None)
QUIET = replace(ALONE, heartbeat_ns=None)
LONGEST = 4
EVENTS: tuple[Event, ...] = (
    Arm(),
    Disarm(),
    WantOpen(),
    WantClosed(),
    Tick(),
    Alive(),
    RanLate(),
    HeartbeatSeen(),
    PressureSeen(140_000),
    PressureSeen(700_001),
    ValveConfirmed(True),
    ValveConfirmed(False),
    ButtonHeld(True),
    ButtonHeld(False),
    IndicatorLost(),
    IndicatorBack(),
    FixtureLost(),
    FixtureBack(),
    FixtureTrouble("low air"),
    ErrorRaised("no room on the disk"),
    Stop(),
)
#: Events that are a fault by themselves.
FAULTS = tuple(
    event
    for event in EVENTS
    if event == PressureSeen(700_001)
    or isinstance(event, IndicatorLost | FixtureLost | FixtureTrouble | ErrorRaised | RanLate)
)
#: Every event comes at once and one tick later; what asks for something also comes after a long silence.
STEPS: tuple[tuple[int, Event], ...] = (
    *itertools.product((0, 1), EVENTS),
    *itertools.product((LONGEST,), (Tick(), Arm(), WantOpen(), HeartbeatSeen(), Alive(), PressureSeen(140_000))),
)

Move = tuple[Safety, int, Event, Safety]


def since_now(machine: Safety) -> Safety:
    """The same machine with its clock at zero and every age cut off at LONGEST, beyond all limits: what it will do
    does not depend on the hour, nor on the words of an old trip."""

    def age(at: int | None) -> int | None:
        return None if at is None else max(at - machine.now_ns, -LONGEST)

    return replace(
        machine,
        now_ns=0,
        trip="",
        heartbeat_at_ns=age(machine.heartbeat_at_ns) if machine.limits.heartbeat_ns else None,
        pressure_at_ns=age(machine.pressure_at_ns) if machine.limits.pressure_ns else None,
        alive_at_ns=age(machine.alive_at_ns) if machine.limits.alive_ns else None,
        differs_since_ns=age(machine.differs_since_ns),
        opened_at_ns=age(machine.opened_at_ns),
    )


def every_move(limits: SafetyLimits) -> Iterator[Move]:
    """Every event after every wait from every state that can be reached, however long it takes to get there."""
    start = Safety(limits)
    met, seen, todo = {start}, {start}, deque([start])
    while todo:
        machine = todo.popleft()
        for wait, event in STEPS:
            after = machine.take(machine.now_ns + wait, event)
            yield machine, wait, event, after
            if after in met:
                continue
            met.add(after)
            short = since_now(after)
            if short not in seen:
                seen.add(short)
                todo.append(short)


def wrongs(moves: Iterable[Move]) -> Iterator[str]:
    """Yield every promise that one of these moves breaks."""
    for before, wait, event, after in moves:
        opened = after.valve_open and not before.valve_open
        if after.valve_open != (after.state is State.APPLIED):
            yield "open only in applied"
        if opened and not (before.state is State.ARMED and isinstance(event, WantOpen)):
            yield "applied only from armed, by wanting it open"
        if after.state is State.ARMED and before.state in (State.UNARMED, State.TRIPPED) and event != Arm():
            yield "armed only by arming"
        if before.state is State.APPLIED and (event in FAULTS or before.take(before.now_ns + wait, Tick()).faults()):
            if after.valve_open:
                yield "a fault closes in that very step"
            if after.state is not State.TRIPPED and event != Stop():
                yield "after a fault a person must arm again"
        if after.valve_open and after.faults():
            yield "never open while a fault is true"
        if after.opened_at_ns is not None and after.now_ns - after.opened_at_ns >= after.limits.max_apply_ns:
            yield "no apply longer than the longest"
        if isinstance(event, Arm) and not before.valve_open and after.state is State.ARMED != before.state:
            standing = after.faults() or after.button_held or after.confirmed_open
            if standing or before.take(before.now_ns + wait, Tick()).state is not before.state:
                yield "no arming while a cause stands"
        if before.state is State.STOPPED and after.state is not State.STOPPED:
            yield "nothing follows the end"
        if isinstance(event, Stop) and after.state is not State.STOPPED:
            yield "the end closes"
        if isinstance(event, Disarm | WantClosed) and after.valve_open:
            yield "asked to close, it closes"
        if not after.valve_open and after.state is not State.ARMED and not after.why_not():
            yield "says why not"
        if (after.state is State.TRIPPED) != bool(after.trip) and before.state is not State.TRIPPED:
            yield "says why it tripped"


@pytest.fixture(scope="module")
def moves() -> list[Move]:
    return list(every_move(SMALL))


def test_the_table_has_every_input_in_every_state() -> None:
    assert set(TABLE) == set(itertools.product(State, (*Request, *Fault)))


def test_one_cell_of_the_table_opens_the_valve() -> None:
    opening = [cell for cell, to in TABLE.items() if to is State.APPLIED and cell[0] is not State.APPLIED]
    assert opening == [(State.ARMED, Request.WANT_OPEN)]


def test_every_reachable_state_keeps_every_promise(moves: list[Move]) -> None:
    assert {move[0].state for move in moves} == set(State)
    assert len({move[0] for move in moves}) > 500
    assert set(wrongs(moves)) == set()


@pytest.mark.parametrize("counts", [{}, {"pressure_ns": 2}, {"alive_ns": 2}], ids=["none", "pressure", "alive"])
def test_whichever_silence_counts_every_promise_is_kept(counts: dict[str, int]) -> None:
    moves = list(every_move(replace(SMALL, **{"heartbeat_ns": None, **counts})))
    assert {move[0].state for move in moves} == set(State)
    assert set(wrongs(moves)) == set()


def test_every_sequence_of_four_events_keeps_every_promise() -> None:
    # Exact states on the real clock, from the start and from an applied valve; equal states have equal futures.
    applied = ready().take(0, Arm()).take(0, WantOpen())
    assert applied.valve_open
    for start in (Safety(ALONE), applied):
        level = {start}
        for _ in range(4):
            found = [
                (machine, wait, event, machine.take(machine.now_ns + wait, event))
                for machine in level
                for wait, event in itertools.product((0, 300 * MS), EVENTS)
                if event != Alive()
            ]
            assert set(wrongs(found)) == set()
            # The age of a pressure counts for nothing here, so it makes no difference to what follows.
            level = {replace(after, pressure_at_ns=None) for *_, after in found}


def test_after_a_trip_nothing_but_arming_leads_to_air(moves: list[Move]) -> None:
    onward: dict[Safety, set[Safety]] = {}
    for before, _, event, after in moves:
        if not isinstance(event, Arm):
            onward.setdefault(before, set()).add(since_now(after))
    todo = deque(machine for machine in onward if machine.state is State.TRIPPED)
    seen = set(todo)
    assert seen
    while todo:
        machine = todo.popleft()
        assert not machine.valve_open
        fresh = onward[machine] - seen
        seen |= fresh
        todo.extend(fresh)


@pytest.mark.parametrize(
    ("cell", "to", "promise"),
    [
        ((State.UNARMED, Request.WANT_OPEN), State.APPLIED, "applied only from armed, by wanting it open"),
        ((State.TRIPPED, Request.WANT_OPEN), State.APPLIED, "applied only from armed, by wanting it open"),
        ((State.TRIPPED, Request.DISARM), State.ARMED, "armed only by arming"),
        ((State.TRIPPED, Request.ARM_BARRED), State.ARMED, "no arming while a cause stands"),
        ((State.APPLIED, Fault.HEARTBEAT_LOST), State.APPLIED, "a fault closes in that very step"),
        ((State.APPLIED, Fault.OVER_PRESSURE), State.ARMED, "after a fault a person must arm again"),
        ((State.APPLIED, Fault.VALVE_DISAGREES), State.APPLIED, "a fault closes in that very step"),
        ((State.APPLIED, Fault.ERROR_RAISED), State.APPLIED, "a fault closes in that very step"),
        ((State.APPLIED, Fault.RAN_LATE), State.APPLIED, "a fault closes in that very step"),
        ((State.APPLIED, Fault.APPLIED_TOO_LONG), State.APPLIED, "no apply longer than the longest"),
        ((State.APPLIED, Request.STOP), State.APPLIED, "the end closes"),
        ((State.STOPPED, Request.ARM), State.ARMED, "nothing follows the end"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_the_check_sees_a_wrong_cell(
    cell: tuple[State, Request | Fault], to: State, promise: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(safety.TABLE, cell, to)
    assert promise in wrongs(every_move(SMALL))


# -- the bench's own times -------------------------------------------------------------------------------


def ready(limits: SafetyLimits | None = None) -> Safety:
    machine = Safety(limits or ALONE)
    for event in (FixtureBack(), IndicatorBack(), HeartbeatSeen(), PressureSeen(0), ValveConfirmed(False)):
        machine = machine.take(0, event)
    return machine


def applied(limits: SafetyLimits | None = None) -> Safety:
    return ready(limits).take(0, Arm()).take(0, WantOpen())


def test_nothing_opens_before_a_person_arms() -> None:
    machine = ready().take(1, WantOpen())
    assert not machine.valve_open
    assert machine.why_not() == "The air is off: the bench is not armed. Keep hands clear, then arm."
    assert machine.take(2, Arm()).take(3, WantOpen()).valve_open


def test_disarming_ends_the_session_s_leave() -> None:
    assert not applied().take(1, Disarm()).take(2, WantOpen()).valve_open


def test_half_a_second_without_heartbeat_closes() -> None:
    machine = applied().take(100 * MS, HeartbeatSeen()).take(150 * MS, ValveConfirmed(True))
    assert machine.take(599 * MS, Tick()).valve_open
    tripped = machine.take(600 * MS, Tick())
    assert tripped.state is State.TRIPPED and "0.5 s" in tripped.trip


def test_a_heartbeat_that_comes_too_late_does_not_hide_that_it_was_late() -> None:
    assert applied().take(500 * MS, HeartbeatSeen()).state is State.TRIPPED


def test_silence_is_no_fault_of_a_fixture_without_heartbeat() -> None:
    machine = applied(QUIET).take(10 * MS, ValveConfirmed(True))
    assert machine.take(7_000 * MS, Tick()).valve_open


def test_a_bench_that_does_not_say_it_is_alive_gets_no_air() -> None:
    limits = replace(QUIET, alive_ns=300 * MS)
    barred = ready(limits).take(1, Arm())
    assert barred.state is State.UNARMED and "strokelog stood still for 0.3 s" in barred.why_not()
    machine = ready(limits).take(2, Alive()).take(3, Arm()).take(4, WantOpen()).take(5, ValveConfirmed(True))
    assert machine.take(300 * MS, Tick()).valve_open
    tripped = machine.take(300 * MS + 2, Tick())
    assert tripped.state is State.TRIPPED and "stood still" in tripped.trip
    assert tripped.take(303 * MS, ValveConfirmed(False)).take(304 * MS, Alive()).take(305 * MS, Arm()).why_not() == ""


def test_standing_still_in_an_apply_closes_and_before_one_does_no_harm() -> None:
    assert applied().take(10 * MS, RanLate()).state is State.TRIPPED
    assert ready().take(0, Arm()).take(10 * MS, RanLate()).state is State.ARMED


def test_a_sensor_that_says_nothing_any_more_is_no_pressure_and_no_air() -> None:
    """A fixture whose sensor broke says `-` for ever; what it said before must not pass for what is."""
    limits = replace(QUIET, pressure_ns=700 * MS)
    machine = applied(limits).take(10 * MS, ValveConfirmed(True)).take(20 * MS, PressureSeen(140_000))
    assert machine.take(719 * MS, Tick()).pressure_pa == 140_000
    tripped = machine.take(720 * MS, Tick())
    assert (tripped.state, tripped.pressure_pa) == (State.TRIPPED, None) and "says no pressure" in tripped.trip
    assert tripped.take(721 * MS, ValveConfirmed(False)).take(722 * MS, Arm()).state is State.TRIPPED
    never = Safety(limits).take(0, FixtureBack()).take(0, IndicatorBack()).take(1, Arm())
    assert never.state is State.UNARMED and "says no pressure" in never.why_not()


def test_no_apply_outlasts_eight_seconds_even_if_it_is_wanted_again() -> None:
    machine = applied(QUIET).take(10 * MS, ValveConfirmed(True))
    machine = machine.take(7_999 * MS, WantOpen())
    assert machine.valve_open
    tripped = machine.take(8_000 * MS, WantOpen())
    assert tripped.state is State.TRIPPED and "8 s" in tripped.trip


def test_a_valve_that_does_not_follow_within_three_tenths_closes() -> None:
    assert applied().take(299 * MS, Tick()).valve_open
    tripped = applied().take(300 * MS, Tick())
    assert tripped.trip == "the valve says it is shut when told to open. Check its wiring and supply."


def test_a_valve_that_stays_open_bars_arming_and_says_so() -> None:
    machine = applied().take(100 * MS, ValveConfirmed(True)).take(200 * MS, Disarm())
    barred = machine.take(250 * MS, Arm())
    assert barred.state is State.UNARMED and "still open" in barred.why_not()
    stuck = barred.take(499 * MS, HeartbeatSeen()).take(500 * MS, Tick())
    assert stuck.state is State.TRIPPED and "Shut the supply off by hand" in stuck.trip
    assert stuck.take(510 * MS, Arm()).state is State.TRIPPED


def test_over_pressure_closes_and_bars_arming_until_it_is_gone() -> None:
    tripped = applied().take(10 * MS, PressureSeen(820_000))
    assert tripped.trip == "the pressure is 820 kPa gauge, above 700 kPa gauge. Turn the regulator down."
    tripped = tripped.take(20 * MS, ValveConfirmed(False))
    barred = tripped.take(30 * MS, PressureSeen(710_000)).take(31 * MS, Arm())
    assert barred.state is State.TRIPPED
    assert "Cannot arm: the pressure is 710 kPa gauge" in barred.why_not()
    assert barred.take(40 * MS, PressureSeen(700_000)).take(41 * MS, Arm()).state is State.ARMED


@pytest.mark.parametrize(
    ("cause", "word", "cure"),
    [
        (ButtonHeld(True), "button", ButtonHeld(False)),
        (PressureSeen(900_000), "900 kPa gauge", PressureSeen(0)),
        (IndicatorLost(), "indicator", IndicatorBack()),
        (ValveConfirmed(True), "still open", ValveConfirmed(False)),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_arming_is_refused_with_a_reason_while_a_cause_stands(cause: Event, word: str, cure: Event) -> None:
    barred = ready().take(1, cause).take(2, Arm())
    assert barred.state is State.UNARMED and word in barred.why_not()
    assert barred.take(3, cure).take(4, Arm()).state is State.ARMED


def test_a_fixture_that_came_back_must_show_that_it_is_alive() -> None:
    back = ready().take(1, FixtureLost()).take(2, FixtureBack())
    barred = back.take(3, Arm())
    assert barred.state is State.UNARMED and "alive" in barred.why_not()
    assert barred.take(4, HeartbeatSeen()).take(5, Arm()).state is State.ARMED


def test_arming_in_the_step_that_finds_a_fault_arms_nothing() -> None:
    machine = applied(QUIET).take(1, ValveConfirmed(True)).take(2, FixtureLost())
    machine = machine.take(3, FixtureBack()).take(4, Arm()).take(5, WantOpen())
    assert machine.valve_open
    assert machine.take(8_005 * MS, Arm()).state is State.TRIPPED


def test_the_first_cause_is_the_one_told() -> None:
    machine = applied().take(1, ErrorRaised("no room on the disk.")).take(2, IndicatorLost())
    assert machine.trip == "strokelog failed (no room on the disk). Check the air by hand before going on."
    assert "indicator" in machine.why_not()


def test_a_clock_that_goes_back_stretches_nothing() -> None:
    machine = applied().take(200 * MS, ValveConfirmed(True)).take(0, Tick())
    assert machine.now_ns == 200 * MS


def test_limits_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="max_apply_ns is 0; expected more than zero"):
        SafetyLimits(max_apply_ns=0)


@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(EVENTS)), max_size=60))
def test_the_history_itself_bears_out_an_open_valve(steps: list[tuple[int, Event]]) -> None:
    """Judge from the events alone, remembering nothing the machine remembers."""
    machine, now = ready().take(0, Arm()), 0
    history: list[tuple[int, Event]] = [(0, HeartbeatSeen()), (0, Arm())]
    open_since: int | None = None
    for wait, event in steps:
        now += wait * MS
        late_while_shut = event == RanLate() and not machine.valve_open
        machine = machine.take(now, event)
        if not late_while_shut:  # nothing was on that could have been on for too long
            history.append((now, event))
        open_since = (now if open_since is None else open_since) if machine.valve_open else None
        if open_since is None:
            continue
        assert now - open_since < 8_000 * MS
        assert now - max(at for at, past in history if past == HeartbeatSeen()) < 500 * MS
        armed = max(n for n, (_, past) in enumerate(history) if past == Arm())
        assert not [past for _, past in history[armed:] if past in FAULTS or past in (Disarm(), Stop())]
        wants = [past for _, past in history if isinstance(past, WantOpen | WantClosed)]
        assert wants[-1] == WantOpen()
