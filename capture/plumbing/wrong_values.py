"""What pydantic finds wrong with values, in words for people: the one place where its errors are read."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

#: What the libraries that check types say, and how people say it.
_PLAIN: Final = (
    ("Value error, ", ""),
    ("Input should be a valid integer, unable to parse string as an integer", "expected a whole number, such as 7"),
    ("Input should be a valid integer, got a number with a fractional part", "expected a whole number, such as 7"),
    ("Input should be a valid number, unable to parse string as a number", "expected a number, such as 2.5"),
    ("Input should be greater than or equal to ", "expected at least "),
    ("Input should be less than or equal to ", "expected at most "),
    ("Input should be greater than ", "expected more than "),
    ("Input should be less than ", "expected less than "),
    ("Input should be a valid string", "expected text"),
    ("Input should be a valid tuple", "expected a list in brackets"),
    ("Input should be a valid list", "expected a list in brackets"),
    ("Input should be a valid dictionary or instance of ", "expected a table such as "),
    ("Input should be a valid dictionary", "expected a table"),
    ("Input should be a valid boolean, unable to interpret input", "expected true or false"),
    ("Input should be a valid boolean", "expected true or false"),
    ("String should have at least 1 character", "expected text, and it is empty"),
    ("Input should be ", "expected "),
)


def plain_words(text: str) -> str:
    """Return what a library says is wrong with a value, in words for people."""
    for found, said in _PLAIN:
        text = text.replace(found, said)
    return text


def wrong_values(
    error: ValidationError, model: type[BaseModel] | None = None, *, missing: str = "is missing"
) -> list[str]:
    """Return what is wrong, each as "key: words"; no value is shown, since it may be a secret.

    `model` is what was checked: of a key that it does not know, the ones that it knows are named. `missing` may say
    where to give what is missing; `{key}` in it stands for the key.
    """
    return [text for _, text in wrong_places(error, model, missing=missing)]


def wrong_places(
    error: ValidationError, model: type[BaseModel] | None = None, *, missing: str = "is missing"
) -> list[tuple[tuple[str | int, ...], str]]:
    """Return what `wrong_values` does, each with the way to its key."""
    wrong = []
    for item in causes_of(error):
        key = ".".join(str(part) for part in item["loc"])
        words = plain_words(str(item["msg"]))
        if item["type"] == "missing":
            words = missing.format(key=key)
        elif item["type"] == "extra_forbidden" and model is not None:
            keys = keys_of(model, item["loc"][:-1])
            near = get_close_matches(str(item["loc"][-1]), keys, 1)
            words = (
                f"is no setting; did you mean {near[0]!r}?" if near else f"is no setting; there are: {', '.join(keys)}"
            )
        wrong.append((tuple(item["loc"]), f"{key}: {words}" if key else words))
    return wrong


def causes_of(error: ValidationError) -> list[Any]:
    """The errors without those that only follow from others, or repeat them.

    A list is short because its items were refused; several items that are wrong alike are one mistake.
    """
    items = error.errors(include_url=False)
    inner = [item["loc"] for item in items]
    kept: list[Any] = []
    first: dict[tuple[Any, ...], Any] = {}
    for item in items:
        loc = item["loc"]
        if item["type"] == "too_short" and any(len(one) > len(loc) and one[: len(loc)] == loc for one in inner):
            continue
        scalar = not isinstance(item["input"], (dict, list))
        alike = (loc[:-1], item["type"]) if loc and isinstance(loc[-1], int) and scalar else None
        if alike is not None and alike in first and item["type"] in ("value_error", "string_type"):
            first[alike]["more"] = first[alike].get("more", 0) + 1
            continue
        kept.append({**item})
        if alike is not None:
            first[alike] = kept[-1]
    return kept


def keys_of(model: type[BaseModel], loc: Sequence[str | int]) -> list[str]:
    """Return the keys that the table may have to which an error's `loc` leads."""
    return list(_table_of(model, loc).model_fields)


def _table_of(model: type[BaseModel], loc: Sequence[str | int]) -> type[BaseModel]:
    """Return the model of the table that `loc` leads to."""
    kinds: list[type[BaseModel]] = []
    for part in loc:
        if part in model.model_fields:
            kinds = _models_in(model.model_fields[str(part)].annotation)
            model = kinds[0] if kinds else model
        else:  # the name of one of several kinds of tables
            model = next((kind for kind in kinds if part in _names_of(kind)), model)
    return model


def _names_of(kind: type[BaseModel]) -> tuple[Any, ...]:
    """Return by which values of its `kind` a table is told from others."""
    field = kind.model_fields.get("kind")
    return get_args(field.annotation) if field is not None else ()


def _models_in(hint: Any) -> list[type[BaseModel]]:
    """Return the models in a field's type, such as those of the items of a list."""
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        return [hint]
    return [found for one in get_args(hint) for found in _models_in(one)]
