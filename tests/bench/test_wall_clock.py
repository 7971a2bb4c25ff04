"""A wall clock that was set is seen, whichever way, and one that is only slewed is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from capture.bench.wall_clock import LARGEST_STEP_NS, WallClock

SECOND = 1_000_000_000


class Clocks:
    """A wall clock and one that only runs."""

    def __init__(self) -> None:
        self.wall = 1_764_000_000 * SECOND
        self.running = 77 * SECOND

    def watched(self) -> WallClock:
        return WallClock(lambda: self.wall, lambda: self.running)

    def run(self, seconds: float, *, wall: float | None = None) -> None:
        self.running += int(seconds * SECOND)
        self.wall += int((seconds if wall is None else wall) * SECOND)


def test_a_clock_put_back_or_forward_is_told_once_with_both_times() -> None:
    for step in (-3600.0, 3600.0, 2.5):
        clocks = Clocks()
        clock = clocks.watched()
        clocks.run(10, wall=10 + step)
        told = clock.jump()
        assert told is not None and told["jumped_ns"] == int(step * SECOND) and told["seen"] == "running"
        gone = datetime.fromisoformat(told["to"]) - datetime.fromisoformat(told["from"])
        assert gone == timedelta(seconds=step)
        clocks.run(600)
        assert clock.jump() is None


def test_a_slewed_clock_and_a_sleep_of_the_computer_are_no_jump() -> None:
    clocks = Clocks()
    clock = clocks.watched()
    for _ in range(100):  # 500 ppm is the most that a kernel slews (adjtimex(2))
        clocks.run(600, wall=600.3)
        assert clock.jump() is None
    clocks.run(8 * 3600)  # the running clock counts what was slept
    assert clock.jump() is None


def test_a_clock_behind_the_newest_entry_is_told() -> None:
    clocks = Clocks()
    clock = clocks.watched()
    now = datetime.fromtimestamp(clocks.wall / 1e9, UTC)
    assert clock.behind(None) is None and clock.behind(now - timedelta(days=3)) is None
    assert clock.behind(now + timedelta(seconds=LARGEST_STEP_NS / 1e9 / 2)) is None
    told = clock.behind(now + timedelta(days=3))
    assert told is not None and told["jumped_ns"] == -3 * 86_400 * SECOND
