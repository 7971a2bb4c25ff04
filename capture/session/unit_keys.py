"""The unit at the keyboard: which of its screens is open, and whose keys those are.

Everything that is written goes through a form that says what Enter does and whose name it is; what is refused stays on
the form with the reason. Which facts are allowed is decided by `unit_on_record`, how the screens look in `dashboard`.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Final, Literal

from capture.bench.bench import Bench
from capture.dashboard.form import Field, Form
from capture.dashboard.notes_screen import notes_shown
from capture.dashboard.parts_screen import parts_shown
from capture.dashboard.showing import Showing
from capture.dashboard.signoff_screen import signoff_shown
from capture.dashboard.steps_screen import steps_shown
from capture.dashboard.units_screen import units_shown
from capture.dashboard.view import BenchView
from capture.session.form_runner import FormRunner
from capture.session.notes_keys import NotesKeys
from capture.session.parts_keys import PartsKeys
from capture.session.signoff_keys import SignOffKeys
from capture.session.steps_keys import StepsKeys
from capture.session.strokes_keys import StrokesKeys
from capture.session.units_keys import NextUnit, UnitsKeys
from capture.session.wrench_field import WrenchSetup

ScreenName = Literal["", "parts", "steps", "sign-off", "strokes", "units", "notes"]
#: Which key opens which screen, and closes it again.
OPENS: Final[dict[str, ScreenName]] = {
    "c": "parts",
    "s": "steps",
    "u": "sign-off",
    "l": "strokes",
    "n": "units",
    "w": "notes",
}


class UnitScreens:
    """The unit's screens of one session. `screen` is the one that is open, empty for the bench itself."""

    def __init__(
        self, bench: Bench, wrench: WrenchSetup | None, say: Callable[[str], None], follow: Callable[[NextUnit], None]
    ) -> None:
        """`say` tells what was done once the bench itself is on the screen again. `follow` ends the session, for the
        next to begin with another unit."""
        self._bench = bench
        self._forms = FormRunner(bench, wrench)
        self._say = say
        self.parts = PartsKeys(self._forms, self._done)
        self.steps = StepsKeys(self._forms)
        self.notes = NotesKeys(self._forms)
        self.units = UnitsKeys(self._forms, self._done, follow)
        self._keys = {
            "parts": self.parts.key,
            "steps": self.steps.key,
            "sign-off": SignOffKeys(self._forms).key,
            "strokes": StrokesKeys(self._forms, self._done).key,
            "units": self.units.key,
            "notes": self.notes.key,
        }
        self.screen: ScreenName = ""

    # -- what is shown -----------------------------------------------------------------------------------

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""
        return self._forms.page.form is not None

    def showing(self, view: BenchView) -> Showing:
        """Return the open screen."""
        page = self._forms.page
        if self.screen == "units":
            return Showing(view, "units", page, units=units_shown(self.units.units))
        now = self._forms.now
        if self.screen == "notes":
            return Showing(view, "notes", page, notes=notes_shown(self.notes.texts()))
        match self.screen:
            case "parts":
                return Showing(view, "parts", page, parts=parts_shown(now.fitted, self._bench.state.choice))
            case "steps":
                return Showing(view, "steps", page, steps=steps_shown(now.sheet, now.standing, datetime.now(UTC)))
            case "strokes":
                return Showing(view, "strokes", page)
            case "sign-off":
                return Showing(view, "sign-off", page, signoff=signoff_shown(now.standing))
        return Showing(view)

    # -- opening and leaving -----------------------------------------------------------------------------

    def against_opening(self, screen: ScreenName) -> str:
        """Say why a screen cannot be opened now; empty if it can."""
        if (air := self._bench.state.air) is not None and air.may_come:
            return "Take the air off first (a): no hands at the unit while it can come."
        if screen == "parts" and not self._bench.finished.is_set():
            return "A check is running: parts are changed after its verdict."
        if screen == "strokes" and not any(one.counts or one.left_out for one in self._bench.state.strokes):
            return (
                "No stroke counts here that could be left out. `strokelog unit leave-out` takes any check of the job."
            )
        if screen == "strokes" and self._bench.unit is not None and self._bench.unit.now.released:
            return "Signed off: no stroke is left out any more."
        if screen == "steps" and self._bench.state.not_confirmed:
            return "Say first what is fitted to the unit: Escape, then Enter."
        if screen == "steps" and any(step.before for step in self._bench.setup.sheet.steps):
            return ""
        if screen == "units":
            return "" if self._bench.finished.is_set() else "A check is running: let it come to its verdict first."
        return "" if self._bench.unit is not None else "Nothing was measured of this unit yet: begin with a check."

    async def open(self, screen: ScreenName) -> None:
        """Show a screen, with what others wrote meanwhile; steps before the packs begin the unit's job."""
        if screen != "units":
            await self._bench.begin_unit()
        await self._bench.look()
        self._forms.turn()
        self.screen = screen
        if screen == "steps":
            standing = self._forms.now.standing
            first = next((one.index for one in standing.steps if not one.closed), 0)
            self._forms.page.chosen = first if standing.next_step is None else standing.next_step
        elif screen == "units":
            await self.units.open()
        elif screen == "notes":
            self.notes.ask()
        elif screen == "strokes":
            self._forms.page.chosen = len(self._bench.state.strokes) - 1

    def leave(self) -> None:
        """Back to the bench."""
        self._forms.turn()
        self.screen = ""

    def _done(self, said: str) -> None:
        self.leave()
        self._say(said)

    def tell(self, text: str) -> None:
        """Say something on the open screen."""
        self._forms.page.note = text

    def named(self, name: str) -> None:
        """A badge was scanned: the open form is signed by that name."""
        if self._forms.page.form is not None:
            self._forms.page.form.put("by", name)

    def unit_named(self, serial: str) -> None:
        """A unit was scanned: the open form is of that one."""
        if self._forms.page.form is not None:
            self._forms.page.form.put("unit", serial)

    def typed(self, text: str) -> None:
        """A scan that is no code goes where one types."""
        if self._forms.page.form is not None:
            self._forms.scanned(self._forms.page.form, text)

    def pasted(self, text: str) -> bool:
        """Take what came at once for a paste, where people write words; say whether."""
        return self._forms.pasted(text)

    # -- keys --------------------------------------------------------------------------------------------

    async def key(self, key: str) -> None:
        """Act on a key while a screen is open."""
        forms = self._forms
        if forms.page.form is not None:
            await forms.key(forms.page.form, key)
            return
        forms.page.note = ""
        if key == "escape":
            self.leave()
        elif key == "enter" and self.screen == "sign-off" and forms.now.released:
            await self.open("units")
        elif key == "t":
            forms.ask(Form("Who works from now on?", [Field("name", "name")], does="goes on"), self._name)
        elif key in OPENS:
            why = self.against_opening(OPENS[key])
            if self.screen == OPENS[key]:
                self.leave()
            elif why:
                self.tell(why)
            else:
                await self.open(OPENS[key])
        else:
            self._keys[self.screen](key)

    async def _name(self, values: dict[str, str]) -> str:
        name = self._forms.person(values["name"])
        self._bench.name_technician(name)
        self._forms.close()
        self.tell(f"{name} works from now on.")
        return ""
