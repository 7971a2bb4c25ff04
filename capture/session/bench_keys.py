"""The technician's controls: keys and scans in, actions on the bench out. The unit's own screens are `unit_keys`.

A scanner is a keyboard. Keys are told from scans by their pace before any of them acts (`scanner`), so no part of a
code can work as a key. What a scan asks for neither arms the air nor ends a check: those take a hand at a key.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import partial
from typing import Literal

from capture.bench.bench import Bench
from capture.dashboard.showing import Showing
from capture.dashboard.view import BenchView, Question
from capture.job.people import BADGE_BEGINS
from capture.plumbing.terminal.scanner import Key, LostScan, Scan
from capture.record import RecordError
from capture.recordings.file import RecordingError
from capture.session.faces.messages import PhotoSent
from capture.session.gauge_keys import GaugeKeys
from capture.session.photo_sent import keep_sent
from capture.session.pressed import NAMES
from capture.session.typed_dial import WRITES, TypedDial
from capture.session.unit_keys import OPENS, ScreenName, UnitScreens
from capture.session.units_keys import NextUnit
from capture.session.wrench_field import WrenchSetup
from capture.unit.codes import NotUnderstood, PackChosen, PartFitted, StepChosen, TechnicianNamed, UnitNamed, read_scan


def _following(view: BenchView) -> int | None:
    """The pack that Enter checks: the first that is not good, None where all are."""
    return next((i for i, pack in enumerate(view.packs) if not pack.is_good), None)


class Controls:
    """What is shown of one bench, and what its technician's keys and scans do."""

    def __init__(self, bench: Bench, wrench: WrenchSetup | None = None, *, leaves: bool = False) -> None:
        """`leaves`: who has the keys may leave the screen, and the bench measures on."""
        self._bench = bench
        self._leaves = leaves
        self.screens = UnitScreens(bench, wrench, self._say, self._follow)
        self.following: NextUnit | None = None
        """What comes onto the bench after this session; None where it is over."""
        self._dial = TypedDial(bench, self._say)
        self.gauge = GaugeKeys(bench, self._say, self._dial.key)
        self.leave = asyncio.Event()
        """Set when the technician ends the session."""
        self._aside: Literal["", "budget", "keys"] = ""
        """What is told beside the work; any key leads back."""
        self.said = ""
        """What the last key or scan did, or why it did nothing, in words; empty once the next one comes."""
        self._asked: tuple[Question, int] | None = None
        """What is asked before a check or the session is ended, and the check that is meant, 0 for none."""
        self._late = ""
        """Figures that were typed for a dial while no reading is asked for."""
        self._pack_asked: tuple[Question, int] | None = None
        """Which pack an Enter measures that answers this question."""

    # -- what is shown -----------------------------------------------------------------------------------

    def showing(self) -> Showing:
        """Return what is shown now."""
        view = replace(self._bench.view, said=self.said, question=self.question)
        if self.gauge.open:
            return self.gauge.showing(view)
        if self.screens.screen and not self._aside:
            return self.screens.showing(view)
        if self._aside == "budget" and view.verdict is not None:
            return Showing(view, "budget")
        entry = self._dial.entry if view.entry is not None else None
        view = replace(view, keys=self._keys(view), entry=entry)
        return Showing(view, "keys") if self._aside == "keys" else Showing(view)

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""
        return self.gauge.typing or self.screens.typing

    @property
    def question(self) -> Question | None:
        """Whether a key is meant: it stands, and holds, as long as the check it would end."""
        return self._asked[0] if self._asked and self._check == self._asked[1] else None

    @property
    def _check(self) -> int:
        """The check that runs, 0 for none."""
        running = self._bench.state.running
        return running.id if running is not None else 0

    def _follow(self, unit: NextUnit) -> None:
        self.following = unit
        self.leave.set()

    def say(self, text: str) -> None:
        """Tell the technician something on the bench's screen."""
        self.said = text

    def _keys(self, view: BenchView) -> str:
        """The keys that do something now, the most needed first: a narrow window cuts the rest."""
        bench = self._bench
        words = []
        if bench.air is not None:
            words.append("a air off" if bench.air.may_come else "a arm the air")
        if not view.signed_off:
            if bench.finished.is_set():
                following = _following(view)
                if following is not None:
                    again = following == view.pack
                    new = "new job" if bench.state.unfinished and not bench.state.job_id else "next pack"
                    new = "what is fitted" if bench.state.not_confirmed else new
                    words.append(f"Enter {view.packs[following].name} again" if again else f"Enter {new}")
                words += ["r again"] if view.pack >= 0 and following != view.pack else []
            else:
                words.append("r start over")
                words += ["o air was off"] if bench.asks_for_air else []
        if bench.unit is not None:
            words += ["c parts"] if bench.finished.is_set() and not view.signed_off else []
            words += ["s steps", "u sign-off"]
        elif any(step.before for step in bench.setup.sheet.steps):
            words.append("s steps")
        if any(one.counts for one in view.strokes) and not view.signed_off:
            words.append("l leave out")
        ended = bench.finished.is_set()
        words += ["Enter next unit"] if ended and view.signed_off else []
        words += ["q end", "? keys"]  # before what has less need of a place: how to end is always told
        words += ["n next unit"] if ended and not view.signed_off else []
        if len(view.packs) > 1 and not view.signed_off and not self._dial.takes_keys:
            words.append(f"1-{min(9, len(view.packs))} pack")
        words += ["w note"] if bench.unit is not None and not view.signed_off else []
        unspoilt = bench.finished.is_set() or not bench.state.strokes
        words += ["g gauge"] if bench.setup.gauge is not None and unspoilt else []
        if bench.state.study is not None and bench.finished.is_set() and not view.signed_off:
            words.append(f"y study, {len(bench.state.study.left)} left")
        words += ["e budget"] if view.verdict is not None else []
        return "   ".join(words)

    # -- keys and scans ----------------------------------------------------------------------------------

    async def take(self, pressed: Key | Scan | LostScan) -> None:
        """Act on a key or a scan."""
        # Whatever is done next, a question is over: it is answered, or it was not meant.
        asked, self._asked, self.said = self.question, None, ""
        match pressed:
            case Key(key):
                await self._key(NAMES.get(key, key), asked)
            case Scan(text):
                self._aside = ""
                await self._scan(text)
            case LostScan(text) if self.gauge.pasted(text) or self.screens.pasted(text):
                pass
            case LostScan():
                self._say("A scan broke off, or keys came too fast; nothing was done. Scan again.")

    async def photo(self, sent: PhotoSent) -> None:
        """Take a photo into the record, and say what came of it."""
        self._say(await keep_sent(self._bench, sent))

    def _say(self, text: str) -> None:
        if self.screens.screen:
            self.screens.tell(text)
        else:
            self.said = text

    def _is_meant(self, key: str, asked: Question | None) -> bool:
        """Say whether `key` may act; where it would drop strokes that are already made it must be pressed twice."""
        state = self._bench.state
        loses = state.running is not None and bool(state.strokes)
        stays = key == "q" and self._leaves and state.job_id and not self._bench.view.signed_off
        if not (loses or stays) or (asked is not None and asked.key == key):
            return True
        ends = "it ends the session" if key == "q" else "it ends"
        # The key comes first: a window too small for the rest still says what holds.
        text = f"Press {key} again if that is meant: {ends}"
        if loses and state.running is not None:
            text += f"{' and' if key == 'q' else ''} the check of {state.running.pack.name} before its verdict. "
            text += "Its strokes stay in the record, and a verdict needs them made again."
        else:
            text += " before the sign-off."
        text += " d leaves this screen and the bench measures on." if stays else ""
        self._asked = Question(key, f"{text} Escape goes on."), self._check
        return False

    async def _begin(self, key: str, index: int, asked: Question | None) -> None:
        """Begin a check at a key; where something comes before it that is not done, at a second one."""
        state = self._bench.state
        pack = state.packs[index].name
        steps = state.first_words(pack)
        if not steps or state.not_confirmed or (asked is not None and asked.key == key):
            await self._start(index)
            return
        named = "Enter" if key in ("enter", "n") else key
        text = f"Press {named} again to measure {pack} all the same: {steps} comes before it, and is not done. "
        self._asked = Question(key, f"{text}s shows the steps. Escape goes on."), self._check

    async def _key(self, key: str, asked: Question | None) -> None:
        bench, view = self._bench, self._bench.view
        if self.gauge.open:
            await self.gauge.key(key)
            return
        if self.screens.screen:
            await self._unit_key(key)
            return
        if self._aside:
            self._aside = ""
            if key == "a" and bench.air is not None and bench.air.may_come:
                bench.air.disarm()  # whatever is on the screen
            if not (self._dial.takes_keys and key in WRITES):
                return  # a figure is a figure of the reading: without its first one, it would be another
        if self._dial.key(key) or self._late_figures(key):
            return
        if key == "e" and view.verdict is not None:
            self._aside = "budget"
        elif key == "?":
            self._aside = "keys"
        elif key == "q":
            if self._is_meant(key, asked):
                self.leave.set()
        elif key == "a" and bench.air is not None:
            running = bench.state.running
            if bench.air.may_come:
                bench.air.disarm()
            elif running is not None and running.pack.moved_by == "hand":
                self.said = f"{running.pack.name} is moved by hand: no air while hands are at it."
            else:
                bench.air.arm()
        elif key == "o" and bench.asks_for_air:
            bench.air_was_off()
        elif key in OPENS:
            await self._open(OPENS[key])
        elif key == "g":
            if self._is_meant(key, asked):
                await self.gauge.begin()
        elif key == "y":
            await self._study(asked)
        elif key == "r" and view.pack >= 0:
            if self._is_meant(key, asked):
                await self._begin(key, view.pack, asked)
        elif key == "enter" and bench.finished.is_set():
            following = _following(view)
            if view.signed_off:
                await self._open("units")
            elif asked is not None and self._pack_asked is not None and asked is self._pack_asked[0]:
                await self._start(self._pack_asked[1])
            elif following is not None:
                await self._begin(key, following, asked)
            else:
                self.said = "Every pack is good. s shows the steps, u signs the unit off, q ends the session."
        elif key.isdecimal() and 0 < (number := int(key)) <= len(view.packs):
            if self._is_meant(key, asked):
                await self._begin(key, number - 1, asked)
        elif key.isdecimal():
            self.said = f"There is no pack {key}: the sheet has {len(view.packs)}."
        elif self._dial.takes_keys and len(key) == 1:
            self.said = f"{key} is no figure. Type what the needle shows, such as 1.25, then Enter."
        elif len(key) == 1 and key.isprintable() and key != " ":
            self.said = f"{key} does nothing now: ? tells the keys that do."

    def _late_figures(self, key: str) -> bool:
        """Take figures typed for a dial while no reading is asked for: they begin nothing, nor does their Enter."""
        late, self._late = self._late, ""
        packs = self._bench.state.packs
        if not (self._bench.setup.driver.typed and self._bench.finished.is_set()):
            return False
        if key in WRITES:
            self._late = late + key
            self.said = f"{self._late}: no check is running, so it is taken for no reading."
        elif not late or key not in ("enter", "backspace"):
            return False
        elif key == "backspace":
            self._late = late[:-1]
        elif late.isdecimal() and 0 < int(late) <= len(packs):
            pack = packs[int(late) - 1].name
            steps = self._bench.state.first_words(pack)
            first = f" {steps} comes before it, and is not done." if steps else ""
            text = f"Press Enter again to measure {pack}: no check is running.{first} Escape goes on."
            self._asked = Question("enter", text), self._check
            self._pack_asked = self._asked[0], int(late) - 1
        else:
            self.said = f"{late} was not taken: no check is running."
        return True

    async def _study(self, asked: Question | None) -> None:
        """Say what the next item of the study is, and begin it where that was said."""
        study = self._bench.study
        try:
            if asked is not None and asked.key == "y":
                await study.begin()
            else:
                self._asked = Question("y", f"{await study.next_step()} Then y begins; Escape leaves it."), self._check
        except (RecordError, RecordingError) as error:
            self._say(str(error))

    async def _open(self, screen: ScreenName) -> bool:
        """Show a screen of the unit, or say why that cannot be; say whether it is shown."""
        if screen == "steps" and self._bench.state.not_confirmed:
            # A step begins the job, which is of the sheet with what is fitted.
            await self.ask_what_is_fitted()
            return False
        if why := self.screens.against_opening(screen):
            self._say(why)
            return False
        if screen == "steps" and self._bench.unit is None and self._bench.state.earlier:
            # A step begins the job, which must say first why the unit is back.
            await self.screens.open("units")
            self.screens.units.ask_why_back(partial(self.screens.open, "steps"))
            return False
        await self.screens.open(screen)
        return True

    async def ask_what_is_fitted(self) -> None:
        """Ask which of the sheet's variants is fitted to the unit on the bench."""
        if await self._open("units"):
            self.screens.units.ask_what_is_fitted()

    async def _unit_key(self, key: str) -> None:
        # The air may have been armed at the fixture's own switch: whatever is on the screen, one key takes it off.
        if key == "a" and self._bench.air is not None and not self.screens.typing:
            self._bench.air.disarm()
        else:
            await self.screens.key(key)

    async def _start(self, index: int) -> None:
        """Begin a check; what the record has against it is said, and the session goes on."""
        if self._bench.unit is not None and self._bench.unit.now.released:
            self._say("Signed off: more work on the unit is a new job. n, and its serial, begins one.")
            return
        if self._bench.state.not_confirmed:
            await self.ask_what_is_fitted()
            return
        if self._bench.unit is None and self._bench.state.earlier:
            if await self._open("units"):
                self.screens.units.ask_why_back(partial(self._bench.start_check, index))
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
                self.screens.named(name)
                self.gauge.named(name)
                self._say(f"{name} works from now on.")
            case UnitNamed(serial):
                known = bench.state.unit_serial
                if bench.name_unit(serial):
                    self.screens.unit_named(serial)
                    told = await bench.look_for_unfinished() if not bench.state.job_id else ""
                    self._say(f"Unit {serial} is on the bench. {told}".rstrip())
                elif bench.view.signed_off and bench.finished.is_set():
                    await self.screens.units.take(serial)
                else:
                    self._say(f"This job is of unit {known or '-'}: n sets it aside, and takes unit {serial}.")
            case PackChosen(pack):
                await self._pack_scanned(pack)
            case StepChosen(step):
                if await self._open("steps"):
                    self.screens.steps.ask(step)
            case PartFitted() as part:
                if await self._open("parts") and (why := self.screens.parts.part_fitted(part)):
                    self._say(why)
            case NotUnderstood(read, why):
                if self.gauge.typing:
                    self.gauge.scanned(read)
                elif self.screens.typing:
                    self.screens.typed(read)
                elif read.startswith(BADGE_BEGINS):
                    self._say("That badge is a key: scan it where its key is asked for.")
                elif not self._dial.scanned(read):
                    self._say(f"{why}.")

    async def _pack_scanned(self, pack: str) -> None:
        index = next(i for i, one in enumerate(self._bench.state.packs) if one.name == pack)
        if not self._bench.finished.is_set():
            self._say(f"A scan never ends a check. Press {index + 1} to measure {pack} instead.")
        elif self.screens.typing:
            self._say("Finish the entry first, or leave it (Escape).")
        elif steps := self._bench.state.first_words(pack):
            self._say(f"Before {pack} comes {steps} (s), which is not done. {index + 1} measures it all the same.")
        else:
            self.screens.leave()
            await self._start(index)
