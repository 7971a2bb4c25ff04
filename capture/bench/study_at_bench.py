"""The study of a bench's gauge, worked off by key: each item a check of a pack like any other, kept with its place in
the plan once it has its verdict."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime

from capture.bench.bookkeeping import Bookkeeping
from capture.bench.running_check import RunningCheck
from capture.bench.state import BenchState
from capture.bench.telling import Telling
from capture.clearance.gauge.facts import GaugeFact, StudyMeasured
from capture.clearance.gauge.study import Cell
from capture.clearance.gauge.study_at_bench import OpenStudy, open_study, pack_of
from capture.clearance.verdict import Verdict
from capture.job.checked_again import within_nm
from capture.record import RecordError


class StudyAtBench:
    """Which item is measured, and what is left. Every method may raise RecordError."""

    def __init__(
        self, state: BenchState, books: Bookkeeping, telling: Telling, start: Callable[[int], Awaitable[None]]
    ) -> None:
        """`start` begins the check of a pack by its place."""
        self._state, self._books, self._telling, self._start = state, books, telling, start
        self._item: tuple[int, Cell] | None = None
        """The check that measures an item, and which."""

    async def look(self) -> None:
        """Read from the record how far the study is."""
        gauge = self._books.setup.gauge
        if gauge is not None:
            self._state.study = open_study(await self._books.do(self._books.store.gauge_facts), gauge.serial)

    async def next_step(self) -> str:
        """Return what to do for the next item of whoever works here."""
        await self.look()
        study, cell, _ = self._next()
        done = len(study.cells) - len(study.left)
        again = "" if cell.trial == 1 else f", time {cell.trial}"
        return (
            f"Study, {done + 1} of {len(study.cells)}: {cell.part} by {cell.operator}{again}. Take the indicator off "
            "and set it up anew."
        )

    async def begin(self) -> None:
        """Begin the check of the next item."""
        await self.look()
        _, cell, index = self._next()
        await self._start(index)
        assert self._state.running is not None
        self._item = self._state.running.id, cell

    async def judged(self, running: RunningCheck, verdict: Verdict) -> None:
        """A check came to its verdict: keep it, if it is an item."""
        item, study = self._item, self._state.study
        if item is None or item[0] != running.id or study is None:
            return
        self._item = None
        cell = item[1]
        fact = StudyMeasured(
            study.plan.gauge, study.number, cell.part, cell.operator, cell.trial, running.id, verdict.mean_nm,
            within_nm(verdict), cell.operator,
        )  # fmt: skip
        await self._keep(fact)
        whole = replace(study, measured=(*study.measured, fact))
        if not whole.left:
            await self._keep(whole.kept())
            self._telling.event("The study is worked off: `strokelog gauge study` says what it came to.", "")
        await self.look()

    async def _keep(self, fact: GaugeFact) -> None:
        await self._books.do(self._books.store.add_gauge_fact, fact, at=datetime.now(UTC))

    def _next(self) -> tuple[OpenStudy, Cell, int]:
        """The study, its next item and that item's place among the packs. Raises RecordError where there is none."""
        state = self._state
        study = state.study
        if study is None:
            raise RecordError("No study is planned with this gauge, or it is worked off: `strokelog gauge study`.")
        if state.running is not None:
            raise RecordError("A pack is being measured: end its check first.")
        if state.unit is not None and state.unit.released:
            raise RecordError("Signed off: a study is measured in a new job. q ends this session.")
        cell = study.next_for(state.technician, state.unit_serial)
        if cell is None:
            raise RecordError(
                f"Nothing of the study is left for {state.technician or 'nobody'} here. Left: {study.left_words()}."
            )
        names = [pack.name for pack in state.packs]
        if pack_of(cell.part) not in names:
            raise RecordError(f"The study asks for {cell.part}; this build sheet has {', '.join(names)}.")
        return study, cell, names.index(pack_of(cell.part))
