"""What is wrong with a value is said in words for people, in one place, and never shows the value."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from capture.plumbing.wrong_values import wrong_values

ROOT = Path(__file__).parents[2]


class Line(BaseModel):
    model_config = ConfigDict(extra="forbid")
    baud: int = Field(ge=300)


class Bench(BaseModel):
    model_config = ConfigDict(extra="forbid")
    name: str
    lines: tuple[Line, ...] = ()
    spare: Line | None = None


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({}, ["name: is missing"]),
        ({"name": 3}, ["name: expected text"]),
        ({"name": "1", "lines": [{"baud": "fast"}]}, ["lines.0.baud: expected a whole number, such as 7"]),
        ({"name": "1", "spare": {"baud": 7}}, ["spare.baud: expected at least 300"]),
        ({"name": "1", "colour": "red"}, ["colour: is no setting; there are: name, lines, spare"]),
        ({"name": "1", "spare": {"baud": 300, "secret": "x"}}, ["spare.secret: is no setting; there are: baud"]),
        (
            {"lines": [{"baud": 300, "bits": 8}]},
            ["name: is missing", "lines.0.bits: is no setting; there are: baud"],
        ),
    ],
)
def test_every_wrong_key_is_named_with_what_was_expected(values: dict[str, Any], said: list[str]) -> None:
    with pytest.raises(ValidationError) as refused:
        Bench.model_validate(values)
    assert wrong_values(refused.value, Bench) == said


def test_what_is_missing_can_say_where_to_give_it() -> None:
    with pytest.raises(ValidationError) as refused:
        Bench.model_validate({})
    assert wrong_values(refused.value, missing="give it with --set {key}=VALUE") == [
        "name: give it with --set name=VALUE"
    ]


def test_no_other_file_puts_these_errors_into_words_of_its_own() -> None:
    readers = [
        path.name
        for top in ("capture", "drivers")
        for path in (ROOT / top).rglob("*.py")
        if ".errors(" in path.read_text()
    ]
    assert readers == ["wrong_values.py"]
