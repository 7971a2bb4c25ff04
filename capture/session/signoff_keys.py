"""Keys on the sign-off screen: an override by name and reason, and the release itself."""

from __future__ import annotations

from capture.dashboard.form import Field, Form
from capture.job.people import KeyRefused, PeopleError
from capture.session.form_runner import FormRunner
from capture.unit.facts import Override, SignedOff, ToAcknowledge
from capture.unit.words import items_open


def ask_override(forms: FormRunner, pack: str | None, step: int | None, title: str, *, then: int) -> None:
    """Ask who lets a pack or a step pass, and why; `then` is what is chosen afterwards."""

    async def submit(values: dict[str, str]) -> str:
        name = forms.person(values["by"])
        try:
            signed = await forms.signed("override", name)
        except (KeyRefused, PeopleError) as error:
            return f"{error}"
        why = await forms.write([Override(pack, step, name, values["reason"], signed)])
        forms.page.chosen = forms.page.chosen if why else then
        return why

    by, *key = forms.signing("override", known=False)
    fields = [by, Field("reason", "reason", hint="the record keeps it for ever"), *key]
    said = ("Whoever lets it pass answers for it by name.",)
    forms.ask(Form(f"Override: {title}", fields, said=said, does="lets it pass"), submit)


class SignOffKeys:
    """What the keys of the sign-off screen do."""

    def __init__(self, forms: FormRunner) -> None:
        self._forms = forms

    def key(self, key: str) -> None:
        """Act on a key."""
        forms, standing = self._forms, self._forms.now.standing
        if forms.moved(key, len(standing.open)):
            return
        if key == "o" and standing.open:
            item = standing.open[min(forms.page.chosen, len(standing.open) - 1)]
            ask_override(forms, item.pack, item.step, item.text, then=0)
        elif key == "enter" and standing.open:
            forms.page.note = f"{items_open(len(standing.open))}: do them, or let one pass by name (o)."
        elif key == "enter" and standing.signed is None:
            self._ask(standing.remarks, standing.cautions)

    def _ask(self, known: tuple[ToAcknowledge, ...], cautions: tuple[str, ...]) -> None:
        forms = self._forms

        async def submit(values: dict[str, str]) -> str:
            if not forms.bench.finished.is_set():
                return "A check is running: let it come to its verdict first"
            name = forms.person(values["by"])
            try:
                signed = await forms.signed("sign-off", name)
            except (KeyRefused, PeopleError) as error:
                return f"{error}"
            return await forms.write([SignedOff(name, "", known, values.get("why", ""), signed)])

        title = f"Sign off unit {forms.bench.state.unit_serial or '-'}"
        title += ", knowing this:" if known else ": everything on this sheet is done and proven."
        why = [Field("why", "why it may go out", hint="the record keeps it for ever")] if known else []
        said = (*(one.text for one in known), *(f"Look at: {caution}" for caution in cautions))
        forms.ask(Form(title, [*why, *forms.signing("sign-off")], said=said, does="signs the unit off"), submit)
