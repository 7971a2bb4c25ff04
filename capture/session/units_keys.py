"""Keys and scans on the screen of units: the next by its serial, an unfinished one by a key; and why one is back."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from capture.dashboard.form import Field, Form
from capture.job.unfinished import UnfinishedUnit
from capture.record import RecordError
from capture.session.form_runner import FormRunner
from capture.sheet.sheet import Sheet
from capture.sheet.variants import Variant
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class NextUnit:
    """What comes onto the bench when a session has ended: a unit by its serial, or an unfinished job by its number."""

    serial: str = ""
    resume: int | None = None
    technician: str = ""
    variant: str = ""
    """Which of the sheet's variants is fitted to it, and who confirmed that; empty where the sheet has none, or nobody
    said so yet."""
    variant_by: str = ""


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
        also = "" if self._forms.bench.setup.shop_database is None else " and in the shop's database"
        said += (f"An earlier sign-off is looked for in this bench's record{also or ' alone'}.",)
        form = Form("The next unit", [self._forms.unit(serial)], said=said, does="takes it")
        self._forms.ask(form, self._named)

    async def _named(self, values: dict[str, str]) -> str:
        return await self.take(self._forms.serial(values["unit"]))

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

    def ask_what_is_fitted(self) -> None:
        """Ask which of the sheet's variants is fitted to the unit, and who confirms that: another session begins by
        the limits that follow from it."""
        forms, sheet = self._forms, self._forms.bench.setup.sheet
        names = [one.name for one in sheet.variants]

        async def submit(values: dict[str, str]) -> str:
            typed = values["fitted"]
            at = int(typed) - 1 if typed.isdecimal() else -1
            called = [name for name in names if name.casefold() == typed.casefold()]
            if not called and not 0 <= at < len(names):
                return f"{typed!r} is none of them; type a number from 1 to {len(names)}, or the name."
            by, fitted = forms.person(values["by"]), called[0] if called else names[at]
            technician = forms.bench.state.technician or by
            self._follow(NextUnit(forms.serial(values["unit"]), None, technician, fitted, by))
            return ""

        told = [forms.bench.state.not_confirmed]
        told += [f"{n}  {one.name}: {_what_follows(one, sheet)}" for n, one in enumerate(sheet.variants, 1)]
        fields = [
            forms.unit(),
            Field("fitted", "fitted", hint="look at the part itself: its number above, or its name"),
            forms.by(),
        ]
        forms.ask(
            Form("Which is fitted?", fields, said=tuple(told), does="confirms it", at=1 if fields[0].value else 0),
            submit,
        )

    def ask_why_back(self, begin: Callable[[], Awaitable[None]]) -> None:
        """Ask why a unit that was signed off is back; once that is kept, `begin` what was to begin."""
        forms = self._forms
        earlier = forms.bench.state.earlier

        async def submit(values: dict[str, str]) -> str:
            by = forms.person(values["by"])
            why = await forms.write([earlier.fact(by, values["reason"])])
            if not why:
                self._leave(forms.page.note)
                await begin()
            return why

        reason = Field("reason", "why it is back", hint="such as: warranty, slips in high; the record keeps it")
        linked = (
            "Both jobs name each other from now on." if earlier.here is not None else "The record names that bench."
        )
        words = (earlier.words(forms.bench.state.unit_serial), earlier.fitted_words(), linked)
        said = tuple(one for one in words if one)
        forms.ask(Form("A unit that came back", [reason, forms.by()], said=said, does="keeps it and begins"), submit)


def _what_follows(variant: Variant, sheet: Sheet) -> str:
    """What a variant changes, in words."""
    told = []
    for name, keys in variant.packs.items():
        limits = " to ".join(str(limit) for limit in keys["range"]) if "range" in keys else ""
        other = ", ".join(key for key in keys if key != "range")
        told.append(" ".join(part for part in (name, limits, f"(and {other})" if limits and other else other) if part))
    unit = sheet.display_unit
    told += [
        f"{pack.name} {format_length(pack.low_nm, unit)} to {format_length(pack.high_nm, unit)}"
        for pack in sheet.packs
        if pack.name not in variant.packs and any(pack.name in other.packs for other in sheet.variants)
    ]
    return "; ".join(told)
