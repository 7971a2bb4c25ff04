"""A build sheet's text from a person's answers: TOML with comments, for whoever will change it by hand later. Pure."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class ShimAnswer:
    """Equal shims. `thickness` is text with a unit; `more` says what one more does to the pack."""

    name: str
    thickness: str
    fitted: int
    most: int
    more: Literal["closes", "opens"]


@dataclass(frozen=True, slots=True)
class SelectiveAnswer:
    """One part of a choice of thicknesses, each text with a unit; `thicker` says what a thicker one does."""

    name: str
    part: Literal["ring", "plate", "spacer"]
    choices: tuple[str, ...]
    fitted: str
    thicker: Literal["closes", "opens"]


@dataclass(frozen=True, slots=True)
class PackAnswer:
    """A pack: its limits as text with a unit, `preferred` empty for the middle, and what sets it."""

    name: str
    low: str
    high: str
    preferred: str = ""
    adjusters: tuple[ShimAnswer | SelectiveAnswer, ...] = ()
    moved_by: Literal["air", "hand"] = "air"


@dataclass(frozen=True, slots=True)
class StepAnswer:
    """A step: a soak's or cure's `minimum`, or a torque's passes, each text with a unit; empty where none is named."""

    kind: str
    name: str
    minimum: str = ""
    passes: tuple[str, ...] = ()
    tolerance: str = ""
    bolts: int | None = None
    before: tuple[str, ...] = ()
    """The packs that are measured only when it, or its first pass, is done."""


@dataclass(frozen=True, slots=True)
class SheetAnswers:
    """Everything that was asked."""

    name: str
    revision: str
    source: str
    pressure: str = ""
    pressure_tolerance: str = ""
    packs: tuple[PackAnswer, ...] = ()
    steps: tuple[StepAnswer, ...] = field(default=())


def sheet_text(answers: SheetAnswers) -> str:
    """Return the sheet. Every key that an answer did not need stands there as a comment, to be taken up."""
    lines = [
        "# Build sheet. Its limits are those of the manufacturer's service literature; `source` says where they stand.",
        "# Every length, pressure, torque and time is text with a unit. All keys: strokelog guide build-sheet",
        "",
        "[sheet]",
        f"name = {_text(answers.name)}",
        f"revision = {_text(answers.revision)}  # change it with the limits: the record keeps which one judged",
        f"source = {_text(answers.source)}  # who says that these limits hold",
    ]
    if answers.pressure:
        lines += ["", "[air]", f"pressure = {_text(answers.pressure)}  # of an apply, gauge"]
        lines.append(f"tolerance = {_text(answers.pressure_tolerance)}  # plus or minus")
    else:
        lines += ["", '# [air]\n# pressure = "140 kPa"  # of an apply, gauge; with it, an apply outside is told\n']
        lines[-1] += '# tolerance = "10 kPa"'
    for pack in answers.packs:
        lines += _pack(pack)
    if answers.steps:
        lines += ["", "# What the technician signs, in this order."]
    for step in answers.steps:
        lines += _step(step)
    return "\n".join(lines) + "\n"


def _pack(pack: PackAnswer) -> list[str]:
    preferred = f"preferred = {_text(pack.preferred)}  # what advice aims at"
    lines = [
        "",
        "[[packs]]",
        f"name = {_text(pack.name)}",
        f"range = [{_text(pack.low)}, {_text(pack.high)}]  # least and greatest clearance",
        preferred if pack.preferred else "# preferred: left out, advice aims at the middle of the range",
        'measure = "peak"  # or "held": which travel of a stroke is averaged',
        "strokes = 5  # averaged",
        "seat_strokes = 1  # settle the pack first, not averaged",
    ]
    if pack.moved_by == "hand":
        lines.append('moved_by = "hand"  # pushed and pulled from stop to stop, without air')
    for adjuster in pack.adjusters:
        lines += ["", "[[packs.adjusters]]"]
        if isinstance(adjuster, ShimAnswer):
            lines += [
                'kind = "shim"',
                f"name = {_text(adjuster.name)}",
                f"thickness = {_text(adjuster.thickness)}  # of one",
                f"fitted = {adjuster.fitted}  # how many are in now",
                f"max = {adjuster.most}  # how many there may be",
                f'more = "{adjuster.more}"  # what one more does to the pack',
            ]
        else:
            lines += [
                'kind = "selective"',
                f"name = {_text(adjuster.name)}",
                f'part = "{adjuster.part}"',
                f"choices = [{', '.join(_text(choice) for choice in adjuster.choices)}]  # the thicknesses there are",
                f"fitted = {_text(adjuster.fitted)}  # the one that is in now",
                f'thicker = "{adjuster.thicker}"  # what a thicker one does to the pack',
            ]
        lines.append('# tolerance: the part\'s own, such as "0.01 mm"; it is counted in every prediction')
    return lines


def _step(step: StepAnswer) -> list[str]:
    lines = ["", "[[steps]]", f"kind = {_text(step.kind)}", f"name = {_text(step.name)}"]
    if step.minimum:
        lines.append(f"minimum = {_text(step.minimum)}  # it lasts at least so long")
    before = _text(step.before[0]) if len(step.before) == 1 else f"[{', '.join(_text(name) for name in step.before)}]"
    if len(step.passes) == 1:
        lines.append(f"value = {_text(step.passes[0])}")
    elif step.passes:
        first, *others = (_text(one) for one in step.passes)
        first = f"{{ value = {first}, before = {before} }}" if step.before else first
        lines.append(f"passes = [{', '.join((first, *others))}]  # each is a step to sign")
    if step.before and len(step.passes) < 2:
        lines.append(f"before = {before}  # what is measured only when it is done")
    elif not step.before:
        lines.append('# before = "packs"  # it is done before they are measured; left out, it follows them')
    if step.tolerance:
        lines.append(f"tolerance = {_text(step.tolerance)}  # plus or minus")
    elif step.passes:
        lines.append('# tolerance = "4 %"  # without one a deviation is shown, and nothing is refused')
    if step.bolts:
        lines.append(f"bolts = {step.bolts}")
    return lines


def _text(text: str) -> str:
    """Return text as a TOML string: JSON writes the same escapes."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
