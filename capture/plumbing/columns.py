"""A table's columns made of a class's typed fields, so that what is kept is written down once."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from types import NoneType, UnionType
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from sqlalchemy import BigInteger, Boolean, Column, Date, Float, Text

__all__ = ["columns_of"]

#: One type for whole numbers: a time in nanoseconds needs 64 bits.
_PLAIN: Final[Mapping[Any, Any]] = {int: BigInteger, bool: Boolean, float: Float, str: Text, date: Date}


def columns_of(
    fields: type, types: Mapping[Any, Any], *, without: Collection[str] = (), nullable: Collection[str] = ()
) -> list[Column[Any]]:
    """Return a column for each annotated field of `fields` but those `without`, of the field's name.

    `types` gives the column's type for classes that databases keep in several ways, such as datetime; tuples and dicts
    take that of `dict`. A field that may be None may be null, and so may those that are named as `nullable`.
    """
    columns = []
    for name, hint in get_type_hints(fields).items():
        if name not in without:
            choices = set(get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,))
            (kind,) = choices - {NoneType}
            kind = {Literal: str, tuple: dict}.get(get_origin(kind), get_origin(kind) or kind)
            null = NoneType in choices or name in nullable
            columns.append(Column(name, {**_PLAIN, **types}[kind], nullable=null))
    return columns
