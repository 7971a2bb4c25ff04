"""Keys and scans on the parts screen: a change that was advised, or another, is taken as made by the name of whoever
made it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from capture.clearance.advice import what_to_do
from capture.dashboard.form import Field, Form
from capture.session.form_runner import FormRunner
from capture.unit.changes import PlanError
from capture.unit.codes import NotUnderstood, PartFitted, read_scan
from capture.unit.facts import ChangeUndone, PartsChanged
from capture.unit.offers import taken, typed_change
from capture.unit.words import changed_words
from drivers.units import format_length


class PartsKeys:
    """What the keys of the parts screen do; `leave` is called once a change was written, with what there is to say."""

    def __init__(self, forms: FormRunner, leave: Callable[[str], None]) -> None:
        self._forms = forms
        self._leave = leave

    def key(self, key: str) -> None:
        """Act on a key."""
        forms = self._forms
        ways = forms.bench.state.choice.found.ways
        if key.isdecimal() and 1 <= int(key) <= min(9, len(ways)):
            way = ways[int(key) - 1]
            self._confirm(way.text, lambda by: taken(way, by))
        elif key == "p":
            adjusters = [f"{p.name}/{a.name}" for p in forms.now.fitted.order() for a in p.adjusters]
            if not adjusters:
                forms.page.note = "No part of this sheet can be changed."
                return
            hint = f"as now fitted, such as {adjusters[0]}/..."
            said = (f"Pack, part, and what is fitted now in the sheet's unit. There are: {', '.join(adjusters)}",)
            forms.ask(Form("Which part was changed?", [Field("part", "part", hint=hint)], said=said), self._part)

        elif key == "z":
            self._undo()

    def _undo(self) -> None:
        forms, unit = self._forms, self._forms.bench.unit
        made = unit.to_undo() if unit is not None else None
        if made is None or not isinstance(made.fact, PartsChanged):
            forms.page.note = "No part was changed since the last check began: nothing to undo."
            return
        number, fact = made.number, made.fact
        text = f"{fact.pack}: {changed_words(forms.now.sheet, fact)}"

        async def submit(values: dict[str, str]) -> str:
            return await forms.write([ChangeUndone(number, fact.pack, forms.person(values["by"]))])

        said = ("Only where the part was never changed: the record keeps both, and the check before it counts again.",)
        forms.ask(Form(f"Undo this change? {text}", [forms.by()], said=said, does="undoes it"), submit)

    async def _part(self, values: dict[str, str]) -> str:
        text = values["part"]
        found = read_scan(text if text.lower().startswith("part") else f"part:{text}", self._forms.now.sheet)
        if isinstance(found, PartFitted):
            return self.part_fitted(found)
        return found.why if isinstance(found, NotUnderstood) else f"{text!r} names no part"

    def part_fitted(self, part: PartFitted) -> str:
        """Ask whether a part was changed as scanned or typed; return why that cannot be, if it cannot."""
        now = self._forms.now
        try:
            made = typed_change(now, part, "")
        except PlanError as error:
            return str(error)
        pack, unit = now.fitted.pack(part.pack), now.fitted.display_unit
        text = f"{part.pack}: {what_to_do(pack, made.changes, unit)}"
        if made.predicted_nm is not None:
            text += f"; predicted {format_length(made.predicted_nm, unit)}"
        self._confirm(text, lambda by: [replace(made, by=by)])
        return ""

    def _confirm(self, text: str, facts: Callable[[str], list[PartsChanged]]) -> None:
        forms = self._forms

        async def submit(values: dict[str, str]) -> str:
            why = await forms.write(facts(forms.person(values["by"])))
            if not why:
                self._leave(forms.page.note)
            return why

        said = ("Only what was done at the unit: from now on its checks count with these parts.",)
        forms.ask(Form(f"Was this done? {text}", [forms.by()], said=said, does="it was done"), submit)
