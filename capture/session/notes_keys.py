"""Keys on the notes screen: a note to the unit, a pack or a stroke, by name."""

from __future__ import annotations

import re

from capture.dashboard.form import Field, Form
from capture.session.form_runner import FormRunner
from capture.unit.facts import NoteMade
from capture.unit.words import fact_words


class NotesKeys:
    """What the keys of the notes screen do."""

    def __init__(self, forms: FormRunner) -> None:
        self._forms = forms

    def texts(self) -> list[str]:
        """Return the notes of the unit in words, oldest first."""
        unit = self._forms.bench.unit
        facts = unit.job.facts if unit is not None else ()
        return [fact_words(None, one.fact) for one in facts if isinstance(one.fact, NoteMade)]

    def key(self, key: str) -> None:
        """Act on a key."""
        if key == "enter":
            self.ask()

    def ask(self) -> None:
        """Ask what there is to know, and of what: the pack on the screen, unless somebody says otherwise."""
        forms, state = self._forms, self._forms.bench.state
        pack = state.packs[state.pack].name if state.pack >= 0 else ""
        about = Field("about", "about", pack, "a pack, or a pack and its stroke, such as low 3; empty: the unit", True)
        form = Form("A note", [Field("text", "note"), about, forms.by()], does="keeps it")
        form.at = 0
        forms.ask(form, self._submit)

    async def _submit(self, values: dict[str, str]) -> str:
        about = values["about"]
        packs = {pack.name.casefold(): pack.name for pack in self._forms.now.sheet.packs}
        pack, stroke = packs.get(about.casefold()), None
        if about and pack is None and (found := re.fullmatch(r"(.+?)[ ,]+(?:stroke )?(\d{1,3})", about)):
            pack, stroke = packs.get(found[1].casefold()), int(found[2])
        if about and pack is None:
            return f"{about!r} is no pack of this sheet; there are: {', '.join(packs.values())}"
        return await self._forms.write([NoteMade(values["text"], self._forms.person(values["by"]), pack, stroke)])
