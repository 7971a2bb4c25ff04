"""The entry that is open on a unit's screen, from what it asks to what it wrote. What is refused stays on it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import Final

from capture.bench.bench import Bench
from capture.clearance.signing import SignedAct, SignedWay
from capture.dashboard.form import Field, Form
from capture.dashboard.unit_page import Page
from capture.job.people import BADGE_BEGINS, KeyRefused, PeopleFile
from capture.job.unit_on_record import FactRefused, FactWritten
from capture.record import RecordError
from capture.session.wrench_field import WrenchField, WrenchSetup
from capture.sheet.steps import Torque
from capture.unit.changes import PlanError
from capture.unit.codes import TechnicianNamed, UnitNamed, may_begin_code, read_scan
from capture.unit.facts import Fact, PartsChanged, StepBegun, StepDone
from capture.unit.standing import UnitStanding

#: Takes what was typed; returns why it will not do, or nothing.
Submit = Callable[[dict[str, str]], Awaitable[str]]


#: Whoever did this works at the bench: the next form begins with that name.
_WORK: Final = (StepBegun, StepDone, PartsChanged)
#: Lines in which people write words. What breaks off in any other may be a code that a scanner read.
_WORDS: Final = ("by", "name", "reason", "why", "text")
#: Stands for a character that nobody is shown.
_DOT: Final = "*"


class FormRunner:
    """The page of the open screen and the form on it. One for a session: a wrench fills one form at a time."""

    def __init__(self, bench: Bench, wrench: WrenchSetup | None = None) -> None:
        self.bench = bench
        self.page = Page()
        self.pulls: WrenchField | None = None
        """What fills the open form's torque, where there is a wrench."""
        self._wrench = wrench
        self._submit: Submit | None = None
        self._key_typed = ""
        """What was typed or scanned into the hidden line of the open form, which shows dots for it."""

    @property
    def now(self) -> UnitStanding:
        """How the unit stands by its record."""
        assert self.bench.unit is not None
        return self.bench.unit.now

    def turn(self) -> None:
        """Begin a fresh page."""
        self.close()
        self.page = Page()

    def ask(self, form: Form, submit: Submit) -> None:
        """Open a form in place of any that is open."""
        self.close()
        self.page.form, self._submit = form, submit

    def listen(self, step: Torque) -> None:
        """Let the bench's wrench, if it has one, fill the open form's torque."""
        if self._wrench is not None and self.page.form is not None:
            self.pulls = WrenchField(self._wrench, self.page.form, step, self.bench.view_changed)

    def close(self) -> None:
        """Leave the open form, if any."""
        if self.pulls is not None:
            self.pulls.close()
        self.page.form, self._submit, self.pulls = None, None, None
        self._key_typed = ""

    async def key(self, form: Form, key: str) -> None:
        """Act on a key while `form` is open."""
        if form.typing_hidden and key == "backspace":
            self._key_typed = self._key_typed[:-1]
        elif form.typing_hidden and len(key) == 1 and key.isprintable():
            self._key_typed, key = self._key_typed + key, _DOT
        came_to = form.take(key)
        if came_to == "left":
            self.close()
        elif came_to == "done" and self._submit is not None:
            form.problem = await self._submit(form.values)
            self._forget_key(form)

    def scanned(self, form: Form, text: str) -> None:
        """Put scanned text where one types; a badge's secret nowhere but into the line that asks for it."""
        hidden = [line for line in form.fields if line.hidden]
        if text.startswith(BADGE_BEGINS) and hidden:
            form.at, self._key_typed = form.fields.index(hidden[0]), text
            form.put(hidden[0].key, _DOT * len(text))
        elif text.startswith(BADGE_BEGINS):
            form.problem = "No key is asked for here."
        elif form.typing_hidden:
            self._key_typed += text
            form.append(_DOT * len(text))
        else:
            form.append(text)

    def pasted(self, text: str) -> bool:
        """Take what came faster than a hand types, with no Enter, for a paste where people write words; say whether."""
        form = self.page.form
        broke_off = len(text) < len(BADGE_BEGINS) or text.startswith(BADGE_BEGINS) or may_begin_code(text)
        if form is None or not form.fields or form.fields[form.at].key not in _WORDS or broke_off:
            return False
        form.append(text)
        return True

    def _forget_key(self, form: Form) -> None:
        self._key_typed = ""
        for line in form.fields:
            if line.hidden:
                line.value = ""
                form.at = form.fields.index(line)

    def moved(self, key: str, count: int) -> bool:
        """Move the choice by an arrow or to a number; say whether `key` was for that."""
        page = self.page
        if key in ("up", "down"):
            page.chosen = max(0, min(count - 1, page.chosen + (1 if key == "down" else -1)))
        elif key.isdecimal() and 1 <= int(key) <= count:
            page.chosen = int(key) - 1
        else:
            return False
        return True

    def by(self, *, known: bool = True) -> Field:
        """The line that says who does it."""
        return Field("by", "by", self.bench.state.technician if known else "", "a name, or scan the badge")

    def unit(self, serial: str | None = None) -> Field:
        """The line that says which unit it is: the one on the bench, unless another is given."""
        known = self.bench.state.unit_serial if serial is None else serial
        return Field("unit", "unit", known, "its serial: scan or type it")

    def serial(self, text: str) -> str:
        """Return the serial that was typed, or is in the code that was read."""
        found = read_scan(text, self.bench.setup.sheet)
        return found.serial if isinstance(found, UnitNamed) else text.strip()

    def signing(self, act: SignedAct, *, known: bool = True) -> list[Field]:
        """The lines that say who signs, and by which key where this is signed by one."""
        asked = act in self.bench.setup.keys_for
        return [
            self.by(known=known),
            *([Field("key", "PIN or badge", hint="scan the badge, or type the PIN", hidden=True)] if asked else []),
        ]

    async def signed(self, act: SignedAct, name: str) -> SignedWay:
        """Return by which way `name` signs with what was typed. Raises KeyRefused and PeopleError."""
        people = PeopleFile(self.bench.setup.data_dir)
        try:
            await self.bench.keep_people()
        except RecordError as error:
            raise KeyRefused(f"{error}") from error
        if act not in self.bench.setup.keys_for:
            return await asyncio.to_thread(people.typed, name)
        return await asyncio.to_thread(people.signed, name, act, self._key_typed.strip(), datetime.now(UTC))

    def person(self, text: str) -> str:
        """Return the name that was typed, or is on the badge that was read."""
        found = read_scan(text, self.bench.setup.sheet)
        return found.name if isinstance(found, TechnicianNamed) else text.strip()

    async def write(self, facts: Sequence[Fact]) -> str:
        """Write facts and close the form; return why they were refused, if they were."""
        return await self.do(self.bench.write(facts))

    async def do(self, writing: Awaitable[Sequence[FactWritten]]) -> str:
        """Wait for what is being written, as `write` does."""
        try:
            written = await writing
        except (FactRefused, PlanError, RecordError) as error:
            return str(error)
        self.close()
        named = next((one.fact.by for one in written if isinstance(one.fact, _WORK) and one.fact.by), "")
        if named and not self.bench.state.technician:
            self.bench.name_technician(named)
        said = [one.text[0].upper() + one.text[1:] + "." for one in written]
        self.page.note = " ".join([*said, *(note for one in written for note in one.notes)])
        return ""
