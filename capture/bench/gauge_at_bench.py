"""The gauge of a bench, checked against masters where it stands: from the wish to the entry that says how it stands."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from capture.bench.arrivals import Arrivals
from capture.bench.bookkeeping import Bookkeeping
from capture.bench.gauge_morning import GaugeCheck
from capture.bench.state import BenchState
from capture.bench.telling import Telling
from capture.clearance.signing import SignedWay


class GaugeAtBench:
    """At most one check of the gauge goes, and no pack is measured meanwhile."""

    def __init__(
        self,
        state: BenchState,
        books: Bookkeeping,
        telling: Telling,
        arrivals: Arrivals,
        busy: asyncio.Lock,
        no_more_air: Callable[[str], None],
        abandon: Callable[[str], Awaitable[None]],
        fail: Callable[[BaseException], None],
    ) -> None:
        """`busy` is held while something is written down; `abandon` ends the check of a pack that runs, `fail` the
        session."""
        self._state, self._books, self._telling, self._arrivals = state, books, telling, arrivals
        self._busy, self._no_more_air, self._abandon, self._fail = busy, no_more_air, abandon, fail
        self._finishing: asyncio.Task[None] | None = None
        arrivals.gauge_measured = self._finish

    @property
    def check(self) -> GaugeCheck | None:
        """The check that goes, or that waits to be signed."""
        return self._arrivals.gauge_check

    async def begin(self, *, over_the_range: bool = False) -> None:
        """Begin to check the gauge against a morning's masters, or over its range against all of them; a pack's check
        that runs is abandoned. Raises RecordError, in words, where that cannot be."""
        self._no_more_air("the gauge is being checked")
        async with self._busy:
            begin = GaugeCheck.begin(self._books, self._state.technician, self._fail, over_the_range=over_the_range)
            begun = await begin
            await self._abandon("the gauge was to be checked")
            self._arrivals.gauge_check = begun
            self._arrivals.begin_port()
            self._telling.changed()

    async def leave(self) -> None:
        """Break off a check of the gauge that has not come to anything."""
        made, self._arrivals.gauge_check = self.check, None
        if made is not None:
            self._arrivals.rest()
            await made.drop()
            self._telling.changed()

    async def sign(self, by: str, signed: SignedWay) -> int:
        """Keep what a check of the gauge came to, signed by a name; return its entry's number, 0 where it has not come
        to anything."""
        made = self.check
        if made is None or made.fact is None:
            return 0
        number = await made.sign(by, signed)
        self._arrivals.rest()
        self._arrivals.gauge_check = None
        await self.look()
        refused = made.fact.check.refusal is not None
        self._telling.event(made.text if refused or self._state.gauge is None else self._state.gauge, "")
        return number

    async def measured(self) -> None:
        """Wait until a check of the gauge whose masters were all slid under says what it came to."""
        if self._finishing is not None:
            await asyncio.wait({self._finishing})

    async def look(self) -> None:
        """Read from the record how the gauge stands."""
        self._state.gauge = await self._books.gauge_standing()
        self._telling.tell_status()
        self._telling.changed()

    def _finish(self, made: GaugeCheck) -> None:
        async def finish() -> None:
            await made.finish(self._state.technician)
            self._telling.changed()

        def ended(task: asyncio.Task[None]) -> None:
            if not task.cancelled() and (error := task.exception()) is not None:
                self._fail(error)

        self._finishing = asyncio.create_task(finish(), name="gauge check")
        self._finishing.add_done_callback(ended)
