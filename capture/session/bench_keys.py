"""The technician's controls: keys and scans in, actions on the bench out. The unit's own screens are `unit_controls`.

A scanner is a keyboard. Keys are told from scans by their pace before any of them acts (`scan`), so no part of a code
can work as a key. What a scan asks for neither arms the air nor ends a check: those take a hand at a key.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from time import monotonic_ns

from rich.console import RenderableType

from capture.bench.bench import Bench
from capture.dashboard.bench_screen import render
from capture.dashboard.budget_screen import budget_screen
from capture.dashboard.view import Question
from capture.record import RecordError
from capture.session.unit_keys import ScreenName, UnitControls
from capture.session.wrench_field import WrenchSetup
from capture.terminal.keys import Keys
from capture.terminal.scanner import Key, KeyCollector, LostScan, Scan
from capture.unit.codes import NotUnderstood, PackChosen, PartFitted, StepChosen, TechnicianNamed, UnitNamed, read_scan

__all__ = ["Controls", "presses"]

#: As the collector knows them.
_CONTROL = {"enter": "\r", "stx": "\x02"}
_NAMES = {character: name for name, character in _CONTROL.items()}


async def presses(keys: Keys) -> AsyncIterator[Key | Scan | LostScan]:
    """Yield what a keyboard and a scanner on one line came to, key by key and code by code."""
    collector = KeyCollector()
    while True:
        try:
            pressed = await keys.pressed(collector.due_ns)
        except TimeoutError:
            told = collector.wait(monotonic_ns())
        else:
            if pressed is None:
                return
            told = collector.take(pressed[0], _CONTROL.get(pressed[1], pressed[1]))
        for one in told:
            yield one


class Controls:
    """What is shown of one bench, and what its technician's keys and scans do."""

    def __init__(self, bench: Bench, wrench: WrenchSetup | None = None) -> None:
        self._bench = bench
        self.unit = UnitControls(bench, wrench)
        self.leave = asyncio.Event()
        """Set when the technician ends the session."""
        self._explaining = False

    # -- what is shown -----------------------------------------------------------------------------------

    def draw(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        """Return the screen."""
        view = self._bench.view
        if self._explaining and view.verdict is not None:
            return budget_screen(view, view.verdict, width, height, ascii_only=ascii_only)
        if self.unit.screen:
            return self.unit.draw(width, height, ascii_only)
        view.keys = self._keys()
        return render(view, width, height, ascii_only=ascii_only)

    def _keys(self) -> str:
        """The keys that do something now, the most needed first: a narrow window cuts the rest."""
        bench, view = self._bench, self._bench.view
        words = []
        if bench.air is not None:
            words.append("a air off" if view.air_state in ("armed", "applied") else "a arm the air")
        if not view.signed_off:
            if bench.finished.is_set():
                following = self._following()
                if following is not None:
                    again = following == view.pack
                    new = "new job" if bench.unfinished and not bench.job_id else "next pack"
                    words.append(f"Enter {view.packs[following].name} again" if again else f"Enter {new}")
                words += ["r again"] if view.pack >= 0 and following != view.pack else []
            else:
                words.append("r start over")
        if bench.unit is not None:
            words += ["c parts"] if bench.finished.is_set() and not view.signed_off else []
            words += ["s steps", "u sign-off"]
        words.append("q end")
        if len(bench.packs) > 1 and not view.signed_off:
            words.append(f"1-{min(9, len(bench.packs))} pack")
        words += ["e budget"] if view.verdict is not None else []
        return "   ".join(words)

    def _following(self) -> int | None:
        """The pack that Enter checks: the first that is not good, None where all are."""
        return next((i for i, pack in enumerate(self._bench.view.packs) if not pack.is_good), None)

    # -- keys and scans ----------------------------------------------------------------------------------

    async def take(self, pressed: Key | Scan | LostScan) -> None:
        """Act on a key or a scan."""
        view = self._bench.view
        # Whatever is done next, a question is over: it is answered, or it was not meant.
        asked, view.question, view.said = view.question, None, ""
        match pressed:
            case Key(key):
                await self._key(_NAMES.get(key, key), asked)
            case Scan(text):
                await self._scan(text)
            case LostScan():
                self._say("A scan broke off, or keys came too fast; nothing was done. Scan again.")

    def _say(self, text: str) -> None:
        if self.unit.screen:
            self.unit.tell(text)
        else:
            self._bench.view.said = text

    def _is_meant(self, key: str, asked: Question | None) -> bool:
        """Say whether `key` may act; where it would drop strokes that are already made it must be pressed twice."""
        view = self._bench.view
        if self._bench.finished.is_set() or not view.strokes or (asked is not None and asked.key == key):
            return True
        ends = f"it ends {'the session and ' if key == 'q' else ''}the check of {view.packs[view.pack].name}"
        # The key comes first: a window too small for the rest still says what holds.
        view.question = Question(
            key,
            f"Press {key} again if that is meant: {ends} before its verdict. Its strokes stay in the record, and a "
            "verdict needs them made again. Escape goes on.",
        )
        return False

    async def _key(self, key: str, asked: Question | None) -> None:
        bench, view = self._bench, self._bench.view
        if self.unit.screen:
            await self._unit_key(key)
            return
        if self._explaining or key == "e":
            self._explaining = not self._explaining and view.verdict is not None
        elif key == "q":
            if self._is_meant(key, asked):
                self.leave.set()
        elif key == "a" and bench.air is not None:
            if view.air_state in ("armed", "applied"):
                bench.air.disarm()
            else:
                bench.air.arm()
        elif key in ("c", "s", "u"):
            screen: ScreenName = "parts" if key == "c" else "steps" if key == "s" else "sign-off"
            why = self.unit.against_opening(screen)
            if why:
                self._say(why)
            else:
                await self.unit.open(screen)
        elif key == "r" and view.pack >= 0:
            if self._is_meant(key, asked):
                await self._start(view.pack)
        elif key in ("enter", "n") and bench.finished.is_set():
            following = self._following()
            if following is not None:
                await self._start(following)
            elif not view.signed_off:
                view.message = "Every pack is good. s shows the steps, u signs the unit off, q ends the session."
        elif key.isdecimal() and 0 < int(key) <= len(bench.packs) and self._is_meant(key, asked):
            await self._start(int(key) - 1)

    async def _unit_key(self, key: str) -> None:
        # The air may have been armed at the fixture's own switch: whatever is on the screen, one key takes it off.
        if key == "a" and self._bench.air is not None and not self.unit.typing:
            self._bench.air.disarm()
        else:
            await self.unit.key(key)

    async def _start(self, index: int) -> None:
        """Begin a check; what the record has against it is said, and the session goes on."""
        if self._bench.unit is not None and self._bench.unit.now.released:
            self._say("Signed off: more work on the unit is a new job. q ends this session.")
            return
        try:
            await self._bench.start_check(index)
        except RecordError as error:
            self._say(str(error))

    async def _scan(self, text: str) -> None:
        bench = self._bench
        match read_scan(text, bench.setup.sheet):
            case TechnicianNamed(name):
                bench.name_technician(name)
                self.unit.named(name)
                self._say(f"{name} works from now on.")
            case UnitNamed(serial):
                known = bench.view.unit_serial
                if bench.name_unit(serial):
                    told = await bench.look_for_unfinished() if not bench.job_id else ""
                    self._say(f"Unit {serial} is on the bench. {told}".rstrip())
                else:
                    self._say(f"This job is of unit {known or '-'}: end it (q) and begin one for unit {serial}.")
            case PackChosen(pack):
                await self._pack_scanned(pack)
            case StepChosen(step):
                if why := self.unit.against_opening("steps"):
                    self._say(why)
                else:
                    await self.unit.open("steps")
                    self.unit.ask_step(step)
            case PartFitted() as part:
                why = self.unit.against_opening("parts")
                if not why:
                    await self.unit.open("parts")
                    why = self.unit.part_fitted(part)
                if why:
                    self._say(why)
            case NotUnderstood(read, why):
                if self.unit.typing:
                    self.unit.typed(read)
                else:
                    self._say(f"{why}.")

    async def _pack_scanned(self, pack: str) -> None:
        index = next(i for i, one in enumerate(self._bench.packs) if one.name == pack)
        if not self._bench.finished.is_set():
            self._say(f"A scan never ends a check. Press {index + 1} to measure {pack} instead.")
        elif self.unit.typing:
            self._say("Finish the entry first, or leave it (Escape).")
        else:
            self.unit.leave()
            await self._start(index)
