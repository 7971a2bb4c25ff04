"""Keys and scans on the screen of units: the next by its serial, an unfinished one by a key; and why one is back."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from capture.dashboard.form import Field, Form
from capture.job.unfinished import UnfinishedUnit, signed_before_words
from capture.record import RecordError
from capture.session.form_runner import FormRunner
from capture.unit.codes import UnitNamed, read_scan
from capture.unit.facts import CameBack


@dataclass(frozen=True, slots=True)
class NextUnit:
    """What comes onto the bench when a session has ended: a unit by its serial, or an unfinished job by its number."""

    serial: str = ""
    resume: int | None = None
    technician: str = ""


class UnitsKeys:
    """What the keys of that screen do. `leave` is called where the unit was named to this session, with what to say;
    `follow` where another session begins with it."""

    def __init__(self, forms: FormRunner, leave: Callable[[str], None], follow: Callable[[NextUnit], None]) -> None:
        self._forms, self._leave, self._follow = forms, leave, follow
        self.units: tuple[UnfinishedUnit, ...] = ()

    async def open(self) -> None:
        """Look which units are unfinished; where none is, the serial is asked for at once."""
        self.units = await self._forms.bench.unfinished_units()
        if not self.units:
            self.ask()

    def key(self, key: str) -> None:
        """Act on a key."""
        forms = self._forms
        if key.isdecimal() and 1 <= int(key) <= len(self.units):
            self._resume(self.units[int(key) - 1])
        elif key == "enter":
            self.ask()
        else:
            forms.moved(key, len(self.units))

    def ask(self, serial: str = "") -> None:
        """Ask for the serial of the next unit."""
        said: tuple[str, ...] = ()
        state = self._forms.bench.state
        if state.job_id and not self._forms.bench.view.signed_off:
            said = (f"Job {state.job_id} of unit {state.unit_serial or '-'} stays unfinished, and in this list.",)
        field = Field("unit", "unit", serial, hint="its serial: scan or type it")
        self._forms.ask(Form("The next unit", [field], said=said, does="takes it"), self._named)

    async def _named(self, values: dict[str, str]) -> str:
        found = read_scan(values["unit"], self._forms.bench.setup.sheet)
        return await self.take(found.serial if isinstance(found, UnitNamed) else values["unit"].strip())

    async def take(self, serial: str) -> str:
        """Take a unit onto the bench; return why that cannot be, if it cannot."""
        bench = self._forms.bench
        if bench.state.job_id:
            self._follow(NextUnit(serial, technician=bench.state.technician))
            return ""
        try:
            bench.name_unit(serial)
            told = await bench.look_for_unfinished()
        except RecordError as error:
            return str(error)
        self._leave(f"Unit {serial} is on the bench. {told}".rstrip())
        return ""

    def _resume(self, unit: UnfinishedUnit) -> None:
        self._follow(NextUnit(resume=unit.job, technician=self._forms.bench.state.technician))

    def ask_why_back(self, begin: Callable[[], Awaitable[None]]) -> None:
        """Ask why a unit that was signed off is back; once that is kept, `begin` what was to begin."""
        forms = self._forms
        earlier = forms.bench.state.earlier
        assert earlier is not None

        async def submit(values: dict[str, str]) -> str:
            by = forms.person(values["by"])
            why = await forms.write([CameBack(earlier.job, earlier.entry, by, values["reason"])])
            if not why:
                self._leave(forms.page.note)
                await begin()
            return why

        reason = Field("reason", "why it is back", hint="such as: warranty, slips in high; the record keeps it")
        said = (signed_before_words(forms.bench.state.unit_serial, earlier), "Both jobs name each other from now on.")
        forms.ask(Form("A unit that came back", [reason, forms.by()], said=said, does="keeps it and begins"), submit)
