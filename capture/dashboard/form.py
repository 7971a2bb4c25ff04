"""Typing on the dashboard: a few labelled lines, edited by keys named as the keyboard names them. Draws nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from drivers.units import split_values

#: No name and no reason is longer; a stuck key must not fill the memory.
_LONGEST = 300


@dataclass(slots=True)
class Field:
    """One line to type. `optional` ones may stay empty."""

    key: str
    label: str
    value: str = ""
    hint: str = ""
    optional: bool = False
    many: int = 1
    """How many values the line may hold, one for all or so many: Enter goes on to the next of them, as does a blank, or
    a plus at a numeric keypad."""
    hidden: bool = False
    """Shows a dot for each character; the characters are kept elsewhere, by whoever asks."""

    @property
    def next_value(self) -> str:
        """What the line waits for once one of several values is typed, in words; empty where it waits for none."""
        if self.many < 2 or not self.value.endswith("; "):
            return ""
        typed = len(split_values(self.value))
        return f"{typed + 1} of {self.many}" + (f"; Enter: one for all {self.many}" if typed == 1 else "")


@dataclass(slots=True)
class Form:
    """What is asked for before something is done. Feed it keys; `take` says what they came to."""

    title: str
    fields: list[Field] = field(default_factory=list)
    said: tuple[str, ...] = ()
    """Stands under the title."""
    does: str = ""
    """What Enter does in the end, such as "signs the step"."""
    problem: str = ""
    """Why what was typed will not do, in words."""
    at: int = -1
    """The line being typed: from the first that is empty."""

    def __post_init__(self) -> None:
        if self.at < 0:
            self.at = next((i for i, line in enumerate(self.fields) if not line.value), 0)

    @property
    def values(self) -> dict[str, str]:
        """What stands in the lines, without blanks around it."""
        return {line.key: line.value.strip() for line in self.fields}

    @property
    def typing_hidden(self) -> bool:
        """Whether what is typed now must not be shown, nor kept here: all of this is sent to every face."""
        return bool(self.fields) and self.fields[self.at].hidden

    def put(self, key: str, value: str) -> None:
        """Fill a line from elsewhere: a scanned badge, a wrench."""
        for line in self.fields:
            if line.key == key:
                line.value = value[:_LONGEST]

    @staticmethod
    def _next_value(line: Field) -> bool:
        """Make room for the next value of a line that holds several, unless Enter was pressed without one."""
        if line.many < 2 or not line.value.strip() or line.value.endswith("; "):
            line.value = line.value.removesuffix("; ")
            return False
        if len(split_values(line.value)) >= line.many:
            return False
        line.value = f"{line.value.rstrip()}; "[:_LONGEST]
        return True

    def append(self, text: str) -> None:
        """Add scanned text to the line being typed."""
        if self.fields:
            line = self.fields[self.at]
            line.value = (line.value + text)[:_LONGEST]

    def take(self, key: str) -> Literal["typing", "done", "left"]:
        """Take a key: text is typed, Backspace takes it back, Enter goes on, Escape leaves."""
        if key == "escape":
            return "left"
        if key == "enter":
            return self._enter()
        if not self.fields:
            return "typing"
        line = self.fields[self.at]
        if key == "backspace":
            line.value = line.value.removesuffix("; ") if line.value.endswith("; ") else line.value[:-1]
            self.problem = ""
        elif key in ("down", "tab"):
            self.at = (self.at + 1) % len(self.fields)
        elif key == "up":
            self.at = (self.at - 1) % len(self.fields)
        elif len(key) == 1 and key.isprintable():
            line.value = (line.value + (" " if key == "+" and line.many > 1 else key))[:_LONGEST]
            self.problem = ""
        return "typing"

    def _enter(self) -> Literal["typing", "done"]:
        if self.fields and self._next_value(self.fields[self.at]):
            return "typing"
        missing = [i for i, line in enumerate(self.fields) if not line.value.strip() and not line.optional]
        if not missing:
            return "done"
        passed_over = self.at in missing
        # The lines below first, then from the top again.
        self.at = next((i for i in missing if i > self.at), missing[0])
        self.problem = f"{self.fields[self.at].label} is missing." if passed_over else ""
        return "typing"
