"""What pydantic finds wrong with values, in words for people: the one place where its errors are read."""

from __future__ import annotations

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
    lines = []
    for item in error.errors(include_url=False, include_input=False):
        key = ".".join(str(part) for part in item["loc"])
        words = plain_words(str(item["msg"]))
        if item["type"] == "missing":
            words = missing.format(key=key)
        elif item["type"] == "extra_forbidden" and model is not None:
            words = f"is no setting; there are: {', '.join(_table_of(model, item['loc'][:-1]).model_fields)}"
        lines.append(f"{key}: {words}" if key else words)
    return lines


def _table_of(model: type[BaseModel], loc: tuple[Any, ...]) -> type[BaseModel]:
    """Return the model of the table that `loc` leads to."""
    for part in loc:
        if part in model.model_fields:
            model = _model_in(model.model_fields[part].annotation) or model
    return model


def _model_in(hint: Any) -> type[BaseModel] | None:
    """Return the model in a field's type, such as that of the items of a list, or None."""
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        return hint
    return next((found for one in get_args(hint) if (found := _model_in(one))), None)
