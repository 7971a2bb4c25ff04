"""TOML (or JSON) files checked by a pydantic model: reads one, and says what is wrong with it in a person's words.
Knows no particular file; what a file may hold is the model's affair."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

__all__ = ["TableError", "blamed", "place_of", "read_table", "shown"]

_Model = TypeVar("_Model", bound=BaseModel)


class TableError(Exception):
    """A file cannot be used; the text names the file, the key, the value and what was expected."""


def read_table(path: Path, model: type[_Model], what: str) -> _Model:
    """Return the file checked by `model`; `what` names the kind of file, such as "stock file". Raises TableError.

    A name that ends in `.json` is read as JSON, any other as TOML.
    """
    form = "JSON" if path.suffix.lower() == ".json" else "TOML"
    expected = f"expected a {what} in {form}"
    try:
        text = path.read_bytes().decode()
    except OSError as error:
        raise TableError(f"{path}: {error.strerror}; {expected}") from error
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: is not UTF-8 text; {expected}") from error
    try:
        raw = json.loads(text) if form == "JSON" else tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise TableError(f"{path}: no {form}: {error}; {expected}") from error
    if not isinstance(raw, dict):
        raise TableError(f"{path}: holds no table at its top; {expected}")
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        lines = [_problem(str(path), raw, item, what) for item in error.errors(include_url=False)]
        raise TableError("\n".join(lines)) from error


def shown(value: Any, table: str = "a table") -> str:
    """Return a value as an error shows it: a whole table only as `table`, several only by their number."""
    if isinstance(value, dict):
        return table
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return f"{len(value)} tables"
    try:
        return repr(value)
    except ValueError:  # Python prints no whole number of more than some thousands of digits
        return "a number too long to print"


def place_of(raw: dict[str, Any], loc: Sequence[str | int]) -> tuple[str, Any]:
    """Return the key that `loc` leads to, as a person writes it, and what stands there, None for nothing."""
    value: Any = raw
    key = ""
    for part in loc:
        # A discriminated union names the kind it tried, which is no key of the file.
        if isinstance(part, str) and isinstance(value, dict) and part not in value and value.get("kind") == part:
            continue
        key += f"[{part}]" if isinstance(part, int) else f".{part}" if key else str(part)
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            value = None
    return key, value


def blamed(key: str, value: Any, said: str) -> tuple[str, Any, str]:
    """Return the key at fault, its value and the words: a rule between keys reports on their table and names one."""
    broken, colon, rest = said.partition(": ")
    if colon and isinstance(value, dict) and broken in value:
        return f"{key}.{broken}" if key else broken, value[broken], rest
    return key, value, said


def _problem(where: str, raw: dict[str, Any], item: Any, what: str) -> str:
    key, value = place_of(raw, item["loc"])
    if item["type"] == "missing":
        return f"{where}: {key}: is missing; every {what} has it"
    if item["type"] == "extra_forbidden":
        return f"{where}: {key}: {shown(value)}: is no key of a {what}; check its spelling"
    key, value, said = blamed(key, value, str(item["msg"]).removeprefix("Value error, "))
    return f"{where}: {key or what}: {shown(value)}: {said}"
