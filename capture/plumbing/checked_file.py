"""TOML (or JSON) files checked by a pydantic model: reads one, and says what is wrong with it in a person's words.
Knows no particular file; what a file may hold is the model's affair."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from capture.plumbing.toml_lines import TomlLines
from capture.plumbing.wrong_keys import wrong_keys

_Model = TypeVar("_Model", bound=BaseModel)
#: Names the place that a way through a file's keys leads to.
Place = Callable[[Sequence[str | int]], str]


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
        text = self.text(path, form)
        raw = self.table(text, path, form)
        return self.check(raw, model, place_in(text, path) if form == "TOML" else lambda way: str(path))

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

    def check(self, raw: dict[str, Any], model: type[_Model], place: Place) -> _Model:
        """Return the table checked by `model`; each mistake gets a line, which `place` begins with where it stands."""
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            wrong = wrong_keys(error, raw, model, self.what, self.lists)
            raise self.raised("\n".join(f"{place(one.way)}: {one.text}" for one in wrong)) from error


def place_in(text: str, where: object) -> Place:
    """Return what names a place of a TOML text that was read already: "FILE, line 14". Nothing is read until asked."""
    lines: TomlLines | None = None

    def place(way: Sequence[str | int]) -> str:
        nonlocal lines
        lines = lines or TomlLines(text)
        line = lines.line(way)
        return f"{where}, line {line}" if line is not None else str(where)

    return place
