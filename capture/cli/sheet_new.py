"""The command `sheet new`: asks what a build sheet says, question by question, and writes it."""

from __future__ import annotations

import re
import shlex
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, TypeVar

import typer

from capture.cli.options import fail
from capture.plumbing.outward import say, write

if TYPE_CHECKING:
    from capture.sheet.new_sheet import PackAnswer, SelectiveAnswer, SheetAnswers, ShimAnswer, StepAnswer
    from drivers.reading import LengthUnit

_T = TypeVar("_T")


def new_sheet(
    file: Annotated[Path, typer.Argument(help="The build sheet to write, such as forwarder.toml.")],
) -> None:
    """Write a build sheet: asks for its limits, parts and steps. Exit code 1 if it was not written."""
    from capture.cli.print_sheet import show_sheet
    from capture.plumbing.durable import written
    from capture.sheet.new_sheet import sheet_text
    from capture.sheet.sheet import SheetError, parse_sheet

    if file.exists():
        fail(f"{file}: is there already; give another name, or change it with an editor")
    if not file.parent.is_dir():
        fail(f"{file.parent}: is no folder; make it first, or give another name")
    draft = file.with_name(f"{file.name}.draft")
    say("Answer from the manufacturer's service literature.")
    say("Enter takes what stands in [brackets], < goes back, Ctrl-C leaves and keeps all.")
    asking = _Asking(_kept(draft))
    if asking.answers:
        say(f"Goes on behind the {len(asking.answers)} answers in {draft}.")
    try:
        text = sheet_text(asking.all())
        sheet = parse_sheet(text, str(file))
    except (EOFError, KeyboardInterrupt):
        say()
        if not asking.answers:
            fail(f"{file}: not written, nothing was answered")
        with written(draft) as out:
            out.write("".join(f"{answer}\n" for answer in asking.answers).encode())
        fail(f"{file}: not written. The answers so far are in {draft};\nthe same command goes on behind them.")
    except SheetError as error:
        fail(f"not written: {error}")
    with written(file) as out:
        out.write(text.encode())
    draft.unlink(missing_ok=True)
    say(f"\n{file} is written. It asks for this:\n")
    show_sheet(sheet)
    say("\nHold it against the literature. Measure by it:")
    say(f"strokelog run --port PORT --driver DRIVER --sheet {shlex.quote(str(file))} --unit SERIAL")
    say("`strokelog listen` finds port and driver; left out, they are those of the settings file.")


def _kept(draft: Path) -> list[str]:
    """Return the answers that were given before the questions were left."""
    try:
        return draft.read_text(encoding="utf-8").splitlines()
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        fail(f"{draft}: cannot be read ({error}); remove it, or give another name")


class _Back(Exception):
    """The question before is to be asked again."""


class _Asking:
    """The questions, each asked again until its answer will do. Raises EOFError where there are no more answers.

    To go back, all is asked anew, and what was answered before answers by itself.
    """

    unit: LengthUnit = "mm"

    def __init__(self, answers: list[str]) -> None:
        self.answers = answers
        """What was typed at the questions so far."""
        self._at = 0
        self._was = ""
        """The answer that was taken back."""
        self._shows = True
        """Whether what answers by itself is shown: what stood in a draft is, what was just typed is not."""

    def all(self) -> SheetAnswers:
        """Return everything that was asked."""
        while True:
            self._at = 0
            try:
                return self._sheet()
            except _Back:
                self._was = self.answers.pop() if self.answers else ""

    def _sheet(self) -> SheetAnswers:
        from capture.sheet.new_sheet import SheetAnswers

        name = self._text("What is it for (machine, box)?")
        revision = self._text("Revision", "1")
        source = self._text("Who says the limits hold (manual, section)?")
        self.unit = self._one("Unit of length: mm or in", _length_unit, "mm")
        pressure = self._one("Air pressure of an apply (Enter: not watched)", self._pressure, "")
        tolerance = self._one("  plus or minus", self._pressure) if pressure else ""
        packs: list[PackAnswer] = []
        while pack := self._pack(packs):
            packs.append(pack)
        steps: list[StepAnswer] = []
        while step := self._step(len(steps) + 1, packs):
            steps.append(step)
        return SheetAnswers(name, revision, source, pressure, tolerance, tuple(packs), tuple(steps))

    # -- packs and parts -----------------------------------------------------------------------------------

    def _pack(self, before: list[PackAnswer]) -> PackAnswer | None:
        from capture.sheet.new_sheet import PackAnswer
        from drivers.units import parse_length

        def named(text: str) -> str:
            if any(text == pack.name for pack in before):
                raise ValueError(f"there is a pack {text!r} already")
            if not text and not before:
                raise ValueError("a sheet has one pack at least")
            return text

        more = " (Enter: no more packs)" if before else ""
        such = "" if before else " (such as low, or shaft end play)"
        name = self._one(f"Pack {len(before) + 1}{such}, its name{more}", named, None if not before else "")
        if not name:
            return None
        # Only where its name says so: a clutch pack is moved by air, and needs no question.
        played = _PLAY.search(name) is not None
        moved_by: Literal["air", "hand"] = self._one("  moved by air or hand", _mover, "hand") if played else "air"
        what = "play" if moved_by == "hand" else "clearance"
        low = self._one(f"  least {what}", lambda text: self._length(text, over=0))
        high = self._one(f"  greatest {what}", lambda text: self._length(text, over=parse_length(low)))

        def inside(text: str) -> str:
            length = self._length(text)
            if not parse_length(low) <= parse_length(length) <= parse_length(high):
                raise ValueError(f"{length} lies outside {low} to {high}")
            return length

        preferred = self._one(f"  preferred {what} (Enter: the middle)", inside, "")
        adjusters: list[ShimAnswer | SelectiveAnswer] = []
        while part := self._part(bool(adjusters)):
            adjusters.append(part)
        return PackAnswer(name, low, high, preferred, tuple(adjusters), moved_by)

    def _part(self, another: bool) -> ShimAnswer | SelectiveAnswer | None:
        from capture.sheet.new_sheet import SelectiveAnswer, ShimAnswer

        which = "Another part that sets it" if another else "  Which part sets it"
        kind = self._one(f"  {which.strip()}: shim, ring, plate or spacer (Enter: none)", _part_kind, "")
        if not kind:
            return None
        name = self._one("    what the shop calls it", _part_name, kind)
        if kind == "shim":
            thickness = self._one("    thickness of one", lambda text: self._length(text, over=0))
            fitted = self._one("    how many are in now", _count)
            most = self._one("    how many there may be", lambda text: _count(text, fitted))
            return ShimAnswer(name, thickness, fitted, most, self._does("one more", "closes"))
        choices = self._one("    thicknesses there are, with blanks between", self._lengths)
        fitted_one = self._one("    which is in now", lambda text: self._among(text, choices))
        part: Literal["ring", "plate", "spacer"] = "plate" if kind == "plate" else "ring"
        part = "spacer" if kind == "spacer" else part
        return SelectiveAnswer(name, part, choices, fitted_one, self._does("a thicker one", "closes"))

    def _does(self, what: str, usual: Literal["closes", "opens"]) -> Literal["closes", "opens"]:
        return self._one(f"    does {what} open or close the pack", _does, usual)

    # -- steps ---------------------------------------------------------------------------------------------

    def _step(self, number: int, packs: list[PackAnswer]) -> StepAnswer | None:
        from capture.sheet.new_sheet import StepAnswer
        from drivers.units import parse_duration, with_unit

        if number == 1:
            say("What is signed: soak, cure, clean, torque, confirm, or a word of yours.")
        kind = self._one(f"Step {number}, its kind (Enter: no more steps)", _step_kind, "")
        if not kind:
            return None
        name = self._text("  what it is called, such as " + _EXAMPLES.get(kind, "cover on"))
        if kind in ("soak", "cure"):

            def lasts(text: str) -> str:
                parse_duration(with_unit(text, "min"))
                return with_unit(text, "min")

            least = self._one("  it lasts at least, in min or such as 2 h (Enter: not said)", lasts, "")
            return StepAnswer(kind, name, least, before=self._before(packs, kind))
        if kind == "torque":
            passes = self._one(
                f"  torque in {self._torque_unit}; of several passes each, with blanks between", self._torques
            )
            tolerance = self._one(
                "  plus or minus, such as 4 % (Enter: not said)", lambda t: self._spread(t, passes), ""
            )
            bolts = self._one("  how many bolts, for one torque each (Enter: one for all)", lambda t: _count(t, 1), 0)
            before = self._before(packs, kind, "its first pass " if len(passes) > 1 else "")
            return StepAnswer(kind, name, passes=passes, tolerance=tolerance, bolts=bolts or None, before=before)
        return StepAnswer(kind, name, before=self._before(packs, kind))

    def _before(self, packs: list[PackAnswer], kind: str, what: str = "") -> tuple[str, ...]:
        """Ask which packs are measured only when a step is done; plates are soaked before the first stroke."""
        from capture.sheet.steps import EVERY_PACK

        names = [pack.name for pack in packs]

        def chosen(text: str) -> tuple[str, ...]:
            if text.casefold() in ("all", "none"):
                return (EVERY_PACK,) if text.casefold() == "all" else ()
            wanted = tuple(one.strip() for one in text.split(",")) if text not in names else (text,)
            if any(one not in names for one in wanted):
                raise ValueError(f"expected all, none, or names with commas between: {', '.join(names)}")
            return wanted

        usual = "all" if kind == "soak" else "none"
        return self._one(f"  {what}comes before the check of: all, none, or names [{usual}]", chosen, chosen(usual), "")

    # -- answers -------------------------------------------------------------------------------------------

    def _text(self, question: str, usual: str | None = None) -> str:
        def given(text: str) -> str:
            if not text:
                raise ValueError("it is needed")
            return text

        return self._one(question, given, usual)

    def _one(self, question: str, read: Callable[[str], _T], usual: _T | None = None, shown: str | None = None) -> _T:
        """Ask until an answer will do; `usual` is what Enter alone takes, `shown` how it stands beside the question."""
        while True:
            known = self._at < len(self.answers)
            if known and self._shows:
                say(f"{question}{' ' if question.endswith('?') else ': '}{self.answers[self._at] or usual or ''}")
            line = f"{self.answers[self._at]}\n" if known else self._typed(question, usual, shown)
            if not line:
                raise EOFError
            text = line.strip()
            if text == "<":
                raise _Back
            try:
                found = usual if not text and usual is not None else read(text)
            except ValueError as error:
                # A draft may be of other questions: what does not answer them is asked.
                del self.answers[self._at :]
                if not known:
                    say(f"    {error}")
                continue
            if not known:
                self.answers.append(text)
            self._at += 1
            self._was = self._was if known else ""
            return found

    def _typed(self, question: str, usual: object, shown: str | None) -> str:
        """Ask a person; an answer that was taken back is told, and Enter takes what is usual all the same."""
        self._shows = False
        was = f" (was {self._was})" if self._was else ""
        before = f"{usual or ''}" if shown is None else shown
        write(f"{question}{was}{f' [{before}]' if before else ''}{' ' if question.endswith('?') else ': '}")
        return sys.stdin.readline()

    def _length(self, text: str, over: int = -1) -> str:
        from drivers.units import format_length, length_text, parse_length

        length = length_text(_with_points(text), self.unit)
        if over >= 0 and parse_length(length) <= over:
            raise ValueError(f"expected more than {format_length(over, self.unit) if over else '0'}")
        return length

    def _lengths(self, text: str) -> tuple[str, ...]:
        from drivers.units import split_values

        lengths = tuple(self._length(one, over=0) for one in split_values(_with_points(text)))
        if len(set(lengths)) < len(lengths) or not lengths:
            raise ValueError("expected thicknesses, each once, such as 2.80 3.00 3.20")
        return lengths

    def _among(self, text: str, choices: tuple[str, ...]) -> str:
        from drivers.units import parse_length

        length = parse_length(self._length(text))
        found = next((choice for choice in choices if parse_length(choice) == length), None)
        if found is None:
            raise ValueError(f"expected one of {', '.join(choices)}")
        return found

    def _pressure(self, text: str) -> str:
        from drivers.units import parse_pressure, with_unit

        pressure = with_unit(text, "psi" if self.unit == "in" else "kPa")
        if parse_pressure(pressure) <= 0:
            raise ValueError("expected more than 0")
        return pressure

    @property
    def _torque_unit(self) -> str:
        return "ft lb" if self.unit == "in" else "N m"

    def _torques(self, text: str) -> tuple[str, ...]:
        from drivers.units import parse_torque, split_values, with_unit

        usual = self._torque_unit
        if re.search(r"\d,\d", text):
            raise ValueError(f"{text!r} may be one torque or two; write a point, or a blank between")
        torques = tuple(with_unit(one, usual) for one in split_values(text))
        for one in torques:
            if parse_torque(one) <= 0:
                raise ValueError("expected more than 0")
        if not torques:
            raise ValueError(f"expected a torque, such as 46 {usual}")
        return torques

    def _spread(self, text: str, passes: tuple[str, ...]) -> str:
        from pydantic import ValidationError

        from capture.plumbing.wrong_values import wrong_values
        from capture.sheet.steps import Torque
        from drivers.units import with_unit

        spread = text if "%" in text else with_unit(text, self._torque_unit)
        try:
            for one in passes:
                Torque(kind="torque", value=one, tolerance=spread)
        except ValidationError as error:
            raise ValueError(wrong_values(error)[0].removeprefix("tolerance: ")) from error
        return spread


def _with_points(text: str) -> str:
    """Return typed numbers with decimal points: a comma between digits is one where no point is there; beside points
    it stands between two numbers."""
    return re.sub(r",(?=\S)", ", ", text) if "." in text else re.sub(r"(?<=\d),(?=\d)", ".", text)


def _step_kind(text: str) -> str:
    if not text[:1].isalpha() or any(letter.isdecimal() for letter in text):
        raise ValueError(f"{text!r} is no kind of step; expected such as soak, torque or confirm")
    return text.casefold()


#: What is moved by hand, as its name tells.
_PLAY = re.compile(r"\b(?:play|backlash|lash|float)\b", re.IGNORECASE)


def _mover(text: str) -> Literal["air", "hand"]:
    if text.casefold() == "air":
        return "air"
    if text.casefold() == "hand":
        return "hand"
    raise ValueError("expected air or hand")


_EXAMPLES = {
    "soak": "friction plates in oil",
    "cure": "threadlocker of the hub bolts",
    "clean": "apply passages",
    "torque": "housing bolts",
}


def _length_unit(text: str) -> LengthUnit:
    if text.casefold() in ("mm", "millimetre", "millimeter", "metric"):
        return "mm"
    if text.casefold() in ("in", "inch", "inches", '"'):
        return "in"
    raise ValueError("expected mm or in")


def _part_name(text: str) -> str:
    if re.fullmatch(r"[\d.,;\s]+", text):
        raise ValueError(f"{text!r} is no name; what it measures is asked for next")
    return text


def _part_kind(text: str) -> str:
    kind = text.casefold().removesuffix("s")
    if kind not in ("shim", "ring", "plate", "spacer"):
        raise ValueError("expected shim, ring, plate or spacer")
    return kind


def _count(text: str, least: int = 0) -> int:
    if not text.isdecimal() or not least <= int(text) <= 100:
        raise ValueError(f"expected a whole number from {least} to 100")
    return int(text)


def _does(text: str) -> Literal["closes", "opens"]:
    if text.casefold() in ("close", "closes", "c"):
        return "closes"
    if text.casefold() in ("open", "opens", "o"):
        return "opens"
    raise ValueError("expected open or close")
