"""A technician's job at the bench: what is shown and said of it, what keys and scans do, and the order of packs."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable

from capture.bench.bench import Bench
from capture.bench.setup import BenchSetup
from capture.bench.telling import Happening
from capture.clearance.check import StrokeKept
from capture.clearance.gauge.standing import GaugeStanding
from capture.clearance.verdict import Verdict
from capture.dashboard.showing import Showing
from capture.job.unit_on_record import FactWritten
from capture.output.json_forms import stroke_json, verdict_json
from capture.output.words import CAUTION_LINE, CAUTIONS, plain_line
from capture.plumbing.outward import warn
from capture.plumbing.plaintext import clean
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.record import RecordError
from capture.session.bench_keys import Controls
from capture.session.faces.messages import PhotoSent
from capture.session.units_keys import NextUnit
from capture.session.wrench_field import WrenchSetup


class Session:
    """One job in front of a person (or a pipe). `conduct` decides which pack is checked when.

    What completes is told to `say` as a plain line, or with `as_json` as one object a line.
    """

    def __init__(
        self,
        setup: BenchSetup,
        say: Callable[[str], None],
        *,
        as_json: bool = False,
        attended: bool = False,
        wrench: WrenchSetup | None = None,
        changed: Callable[[], None] = lambda: None,
        leaves: bool = False,
        understood: bool = False,
    ) -> None:
        """`attended`: a person at a face reads the cautions. `changed` is called whenever there is something new to
        show. `leaves`: a face may leave and the bench measures on. `understood`: the cautions were read in the session
        before this one, by whoever goes on."""
        self._say, self._as_json, self._attended, self._changed = say, as_json, attended, changed
        self.bench = Bench(setup, on_change=changed, on_event=self._event)
        self.controls = Controls(self.bench, wrench, leaves=leaves)
        self._length_unit = setup.sheet.display_unit
        self.understood = asyncio.Event()
        """Set once a person has pressed a key under the cautions, or none can."""
        if understood:
            self.understood.set()

    @property
    def following(self) -> NextUnit | None:
        """What comes onto the bench after this session; None where it is over."""
        return self.controls.following

    @property
    def leave(self) -> asyncio.Event:
        """Set when the technician ends the session."""
        return self.controls.leave

    # -- what is shown and said --------------------------------------------------------------------------

    def showing(self) -> Showing:
        """Return what there is to show now."""
        return self.controls.showing() if self.understood.is_set() else Showing(self.bench.view, "cautions")

    def _event(self, happening: Happening, pack: str) -> None:
        if self._as_json:
            self._say_json(happening, pack)
        elif isinstance(happening, FactWritten):
            for text in (happening.text, *happening.notes):
                self.line(text)
        elif isinstance(happening, GaugeStanding):
            self.line(happening.text)
        else:
            self.line(plain_line(happening, self._length_unit, pack, self.bench.state.measure))
        if isinstance(happening, Verdict):
            view = self.bench.view
            if view.outcome:
                self.line(f"{pack}: {view.outcome}")
            if view.doubt:
                self.line(f"look at: {view.doubt}")
            for text in view.advice:
                self.line(f"{pack}: advice: {text}")
            if self.bench.view.advice:
                self.line(f"{pack}: {CAUTION_LINE}")
            if self.bench.state.out_of_reach:
                self.line(f"{pack}: out of reach: {self.bench.state.out_of_reach}")

    def warn(self, text: str, pack: str) -> None:
        """Warn of what was done at a bench where nobody could be asked."""
        self._event(text, pack)

    def line(self, text: str) -> None:
        """Say a line to people who read lines."""
        if not self._as_json:
            self._say(clean(text))

    def _say_json(self, happening: Happening, pack: str) -> None:
        state = self.bench.state
        if isinstance(happening, StrokeKept):
            line = stroke_json(happening)
        elif isinstance(happening, Verdict):
            line = verdict_json(state.packs[state.pack], happening, state.advice, state.out_of_reach)
            view = self.bench.view
            line |= {"outcome": view.outcome} if view.outcome else {}
            line |= {"doubt": view.doubt} if view.doubt else {}
        elif isinstance(happening, FactWritten):
            line = {**happening.data, **({"notes": list(happening.notes)} if happening.notes else {})}
            pack = pack or line.get("pack") or ""
        elif isinstance(happening, GaugeStanding):
            line = {"type": "gauge_standing", "standing": happening.word, "entry": happening.entry}
            line |= {"text": happening.text}
        else:
            warn(f"warning: {happening}")
            return
        self._say(json.dumps({**line, "pack": pack, "job": state.job_id}, ensure_ascii=False))

    # -- keys --------------------------------------------------------------------------------------------

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""
        return self.controls.typing

    def at_once(self, pressed: Key | Scan | LostScan) -> bool:
        """Take the air off if that is what a key is for: it waits for nothing, whatever else is being done."""
        air = self.bench.air
        if pressed != Key("a") or air is None or not air.may_come or self.typing or not self.understood.is_set():
            return False
        air.disarm()
        self._changed()
        return True

    async def take(self, pressed: Key | Scan | LostScan, *, may_arm: bool = True) -> None:
        """Act on a key or a scan. Under the cautions a key says that they were read; a scan says nothing.

        Only where `may_arm` does a key let the air come."""
        if self.understood.is_set():
            if pressed == Key("a") and not may_arm and not self.typing and self.bench.air is not None:
                self.controls.say("The air is armed at the bench: by a hand at the fixture or at the bench's keyboard.")
            else:
                await self.controls.take(pressed)
        elif isinstance(pressed, Key) and pressed.key in ("q", "escape"):
            self.leave.set()
        elif isinstance(pressed, Key):
            self.understood.set()
        self._changed()

    async def photo(self, sent: PhotoSent) -> None:
        """Take a photo into the record."""
        await self.controls.photo(sent)
        self._changed()

    def keys_moved(self, to: str) -> None:
        """Somebody else has the keys now: whoever is there has not looked at the bench before it was armed."""
        if self.bench.air is not None and self.bench.air.may_come:
            self.bench.air.disarm()
        self.controls.say(f"{to} has the keys now.")
        self._changed()

    async def introduce(self, unit: str, technician: str) -> None:
        """A face was opened for this unit, by this technician."""
        await self.bench.ready.wait()
        if technician:
            self.bench.name_technician(technician)
        try:
            if unit and self.bench.name_unit(unit):
                await self.bench.look_for_unfinished()
            elif unit:
                self.controls.say(f"The job on this bench is unit {self.bench.state.unit_serial}, not {unit}.")
        except RecordError as error:
            self.controls.say(str(error))

    async def cautions(self, seconds: float | None = None) -> None:
        """Show the cautions until a key is pressed, or for `seconds`; as lines where nobody is at a face."""
        for text in CAUTIONS:
            self.line(f"caution: {text}")
        if self._attended and not self.understood.is_set():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self.understood.wait()
        self.understood.set()
        self._changed()

    # -- packs -------------------------------------------------------------------------------------------

    async def check_to_verdict(self, pack_index: int) -> None:
        """Start a pack's check and wait until it is over."""
        await self.bench.start_check(pack_index)
        await self.bench.finished.wait()

    def all_done(self) -> bool:
        """Say whether the unit was signed off, or every pack of it has a verdict of `good` that counts."""
        view = self.bench.view
        return bool(view.signed_off) or all(pack.is_good for pack in view.packs)
