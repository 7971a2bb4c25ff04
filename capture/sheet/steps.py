"""The steps of a build sheet: what the technician signs beside the clearances. TOML on the outside, checked.

`soak` and `cure` last at least their `minimum`; a `torque` step is one pass around the bolts of a joint, or several
with `passes`; `clean`, `confirm` and every other kind a shop writes are confirmed by name. Which steps are done is
no matter of this file.

In a sheet:

    [[steps]]                              [[steps]]
    kind = "soak"                          kind = "torque"
    name = "friction plates"               name = "plate bolts"
    minimum = "30 min"                     bolts = 8
                                           pattern = "crosswise"
    [[steps]]                              passes = [
    kind = "torque"                          "28 N m",
    name = "cover bolts, final pass"         { value = "46 N m", tolerance = "4 %" },
    order = 2                              ]
    value = "46 N m"
    tolerance = "2 N m"

`before = "packs"`, or the name of a pack or several, says what is done first: plates soaked before the first stroke, a
first pass of the bolts before a clearance is worth measuring. All else comes after the packs.

A list of passes becomes that many steps, in order, each to be signed. Passes belong to the same bolts if they have
the same `joint`, or where that is missing the same name apart from the words that tell the pass.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    PrivateAttr,
    Tag,
    model_validator,
)

from drivers.units import TorqueUnit, format_torque, parse_duration, parse_torque, torque_unit

#: Torque and tolerance are each rounded to a micronewton metre, so a value on the limit may miss it by this.
_ROUNDING_UNM = 2
#: More passes than this are a slip of the pen (common practice: two or three).
_MOST_PASSES = 20

_PASS_WORDS = re.compile(
    r"\b(?:first|second|third|fourth|last|final|intermediate|\d+(?:st|nd|rd|th)?)[ -]*(?:pass|round|stage)\b"
    r"|\b(?:pass|round|stage)[ -]*\d+(?:[ ]*of[ ]*\d+)?",
    re.IGNORECASE,
)


def _number_as_text(value: Any) -> Any:
    return str(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else value


_Text = Annotated[str, BeforeValidator(_number_as_text)]


def _as_names(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


#: What `before` says for every pack of the sheet.
EVERY_PACK = "packs"


class Step(BaseModel):
    """What the technician signs: what to do, under any name a shop gives it.

    Shops write more than this into a step; what is not named here is kept as it stands.
    """

    model_config = ConfigDict(extra="allow", frozen=True)

    kind: str = Field(min_length=1)
    name: str = ""
    order: int | None = Field(default=None, ge=1)
    value: _Text | None = None
    pattern: str | None = None
    before: Annotated[tuple[str, ...], BeforeValidator(_as_names)] = ()
    """The packs that are not measured before this is done, or EVERY_PACK; none for a step that follows them."""

    def comes_before(self, pack: str) -> bool:
        """Say whether this pack is measured only when the step is done."""
        return pack in self.before or EVERY_PACK in self.before

    @property
    def title(self) -> str:
        """What to call the step: its name, else its kind."""
        return self.name or self.kind

    @property
    def instruction(self) -> str:
        """What the sheet's `text` tells the technician to do and to mind, else nothing."""
        text = (self.__pydantic_extra__ or {}).get("text")
        return text if isinstance(text, str) else ""

    @property
    def minimum_ns(self) -> int | None:
        """How long the step must last at least, nanoseconds; None if the sheet names no time."""
        return None

    def details(self) -> str:
        """Return in a few words what the sheet asks for beside the title; may be empty."""
        return ", ".join(part for part in (self.value, self.pattern, self._first()) if part)

    def _first(self) -> str:
        """Return what it comes before, in words; empty for nothing."""
        names = ["every pack" if name == EVERY_PACK else name for name in self.before]
        return f"before {' and '.join(names)}" if names else ""


class Timed(Step):
    """A soak of friction plates in oil or a threadlocker's cure. `minimum` is a time such as "30 min"."""

    minimum: _Text | None = None
    _minimum_ns: int | None = PrivateAttr(default=None)

    @property
    def minimum_ns(self) -> int | None:
        """How long the step must last at least, nanoseconds; None if the sheet names no time."""
        return self._minimum_ns

    def details(self) -> str:
        """Return in a few words what the sheet asks for beside the title; may be empty."""
        least = f"at least {self.minimum}" if self.minimum else ""
        return ", ".join(part for part in (least, super().details()) if part)

    @model_validator(mode="after")
    def _check(self) -> Timed:
        if self.minimum is not None:
            self._minimum_ns = _told("minimum", parse_duration, self.minimum)
        return self


class Torque(Step):
    """One pass: `value` with a unit, `tolerance` as a torque or in percent of the value, plus or minus.

    Without a value nothing can be compared; without a tolerance a deviation is shown and a person judges it, since
    none that the sheet does not name may be assumed.
    """

    tolerance: _Text | None = None
    joint: _Text = ""
    bolts: Any = None
    _value_unm: int | None = PrivateAttr(default=None)
    _tolerance_unm: int | None = PrivateAttr(default=None)

    @property
    def value_unm(self) -> int | None:
        """The torque to tighten to, micronewton metres."""
        return self._value_unm

    @property
    def tolerance_unm(self) -> int | None:
        """How far from it a torque may lie, micronewton metres; None if the sheet names none."""
        return self._tolerance_unm

    @property
    def unit(self) -> TorqueUnit:
        """The unit to show this step's torques in."""
        return torque_unit(self.value or "")

    def shown(self, torque_unm: int) -> str:
        """Return a torque in this step's unit, spelled as the sheet does: people compare it with what they wrote."""
        number = format_torque(torque_unm, self.unit).removesuffix(self.unit)
        return number + (self.written_unit or self.unit)

    @property
    def written_unit(self) -> str:
        """The unit as the sheet spells it; empty where the sheet names no value."""
        return (self.value or "").strip().lstrip("+-0123456789. ").strip()

    @property
    def bolt_count(self) -> int | None:
        """How many bolts the pass goes around; None where the sheet writes something else."""
        return self.bolts if isinstance(self.bolts, int) and not isinstance(self.bolts, bool) and self.bolts else None

    @property
    def bolts_of(self) -> str:
        """What tells the bolts of this pass from others: passes of the same bolts share it."""
        name = self.joint or _PASS_WORDS.sub(" ", self.name)
        return " ".join(re.sub(r"[^\w ]+", " ", name).casefold().split())

    def allows(self, torque_unm: int) -> bool | None:
        """Return whether a torque lies within the tolerance; None where the sheet names none to compare with."""
        if self._value_unm is None or self._tolerance_unm is None:
            return None
        return abs(torque_unm - self._value_unm) <= self._tolerance_unm + _ROUNDING_UNM

    def deviation(self, torque_unm: int) -> str:
        """Return how far a torque lies from the step's value, in percent with its sign; empty without a value."""
        if self._value_unm is None:
            return ""
        percent = round(Fraction(100 * (torque_unm - self._value_unm), self._value_unm), 1)
        return f"{float(percent) + 0:+.1f} %"

    def window(self) -> str:
        """Return the torques allowed, for people: "33.6 in lb to 36.4 in lb"; empty without a tolerance."""
        if self._value_unm is None or self._tolerance_unm is None:
            return ""
        low, high = self._value_unm - self._tolerance_unm, self._value_unm + self._tolerance_unm
        return f"{self.shown(low)} to {self.shown(high)}"

    def details(self) -> str:
        """Return in a few words what the sheet asks for beside the title; may be empty."""
        value = " ± ".join(part for part in (self.value, self.tolerance) if part)
        # A number of rounds at one value is one step here; the person who signs it must see it.
        rounds = (self.__pydantic_extra__ or {}).get("passes")
        bolts = f"{self.bolt_count} bolts" if self.bolt_count else ""
        bolts = ", ".join(part for part in (f"passes: {rounds}" if rounds else "", bolts) if part)
        return ", ".join(part for part in (value, bolts, self.pattern, self._first()) if part)

    @model_validator(mode="after")
    def _check(self) -> Torque:
        self._value_unm, self._tolerance_unm = _read(self.value, self.tolerance)
        return self


class _Passes(Torque):
    """A torque step with a list of passes, each its value as text or a table. It becomes a Torque each."""

    passes: tuple[_OnePass, ...] = Field(min_length=1, max_length=_MOST_PASSES)

    @model_validator(mode="before")
    @classmethod
    def _value_list(cls, raw: Any) -> Any:
        """`value = ["28 N m", "46 N m"]` says the same as `passes`."""
        if isinstance(raw, dict) and isinstance(raw.get("value"), list):
            if isinstance(raw.get("passes"), list):
                raise ValueError("value: is a list beside the list `passes`; keep one of them")
            raw = {**raw, "passes": raw["value"]}
            del raw["value"]
        return raw

    @model_validator(mode="after")
    def _check(self) -> _Passes:
        """A tolerance for all of them is one of each value; a value beside the passes says no more than they do."""
        for one in self.passes:
            _read(one.value, one.tolerance or self.tolerance)
        return self

    def each(self) -> list[Torque]:
        """Return the passes as steps of their own; what a pass does not say, the step says for all."""
        shared = {key: given for key, given in self.model_dump(exclude_unset=True).items() if key != "passes"}
        first = self.order or 1
        steps = []
        for n, one in enumerate(self.passes):
            name = f"{self.title}, pass {n + 1} of {len(self.passes)}"
            own = one.model_dump(exclude_unset=True)
            steps.append(
                Torque.model_validate(
                    {"joint": self.title, **shared, **own, "kind": self.kind, "name": name, "order": first + n}
                )
            )
        return steps


class _OnePass(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True)

    value: _Text
    tolerance: _Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _bare_value(cls, raw: Any) -> Any:
        if isinstance(raw, dict):
            return raw
        parse_torque(raw)  # so that a text that is none is named itself, and not a key it has not
        return {"value": raw}

    @model_validator(mode="after")
    def _check(self) -> _OnePass:
        _read(self.value, self.tolerance)  # so that what is wrong is named here, where it stands in the sheet
        return self


_Passes.model_rebuild()


def _told(key: str, parse: Any, text: str) -> int:
    """Parse, and begin what is wrong with the key, as a rule between the keys of a table does."""
    try:
        return int(parse(text))
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from error


def _read(value: str | None, tolerance: str | None) -> tuple[int | None, int | None]:
    """Return a pass's value and its tolerance, micronewton metres; raises ValueError naming the key."""
    value_unm = None if value is None else _told("value", _value_of, value)
    if tolerance is None:
        return value_unm, None
    return value_unm, _told("tolerance", lambda text: _tolerance_of(text, value_unm), tolerance)


def _value_of(text: str) -> int:
    value_unm = parse_torque(text)
    if value_unm <= 0:
        raise ValueError(f"{text!r} is not above zero; expected such as '46 N m'")
    return value_unm


def _tolerance_of(text: str, value_unm: int | None) -> int:
    bare = re.sub(r"^\s*(?:±|\+\s*/?\s*-)", "", text).strip()
    if value_unm is None:
        raise ValueError(f"{text!r} belongs to a value that is missing; give the step one, such as value = '46 N m'")
    percent = re.fullmatch(r"(\d{1,2}(?:\.\d{1,6})?)\s*(?:%|percent)", bare)
    if percent is not None:
        return round(Fraction(percent[1]) / 100 * value_unm)
    try:
        tolerance_unm = parse_torque(bare)
    except ValueError as error:
        raise ValueError(f"{text!r} is neither a torque nor a percentage; expected such as '2 N m' or '4 %'") from error
    if not 0 <= tolerance_unm < value_unm:
        raise ValueError(f"{text!r} is below zero or no less than the value; expected such as '2 N m' or '4 %'")
    return tolerance_unm


def _class_of(raw: Any) -> str:
    """A kind that nobody knows, or none that is text, is confirmed like any other (or refused there)."""
    if isinstance(raw, Step):
        return {Timed: "timed", Torque: "torque", _Passes: "passes"}.get(type(raw), "confirm")
    kind = raw.get("kind") if isinstance(raw, dict) else None
    kind = kind.strip().casefold() if isinstance(kind, str) else ""
    if kind in ("soak", "cure"):
        return "timed"
    if kind == "torque":
        return "passes" if isinstance(raw.get("passes"), list) or isinstance(raw.get("value"), list) else "torque"
    return "confirm"


def _spread(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    spread: list[Step] = []
    for step in steps:
        spread += step.each() if isinstance(step, _Passes) else [step]
    return tuple(spread)


_AnyStep = Annotated[
    Annotated[Timed, Tag("timed")]
    | Annotated[_Passes, Tag("passes")]
    | Annotated[Torque, Tag("torque")]
    | Annotated[Step, Tag("confirm")],
    Discriminator(_class_of),
]
#: The field type of a sheet's steps: as written on the edge, each pass a step of its own inside.
Steps = Annotated[tuple[_AnyStep, ...], AfterValidator(_spread)]
