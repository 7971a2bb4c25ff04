"""Typing on the dashboard: a few labelled lines, edited by keys named as the keyboard names them. Draws nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["Field", "Form"]

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


class Form:
    """What is asked for before something is done. Feed it keys; `take` says what they came to."""

    def __init__(self, title: str, fields: Sequence[Field] = (), *, said: Sequence[str] = (), does: str = "") -> None:
        """`said` stands under the title; `does` says what Enter does in the end, such as "signs the step"."""
        self.title = title
        self.said = tuple(said)
        self.does = does
        self.fields = list(fields)
        self.problem = ""
        """Why what was typed will not do, in words."""
        self.at = next((i for i, field in enumerate(self.fields) if not field.value), 0)

    @property
    def values(self) -> dict[str, str]:
        """What stands in the lines, without blanks around it."""
        return {field.key: field.value.strip() for field in self.fields}

    def put(self, key: str, value: str) -> None:
        """Fill a line from elsewhere: a scanned badge, a wrench."""
        for field in self.fields:
            if field.key == key:
                field.value = value[:_LONGEST]

    def append(self, text: str) -> None:
        """Add scanned text to the line being typed."""
        if self.fields:
            field = self.fields[self.at]
            field.value = (field.value + text)[:_LONGEST]

    def take(self, key: str) -> Literal["typing", "done", "left"]:
        """Take a key: text is typed, Backspace takes it back, Enter goes on, Escape leaves."""
        if key == "escape":
            return "left"
        if key == "enter":
            return self._enter()
        if not self.fields:
            return "typing"
        field = self.fields[self.at]
        if key == "backspace":
            field.value = field.value[:-1]
            self.problem = ""
        elif key in ("down", "tab"):
            self.at = (self.at + 1) % len(self.fields)
        elif key == "up":
            self.at = (self.at - 1) % len(self.fields)
        elif len(key) == 1 and key.isprintable():
            field.value = (field.value + key)[:_LONGEST]
            self.problem = ""
        return "typing"

    def _enter(self) -> Literal["typing", "done"]:
        missing = [i for i, field in enumerate(self.fields) if not field.value.strip() and not field.optional]
        if not missing:
            return "done"
        # The lines below first, then from the top again.
        self.at = next((i for i in missing if i > self.at), missing[0])
        self.problem = f"{self.fields[self.at].label} is missing."
        return "typing"
