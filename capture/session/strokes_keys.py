"""Keys on the strokes screen: a stroke that is known to be wrong is left out, by name and reason."""

from __future__ import annotations

from collections.abc import Callable

from capture.dashboard.form import Field, Form
from capture.session.form_runner import FormRunner


class StrokesKeys:
    """What the keys of the strokes screen do; `leave` is called with what to say once a stroke was left out."""

    def __init__(self, forms: FormRunner, leave: Callable[[str], None]) -> None:
        self._forms = forms
        self._leave = leave

    def key(self, key: str) -> None:
        """Act on a key."""
        forms, strokes = self._forms, self._forms.bench.state.strokes
        if forms.moved(key, len(strokes)) or key != "enter" or not strokes:
            return
        chosen = strokes[min(forms.page.chosen, len(strokes) - 1)]
        number = chosen.stroke.n

        async def submit(values: dict[str, str]) -> str:
            return await self._leave_out(number, forms.person(values["by"]), values["reason"])

        if not chosen.counts:
            forms.page.note = f"Stroke {number} does not count as it is."
            return
        fields = [Field("reason", "what was wrong", hint="such as: bumped the bench"), forms.by()]
        said = (
            "Only a stroke that is known to be wrong. It is kept and shown with this reason; the verdict is worked out "
            "anew, and must be surer for every stroke that is left out.",
        )
        forms.ask(Form(f"Leave out stroke {number}?", fields, said=said, does="leaves it out"), submit)

    async def _leave_out(self, number: int, by: str, reason: str) -> str:
        why = await self._forms.do(self._forms.bench.leave_out(number, by, reason))
        if not why:
            self._leave(self._forms.page.note)
        return why
