"""Keys and scans on the steps screen: what each kind of step needs to be signed, and who signs it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from capture.dashboard.form import Field, Form
from capture.session.form_runner import FormRunner, Submit
from capture.session.signoff_keys import ask_override
from capture.sheet.dimensions import Dimension
from capture.sheet.steps import Torque
from capture.unit.dimension_readings import far_off, typed_readings
from capture.unit.facts import Fact, StepBegun, StepDone
from capture.unit.torques import tightened, torques_far_off, typed_torques, wrong_count
from drivers.units import parse_duration, with_unit


def torque_hint(step: Torque) -> str:
    """Return how a torque is typed, in the step's own value; no other figure may pass for what a bolt is asked for."""
    unit = f"in {step.written_unit}" if step.value else "with its unit"
    such = f" (asked for: {step.value})" if step.value else ""
    hint = f"{unit}, as read at the wrench{such}"
    if not step.bolt_count:
        return hint
    return f"{hint}; {step.bolt_count} bolts: one for all, or {step.bolt_count} with blanks or Enter between"


class StepsKeys:
    """What the keys of the steps screen do."""

    def __init__(self, forms: FormRunner) -> None:
        self._forms = forms

    def key(self, key: str) -> None:
        """Act on a key."""
        forms, sheet = self._forms, self._forms.now.sheet
        if not sheet.steps or forms.moved(key, len(sheet.steps)):
            return
        chosen = forms.page.chosen
        if key == "enter":
            self.ask(chosen)
        elif key == "o":
            ask_override(forms, None, chosen, sheet.steps[chosen].title, then=chosen)

    def ask(self, index: int) -> None:
        """Ask what a step needs to be signed."""
        forms = self._forms
        forms.page.chosen = index
        step, standing = forms.now.sheet.steps[index], forms.now.standing.steps[index]
        said: tuple[str, ...] = (step.instruction,) if step.instruction else ()
        if standing.state == "done":
            said += (f"It was signed by {standing.by}; signing it again takes the place of that.",)
        title = f"Step {index + 1}: {step.title}" + (f", {step.details()}" if step.details() else "")
        if isinstance(step, Torque):
            torque = Field("torque", "torque reached", hint=torque_hint(step), optional=step.value is None)
            torque.many = step.bolt_count or 1
            form = Form(title, [torque, forms.by()], said=said, does="signs the step")
            submit = self._torque(index, step)
        elif isinstance(step, Dimension):
            hint = f"{step.readings} or more, blanks between; a number alone is {step.unit}"
            used = Field("instrument", "with", step.instrument, optional=True)
            fields = [Field("readings", "readings", hint=hint), used, forms.by()]
            form = Form(title, fields, said=said, does="keeps what was measured", at=0)
            submit = self._dimension(index, step)
        elif step.minimum_ns is not None:
            begun = standing.state == "begun"
            hint = "leave empty: it lasted from when it was begun" if begun else "leave empty: it begins now; or in min"
            lasted = Field("lasted", "it lasted", hint=hint, optional=True)
            does = "signs the step" if begun else "begins it, or signs it with its time"
            form = Form(title, [lasted, forms.by()], said=said, does=does, at=0)
            submit = self._timed(index, begun)
        else:
            form = Form(title, [forms.by()], said=said, does="signs the step")
            submit = self._confirmed(index)
        forms.ask(form, self._in_order(index, submit))
        if isinstance(step, Torque):
            forms.listen(step)

    def _in_order(self, index: int, submit: Submit) -> Submit:
        """Ask once where the sheet has packs before this step that are not good yet."""
        step, left = self._forms.now.sheet.steps[index], self._forms.now.standing.packs_left
        asks = bool(left) and not step.before

        async def in_order(values: dict[str, str]) -> str:
            nonlocal asks
            if not asks:
                return await submit(values)
            asks = False
            are = "is" if len(left) == 1 else "are"
            return f"The packs come first, and {' and '.join(left)} {are} not good yet. Enter again if it is done now."

        return in_order

    def _timed(self, index: int, begun: bool) -> Submit:
        asked = ""

        async def submit(values: dict[str, str]) -> str:
            nonlocal asked
            by, lasted = self._forms.person(values["by"]), values["lasted"]
            if lasted:
                try:
                    done = StepDone(index, by, lasted_ns=parse_duration(with_unit(lasted, "min")))
                except ValueError as error:
                    return str(error)
                assert self._forms.bench.unit is not None
                why = self._forms.bench.unit.to_confirm(done, datetime.now(UTC)) if asked != lasted else ""
                asked = lasted if why else ""
                return f"{why[:1].upper()}{why[1:]}. Enter again if that is right." if why else await self._write(done)
            return await self._write(StepDone(index, by) if begun else StepBegun(index, by))

        return submit

    def _dimension(self, index: int, step: Dimension) -> Submit:
        asked = ""

        async def submit(values: dict[str, str]) -> str:
            nonlocal asked
            try:
                readings = typed_readings(values["readings"], step)
            except ValueError as error:
                return str(error)
            if (odd := far_off(step, readings)) and asked != values["readings"]:
                asked = values["readings"]
                return f"{odd}. Enter again if that is right."
            by = self._forms.person(values["by"])
            return await self._write(StepDone(index, by, readings_nm=readings, instrument=values["instrument"]))

        return submit

    def _confirmed(self, index: int) -> Submit:
        async def submit(values: dict[str, str]) -> str:
            return await self._write(StepDone(index, self._forms.person(values["by"])))

        return submit

    def _torque(self, index: int, step: Torque) -> Submit:
        asked: list[str] = []
        alone_before: list[str] = []

        async def submit(values: dict[str, str]) -> str:
            forms, unit = self._forms, self._forms.bench.unit
            assert unit is not None
            done = StepDone(index, forms.person(values["by"]))
            if not values["torque"]:
                return await self._write(done)
            text = values["torque"].rstrip("; ")
            pulls = forms.pulls if forms.pulls and text == forms.pulls.text else None
            try:
                torques = pulls.torques if pulls else typed_torques(text, step.written_unit)
            except ValueError as error:
                return str(error)
            now = datetime.now(UTC)
            wrong = [wrong_count(step, torques)]
            barred = (unit.against(replace(done, torque_unm=torque), now) for torque in torques)
            wrong += [one.text for one in barred if one is not None]
            why = next((one for one in wrong if one), "")
            far = "" if pulls else torques_far_off(step, torques)
            known = bool(far) and far in asked
            if far and not known and min(torques) > 0:
                asked.append(far)
            alone = pulls is not None and len(torques) == 1 < (step.bolt_count or 1) and text not in alone_before
            if alone:
                alone_before.append(text)
            if why:
                if pulls is not None:
                    pulls.again()
                return f"{why}. Nothing was written"
            if alone:
                return f"1 pull of the wrench for {step.bolt_count} bolts. Enter again if it stands for all of them"
            if far and not known:
                return f"{far}: that is far from {step.value}. Enter again if that is what the wrench says"
            return await self._write(tightened(step, done, torques, pulls.port if pulls else "", asked))

        return submit

    async def _write(self, fact: Fact) -> str:
        why = await self._forms.write([fact])
        following = self._forms.now.standing.next_step
        if not why and following is not None:
            self._forms.page.chosen = following
        return why
