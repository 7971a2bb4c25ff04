"""A table's columns made of a class's typed fields, and its rows read back into it: what is kept is said once."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime
from functools import lru_cache
from types import NoneType, UnionType
from typing import Any, Final, Literal, TypeVar, Union, get_args, get_origin, get_type_hints
from uuid import UUID

from sqlalchemy import BigInteger, Boolean, Column, Date, Float, Row, Text

__all__ = ["columns_of", "of_row"]

#: One type for whole numbers: a time in nanoseconds needs 64 bits.
_PLAIN: Final[Mapping[Any, Any]] = {int: BigInteger, bool: Boolean, float: Float, str: Text, date: Date}
#: What rows hold in another form than the objects made of them.
_READ: Final[Mapping[Any, Callable[[Any], Any]]] = {datetime: datetime.fromisoformat, UUID: UUID, tuple: tuple}

Kept = TypeVar("Kept")


@lru_cache
def _kinds(fields: Callable[..., Any]) -> dict[str, tuple[Any, bool]]:
    """Return each field's plain class, and whether it may be None."""
    kinds = {}
    for name, hint in get_type_hints(fields).items():
        choices = set(get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,))
        (kind,) = choices - {NoneType}
        origin = get_origin(kind)
        kinds[name] = (str if origin is Literal else origin or kind, NoneType in choices)
    return kinds


def columns_of(
    fields: type, types: Mapping[Any, Any], *, without: Collection[str] = (), nullable: Collection[str] = ()
) -> list[Column[Any]]:
    """Return a column for each annotated field of `fields` but those `without`, of the field's name.

    `types` gives the column's type for classes that databases keep in several ways, such as datetime; tuples and dicts
    take that of `dict`. A field that may be None may be null, and so may those that are named as `nullable`.
    """
    known = {**_PLAIN, **types, tuple: types[dict]}
    return [
        Column(name, known[kind], nullable=null or name in nullable)
        for name, (kind, null) in _kinds(fields).items()
        if name not in without
    ]


@lru_cache
def _reads(fields: Callable[..., Any]) -> list[tuple[str, Callable[[Any], Any] | None]]:
    """Return each field with how its object is made of what a row holds, None where that is the same."""
    return [(name, _READ.get(kind)) for name, (kind, _) in _kinds(fields).items()]


def of_row(made: Callable[..., Kept], row: Row[Any], **more: Any) -> Kept:
    """Return the object that the columns of `row` keep, with those of its fields that have none given as `more`."""
    kept = dict(zip(row._fields, row, strict=True))  # a fraction of what it costs to ask the row for each
    for name, read in _reads(made):
        if name not in more:
            value = kept[name]
            more[name] = value if read is None or value is None else read(value)
    return made(**more)
