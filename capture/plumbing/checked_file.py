"""TOML (or JSON) files checked by a pydantic model: reads one, and says what is wrong with it in a person's words.
Knows no particular file; what a file may hold is the model's affair."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from capture.plumbing.wrong_values import plain_words

_Model = TypeVar("_Model", bound=BaseModel)


class TableError(Exception):
    """A file cannot be used; the text names the file, the key, the value and what was expected."""


@dataclass(frozen=True, slots=True)
class FileKind:
    """One kind of file, such as a "stock file". Every method raises `raised`."""

    what: str
    raised: type[Exception] = TableError
    lists: tuple[str, ...] = ()
    """Lists whose items are of several kinds: pydantic names the kind that it tried, which is no key of the file."""

    def read(self, path: Path, model: type[_Model]) -> _Model:
        """Return the file checked by `model`; one whose name ends in `.json` is read as JSON, any other as TOML."""
        form = "JSON" if path.suffix.lower() == ".json" else "TOML"
        return self.check(self.table(self.text(path, form), path, form), path, model)

    def text(self, path: Path, form: str = "TOML") -> str:
        """Return the text of the file."""
        try:
            return path.read_bytes().decode()
        except OSError as error:
            raise self.raised(f"{path}: {error.strerror}; expected a {self.what} in {form}") from error
        except UnicodeDecodeError as error:
            raise self.raised(f"{path}: is not UTF-8 text; expected a {self.what} in {form}") from error

    def table(self, text: str, where: object, form: str = "TOML") -> dict[str, Any]:
        """Return the table that `text` is; `where` names it in errors."""
        expected = f"expected a {self.what} in {form}"
        try:
            raw = json.loads(text) if form == "JSON" else tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            # Beside what TOML forbids, tomllib lets a number of thousands of digits or deep nesting through to here.
            raise self.raised(f"{where}: no {form}: {error}; {expected}") from error
        if not isinstance(raw, dict):
            raise self.raised(f"{where}: holds no table at its top; {expected}")
        return raw

    def check(self, raw: dict[str, Any], where: object, model: type[_Model]) -> _Model:
        """Return the table checked by `model`; every key at fault gets a line of its own."""
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            lines = [f"{where}: {self._problem(raw, item)}" for item in _causes(error)]
            raise self.raised("\n".join(lines)) from error

    def _problem(self, raw: dict[str, Any], item: Any) -> str:
        loc = item["loc"]
        keys = [part for at, part in enumerate(loc) if at < 2 or loc[at - 2] not in self.lists]
        key, value = _place_of(raw, keys)
        if item["type"] == "missing":
            return f"{key}: is missing; every {self.what} has it"
        if item["type"] == "extra_forbidden":
            return f"{key}: {_shown(value)}: is no key of a {self.what}; check its spelling"
        said = plain_words(str(item["msg"]))
        broken, colon, rest = said.partition(": ")
        if colon and isinstance(value, dict) and broken in value:  # a rule between keys names the one at fault
            key, value, said = f"{key}.{broken}" if key else broken, value[broken], rest
        return f"{key or self.what}: {_shown(value)}: {said}"


def _causes(error: ValidationError) -> list[Any]:
    """The errors without those that only follow from others: a list is short because its items were refused."""
    items = error.errors(include_url=False, include_context=False)
    inner = [item["loc"] for item in items]
    return [
        item
        for item in items
        if item["type"] != "too_short"
        or not any(len(loc) > len(item["loc"]) and loc[: len(item["loc"])] == item["loc"] for loc in inner)
    ]


def _shown(value: Any) -> str:
    """Return a value as an error shows it: a whole table only by its name, several only by their number."""
    if isinstance(value, dict):
        return f"table {value['name']!r}" if "name" in value else "a table"
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return f"{len(value)} tables"
    try:
        return repr(value)
    except ValueError:  # Python prints no whole number of more than some thousands of digits
        return "a number too long to print"


def _place_of(raw: dict[str, Any], loc: Sequence[str | int]) -> tuple[str, Any]:
    """Return the key that `loc` leads to, as a person writes it, and what stands there, None for nothing."""
    value: Any = raw
    key = ""
    for part in loc:
        key += f"[{part}]" if isinstance(part, int) else f".{part}" if key else str(part)
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            value = None
    return key, value
