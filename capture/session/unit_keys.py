"""The unit at the keyboard: what keys and scans do on the parts, steps and sign-off screens.

Everything that is written goes through a form that says what Enter does and whose name it is; what is refused stays on
the form with the reason. Which facts are allowed is decided in `signing`, how the screens look in `dashboard`.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Literal

from rich.console import RenderableType

from capture.bench.bench import Bench
from capture.clearance.advice import what_to_do
from capture.dashboard.form import Field, Form
from capture.dashboard.parts_screen import parts_screen
from capture.dashboard.signoff_screen import release_screen
from capture.dashboard.steps_screen import steps_screen
from capture.dashboard.unit_page import Page
from capture.job.unit_on_record import Refused
from capture.record import RecordError
from capture.session.wrench_field import WrenchField, WrenchSetup
from capture.sheet.steps import Torque
from capture.unit.changes import PlanError
from capture.unit.codes import NotUnderstood, PartFitted, TechnicianNamed, read_scan
from capture.unit.facts import Fact, Override, PartsChanged, SignedOff, StepBegun, StepDone
from capture.unit.offers import taken, typed_change
from capture.unit.standing import UnitStanding
from capture.unit.torques import tightened, typed_torques, wrong_count
from drivers.units import format_length, parse_duration

__all__ = ["ScreenName", "UnitControls"]

ScreenName = Literal["", "parts", "steps", "sign-off"]
#: Takes what was typed; returns why it will not do, or nothing.
Submit = Callable[[dict[str, str]], Awaitable[str]]


class UnitControls:
    """The unit's screens of one session. `screen` is the one that is open, empty for the bench itself."""

    def __init__(self, bench: Bench, wrench: WrenchSetup | None = None) -> None:
        self._bench = bench
        self._wrench = wrench
        self.screen: ScreenName = ""
        self._page = Page()
        self._submit: Submit | None = None
        self._pulls: WrenchField | None = None
        """What fills the open form's torque, where there is a wrench."""

    # -- what is shown -----------------------------------------------------------------------------------

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""
        return self._page.form is not None

    @property
    def _now(self) -> UnitStanding:
        assert self._bench.unit is not None
        return self._bench.unit.now

    def draw(self, width: int, height: int, ascii_only: bool) -> RenderableType:
        """Return the open screen."""
        view, page = self._bench.view, self._page
        if self.screen == "parts":
            return parts_screen(view, page, self._now.fitted, self._bench.choice, width, height, ascii_only=ascii_only)
        if self.screen == "steps":
            standing = self._now.standing
            return steps_screen(
                view, page, self._now.sheet, standing, datetime.now(UTC), width, height, ascii_only=ascii_only
            )
        return release_screen(view, page, self._now.standing, width, height, ascii_only=ascii_only)

    # -- opening and leaving -----------------------------------------------------------------------------

    def against_opening(self, screen: ScreenName) -> str:
        """Say why a screen cannot be opened now; empty if it can."""
        if self._bench.view.air_state in ("armed", "applied"):
            return "Take the air off first (a): no hands at the unit while it can come."
        if screen == "parts" and not self._bench.finished.is_set():
            return "A check is running: parts are changed after its verdict."
        return "" if self._bench.unit is not None else "Nothing was measured of this unit yet: begin with a check."

    async def open(self, screen: ScreenName) -> None:
        """Show a screen, with what others wrote meanwhile."""
        await self._bench.look()
        self._close_form()
        self.screen, self._page = screen, Page()
        if screen == "steps":
            self._page.chosen = self._now.standing.next_step or 0

    def leave(self) -> None:
        """Back to the bench."""
        self._close_form()
        self.screen, self._page = "", Page()

    def tell(self, text: str) -> None:
        """Say something on the open screen."""
        self._page.note = text

    def named(self, name: str) -> None:
        """A badge was scanned: the open form is signed by that name."""
        if self._page.form is not None:
            self._page.form.put("by", name)

    def typed(self, text: str) -> None:
        """A scan that is no code goes where one types."""
        if self._page.form is not None:
            self._page.form.append(text)

    # -- keys --------------------------------------------------------------------------------------------

    async def key(self, key: str) -> None:
        """Act on a key while a screen is open."""
        form = self._page.form
        if form is not None:
            came_to = form.take(key)
            if came_to == "left":
                self._close_form()
            elif came_to == "done" and self._submit is not None:
                form.problem = await self._submit(form.values)
            return
        self._page.note = ""
        if key == "escape":
            self.leave()
        elif key == "t":
            self._ask(Form("Who works from now on?", [Field("name", "name")], does="goes on"), self._name)
        elif key in ("c", "s", "u"):
            screen: ScreenName = "parts" if key == "c" else "steps" if key == "s" else "sign-off"
            why = self.against_opening(screen)
            if self.screen == screen:
                self.leave()
            elif why:
                self.tell(why)
            else:
                await self.open(screen)
        elif self.screen == "parts":
            self._parts_key(key)
        elif self.screen == "steps":
            self._steps_key(key)
        else:
            self._release_key(key)

    def _moved(self, key: str, count: int) -> bool:
        """Move the choice by an arrow or to a number; say whether `key` was for that."""
        page = self._page
        if key in ("up", "down"):
            page.chosen = max(0, min(count - 1, page.chosen + (1 if key == "down" else -1)))
        elif key.isdecimal() and 1 <= int(key) <= count:
            page.chosen = int(key) - 1
        else:
            return False
        return True

    def _ask(self, form: Form, submit: Submit) -> None:
        self._close_form()
        self._page.form, self._submit = form, submit

    def _close_form(self) -> None:
        if self._pulls is not None:
            self._pulls.close()
        self._page.form, self._submit, self._pulls = None, None, None

    def _by(self, *, known: bool = True) -> Field:
        return Field("by", "by", self._bench.view.technician if known else "", "a name, or scan the badge")

    def _person(self, text: str) -> str:
        found = read_scan(text, self._now.sheet)
        return found.name if isinstance(found, TechnicianNamed) else text.strip()

    async def _name(self, values: dict[str, str]) -> str:
        name = self._person(values["name"])
        self._bench.name_technician(name)
        self._close_form()
        self.tell(f"{name} works from now on.")
        return ""

    async def _write(self, facts: Sequence[Fact]) -> str:
        """Write facts and close the form; return why they were refused, if they were."""
        try:
            written = await self._bench.write(facts)
        except (Refused, PlanError, RecordError) as error:
            return str(error)
        self._close_form()
        said = [one.text[0].upper() + one.text[1:] + "." for one in written]
        self.tell(" ".join([*said, *(note for one in written for note in one.notes)]))
        return ""

    # -- parts -------------------------------------------------------------------------------------------

    def _parts_key(self, key: str) -> None:
        ways = self._bench.choice.found.ways
        if key.isdecimal() and 1 <= int(key) <= min(9, len(ways)):
            way = ways[int(key) - 1]
            self._confirm_change(way.text, lambda by: taken(way, by))
        elif key == "p":
            adjusters = [f"{p.name}/{a.name}" for p in self._now.fitted.order() for a in p.adjusters]
            if not adjusters:
                self.tell("No part of this sheet can be changed.")
                return
            hint = f"as now fitted, such as {adjusters[0]}/..."
            said = [f"Pack, part and what is fitted now. There are: {', '.join(adjusters)}"]
            self._ask(Form("Which part was changed?", [Field("part", "part", hint=hint)], said=said), self._part)

    async def _part(self, values: dict[str, str]) -> str:
        text = values["part"]
        found = read_scan(text if text.lower().startswith("part") else f"part:{text}", self._now.sheet)
        if isinstance(found, PartFitted):
            return self.part_fitted(found)
        return found.why if isinstance(found, NotUnderstood) else f"{text!r} names no part"

    def part_fitted(self, part: PartFitted) -> str:
        """Ask whether a part was changed as scanned or typed; return why that cannot be, if it cannot."""
        try:
            made = typed_change(self._now, part, "")
        except PlanError as error:
            return str(error)
        pack, unit = self._now.fitted.pack(part.pack), self._now.fitted.display_unit
        text = f"{part.pack}: {what_to_do(pack, made.changes, unit)}"
        if made.predicted_nm is not None:
            text += f"; predicted {format_length(made.predicted_nm, unit)}"
        self._confirm_change(text, lambda by: [replace(made, by=by)])
        return ""

    def _confirm_change(self, text: str, facts: Callable[[str], list[PartsChanged]]) -> None:
        async def submit(values: dict[str, str]) -> str:
            why = await self._write(facts(self._person(values["by"])))
            if not why:
                said = self._page.note
                self.leave()
                self._bench.view.said = said
            return why

        said = ["Only what was done at the unit: from now on its checks count with these parts."]
        self._ask(Form(f"Was this done? {text}", [self._by()], said=said, does="it was done"), submit)

    # -- steps -------------------------------------------------------------------------------------------

    def _steps_key(self, key: str) -> None:
        steps = self._now.standing.steps
        if not steps or self._moved(key, len(steps)):
            return
        if key == "enter":
            self.ask_step(self._page.chosen)
        elif key == "o":
            self._ask_override(None, self._page.chosen, self._now.sheet.steps[self._page.chosen].title)

    def ask_step(self, index: int) -> None:
        """Ask what a step needs to be signed."""
        self._page.chosen = index
        step, standing = self._now.sheet.steps[index], self._now.standing.steps[index]
        said = [step.instruction] if step.instruction else []
        if standing.state == "done":
            said.append(f"It was signed by {standing.by}; signing it again takes the place of that.")
        title = f"Step {index + 1}: {step.title}" + (f", {step.details()}" if step.details() else "")
        if isinstance(step, Torque):
            many = ""
            if step.bolt_count:
                many = f"; {step.bolt_count} bolts: one for all, or one for each, such as 35 in lb; 36 in lb; ..."
            hint = f"with its unit, as read at the wrench{many}"
            torque = Field("torque", "torque reached", hint=hint, optional=step.value is None)
            self._ask(
                Form(title, [torque, self._by()], said=said, does="signs the step"), self._torque_done(index, step)
            )
            if self._wrench is not None and self._page.form is not None:
                self._pulls = WrenchField(self._wrench, self._page.form, step, self._bench.view_changed)
        elif step.minimum_ns is not None:
            begun = standing.state == "begun"
            hint = "leave empty: it lasted from when it was begun" if begun else "leave empty: it begins now"
            lasted = Field("lasted", "it lasted", hint=hint, optional=True)
            does = "signs the step" if begun else "begins it, or signs it with its time"
            form = Form(title, [lasted, self._by()], said=said, does=does)
            form.at = 0
            self._ask(form, self._timed(index, begun))
        else:
            self._ask(Form(title, [self._by()], said=said, does="signs the step"), self._confirmed(index))

    def _timed(self, index: int, begun: bool) -> Submit:
        asked = ""

        async def submit(values: dict[str, str]) -> str:
            nonlocal asked
            by, lasted = self._person(values["by"]), values["lasted"]
            if lasted:
                try:
                    done = StepDone(index, by, lasted_ns=parse_duration(lasted))
                except ValueError as error:
                    return str(error)
                assert self._bench.unit is not None
                why = self._bench.unit.to_confirm(done, datetime.now(UTC)) if asked != lasted else ""
                asked = lasted if why else ""
                return f"{why[:1].upper()}{why[1:]}. Enter again if that is right." if why else await self._step(done)
            return await self._step(StepDone(index, by) if begun else StepBegun(index, by))

        return submit

    def _confirmed(self, index: int) -> Submit:
        async def submit(values: dict[str, str]) -> str:
            return await self._step(StepDone(index, self._person(values["by"])))

        return submit

    def _torque_done(self, index: int, step: Torque) -> Submit:
        async def submit(values: dict[str, str]) -> str:
            done = StepDone(index, self._person(values["by"]))
            if not values["torque"]:
                return await self._step(done)
            pulls = self._pulls if self._pulls and values["torque"] == self._pulls.text else None
            try:
                torques = pulls.torques if pulls else typed_torques(values["torque"])
            except ValueError as error:
                return str(error)
            assert self._bench.unit is not None
            now = datetime.now(UTC)
            wrong = [wrong_count(step, torques)]
            wrong += [self._bench.unit.against(replace(done, torque_unm=torque), now) for torque in torques]
            why = next((one for one in wrong if one), "")
            if not why:
                return await self._step(tightened(step, done, torques, pulls.port if pulls else ""))
            if pulls is not None:
                pulls.again()
            return f"{why}. Nothing was written"

        return submit

    async def _step(self, fact: Fact) -> str:
        why = await self._write([fact])
        if not why and self._now.standing.next_step is not None:
            self._page.chosen = self._now.standing.next_step
        return why

    # -- the sign-off ------------------------------------------------------------------------------------

    def _release_key(self, key: str) -> None:
        standing = self._now.standing
        if self._moved(key, len(standing.open)):
            return
        if key == "o" and standing.open:
            item = standing.open[min(self._page.chosen, len(standing.open) - 1)]
            self._ask_override(item.pack, item.step, item.text)
        elif key == "enter" and standing.open:
            self.tell(f"{len(standing.open)} things stand against it: do them, or let one pass by name (o).")
        elif key == "enter" and standing.signed is None:
            known = standing.remarks
            title = f"Sign off unit {self._bench.view.unit_serial or '-'}"
            title += ", knowing this:" if known else ": everything on this sheet is done and proven."
            why = [Field("why", "why it may go out", hint="the record keeps it for ever")] if known else []
            said = [*known, *(f"Look at: {caution}" for caution in standing.cautions)]
            self._ask(Form(title, [*why, self._by()], said=said, does="signs the unit off"), self._sign(known))

    def _sign(self, known: tuple[str, ...]) -> Submit:
        async def submit(values: dict[str, str]) -> str:
            if not self._bench.finished.is_set():
                return "A check is running: let it come to its verdict first"
            return await self._write([SignedOff(self._person(values["by"]), "", known, values.get("why", ""))])

        return submit

    def _ask_override(self, pack: str | None, step: int | None, title: str) -> None:
        async def submit(values: dict[str, str]) -> str:
            why = await self._write([Override(pack, step, self._person(values["by"]), values["reason"])])
            self._page.chosen = 0 if not why and self.screen == "sign-off" else self._page.chosen
            return why

        fields = [self._by(known=False), Field("reason", "reason", hint="the record keeps it for ever")]
        said = ["Whoever lets it pass answers for it by name."]
        self._ask(Form(f"Override: {title}", fields, said=said, does="lets it pass"), submit)
