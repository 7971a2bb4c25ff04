"""What pydantic finds wrong with the table of a file, in words for whoever wrote it: one mistake is one line.

A place is named as a person names it: the pack "low" and its key, never the place in a list or the kind that was tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from capture.plumbing.wrong_values import causes_of, keys_of, plain_words

_Way = tuple[str | int, ...]
#: More mistakes behind each other than this are told when the first are mended.
_MOST_ROUNDS: Final = 20
#: By which of its keys people tell a table from others of its list.
_NAMES: Final = ("name", "serial", "part", "file")


@dataclass(frozen=True, slots=True)
class WrongKey:
    """One mistake: the way to what is wrong, and the words."""

    way: _Way
    text: str
    missing: bool = False
    """Whether it is that a key is missing."""


def wrong_keys(
    error: ValidationError, raw: Mapping[str, Any], model: type[BaseModel], what: str, kinds: Sequence[str] = ()
) -> list[WrongKey]:
    """Return the mistakes in `raw`, which `model` checked and people call a `what`, such as a "build sheet".

    `kinds` are lists whose items are of several kinds: pydantic names the kind it tried, which is no key of the file.
    Rules between keys are looked at only where each key is right: so what is wrong is left out, and the rest checked
    again, until all is told at once.
    """
    found = wrong = _seen_at_once(error, raw, model, what, kinds)
    rest = _Rest(raw)
    for _ in range(_MOST_ROUNDS):
        if not all(rest.leaves_out(one.way) for one in found):
            break
        table = rest.table()
        try:
            model.model_validate(table)
            break
        except ValidationError as again:
            seen = _seen_at_once(again, table, model, what, kinds)
        found = []
        for one in seen:
            way = rest.way_before(one.way)
            here, there = place_words(table, one.way), place_words(raw, way)
            found.append(replace(one, way=way, text=one.text.replace(here, there, 1)))
        # What follows only from what was left out is no further mistake.
        wrong += [one for one in found if not one.missing and not rest.touches(one.way)]
    return wrong


class _Rest:
    """What is left of a file's table without what was wrong in it."""

    def __init__(self, raw: Mapping[str, Any]) -> None:
        self._raw = raw
        self._gone: set[_Way] = set()
        self._lent: dict[_Way, Any] = {}
        """What stands for keys that a table cannot be without: what another table of its list has there."""

    def leaves_out(self, way: _Way) -> bool:
        """Leave out what is wrong at `way`; say whether anything of use is left.

        Nothing is once a table's name is gone, which others may call it by.
        """
        missing = _at(self._raw, way) is None or way in self._gone
        key = way[:-1] if missing else way
        while key and isinstance(key[-1], int) and not isinstance(_at(self._raw, key), dict):
            key = key[:-1]
        if not key or key[-1] in _NAMES or (missing and not isinstance(key[-1], int)):
            return False
        lenders = _at(self._raw, key[:-1]) if missing and way not in self._lent else ()
        lent = [one[way[-1]] for at, one in enumerate(lenders) if way[-1] in one and at != key[-1]]
        if missing and lent:
            self._lent[way] = lent[0]
            return True
        self._gone.add(key)
        return (
            not missing
            or not isinstance(_at(self._raw, key), dict)
            or not any(name in _at(self._raw, key) for name in _NAMES)
        )

    def touches(self, way: _Way) -> bool:
        """Say whether a mistake at `way` may follow from what was left out or lent."""
        return any(one[: len(way)] == way for one in self._gone) or any(
            way[: len(one) - 1] == one[:-1] for one in self._lent
        )

    def table(self) -> dict[str, Any]:
        """Return the table."""
        table: dict[str, Any] = self._copy(self._raw, ())
        return table

    def _copy(self, value: Any, way: _Way) -> Any:
        if isinstance(value, dict):
            kept = {key: self._copy(one, (*way, key)) for key, one in value.items() if (*way, key) not in self._gone}
            return kept | {str(one[-1]): lent for one, lent in self._lent.items() if one[:-1] == way}
        if isinstance(value, list):
            return [self._copy(one, (*way, at)) for at, one in enumerate(value) if (*way, at) not in self._gone]
        return value

    def way_before(self, way: _Way) -> _Way:
        """Return the way that leads in the whole table to what `way` leads to in this one."""
        found: _Way = ()
        for part in way:
            value = _at(self._raw, found)
            if isinstance(part, int) and isinstance(value, list):
                kept = [at for at in range(len(value)) if (*found, at) not in self._gone]
                part = kept[part] if part < len(kept) else part
            found = (*found, part)
        return found


def _seen_at_once(
    error: ValidationError, raw: Mapping[str, Any], model: type[BaseModel], what: str, kinds: Sequence[str]
) -> list[WrongKey]:
    wrong: list[WrongKey] = []
    items = causes_of(error)
    misspelt = _misspelt(items, model)
    for item in items:
        loc = tuple(item["loc"])
        way = tuple(part for at, part in enumerate(loc) if at < 2 or loc[at - 2] not in kinds)
        if item["type"] == "missing" and loc in misspelt.values():
            continue
        one = _wrong_key(raw, way, item, what, _meant(loc, misspelt))
        wrong.append(replace(one, missing=item["type"] == "missing"))
    return wrong


def _wrong_key(raw: Mapping[str, Any], way: tuple[str | int, ...], item: Any, what: str, meant: str) -> WrongKey:
    owner = _owner(raw, way) or f"every {what}"
    if item["type"] == "missing":
        if way and isinstance(way[-1], int):
            return _told(raw, way[:-1], f"value {way[-1] + 1} is missing")
        return WrongKey(way, f"{place_words(raw, way)}: is missing; {owner} has it")
    if item["type"] == "extra_forbidden":
        hint = f"did you mean {meant!r}?" if meant else "check its spelling"
        return _told(raw, way, f"is no key of {owner.replace('every', 'a')}; {hint}")
    context = item.get("ctx", {})
    if item["type"] == "union_tag_not_found":
        key = str(context["discriminator"]).strip("'")
        return WrongKey(way, f"{place_words(raw, (*way, key))}: is missing; {owner} has it")
    if item["type"] == "union_tag_invalid":
        key = str(context["discriminator"]).strip("'")
        return _told(raw, (*way, key), f"expected {' or '.join(str(context['expected_tags']).split(', '))}")
    if item["type"] == "too_short":
        return _told(raw, way, f"expected at least {context['min_length']} in the list")
    if item["type"] == "too_long":
        return _told(raw, way, f"expected at most {context['max_length']} in the list")
    said = plain_words(str(item["msg"]))
    # A rule between keys begins with the way to the one that is at fault.
    broken, colon, rest = said.partition(": ")
    further = _way_in(_at(raw, way), broken) if colon else None
    if further is not None:
        way, said = (*way, *further), rest
    more = item.get("more", 0)
    said += f" ({more} more of the list {'is' if more == 1 else 'are'} wrong alike)" if more else ""
    return _told(raw, way, said)


def _told(raw: Mapping[str, Any], way: tuple[str | int, ...], said: str) -> WrongKey:
    value = _at(raw, way) if way else None
    shown = f"{_shown(value)}: " if way and not isinstance(value, dict) else ""
    words = place_words(raw, way)
    return WrongKey(way, f"{words}: {shown}{said}" if words else said)


def _way_in(value: Any, broken: str) -> tuple[str | int, ...] | None:
    """Return the way that a rule's words begin with, such as `packs.1.depends_on`; None where they name none."""
    way: list[str | int] = []
    for name in broken.split("."):
        part: str | int = int(name) if isinstance(value, list) and name.isdecimal() else name
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return None
        way.append(part)
    return tuple(way)


def _at(raw: Any, way: Sequence[str | int]) -> Any:
    value = raw
    for part in way:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return None
    return value


def place_words(raw: Mapping[str, Any], way: Sequence[str | int]) -> str:
    """Return the way as a person names it: `pack "low", shim "apply plate", fitted`."""
    parts: list[str] = []
    value: Any = raw
    keys: list[str] = []
    for part in way:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            value = None
        if isinstance(part, str):
            keys.append(part)
        elif isinstance(value, dict) and keys:
            if keys[:-1]:
                parts.append(".".join(keys[:-1]))
            parts.append(_named(keys[-1], part, value))
            keys = []
        else:
            parts += [".".join(keys), f"value {part + 1}"] if keys else [f"value {part + 1}"]
            keys = []
    return ", ".join([*parts, ".".join(keys)] if keys else parts)


def _named(key: str, place: int, table: Mapping[str, Any]) -> str:
    """Return how a table of a list is called: by its name, where it has one, else by its place."""
    kind = table.get("part") or table.get("kind")
    noun = str(kind) if key == "adjusters" and isinstance(kind, str) else _one_of(key)
    name = next((table[one] for one in _NAMES if isinstance(table.get(one), str) and table[one] != noun), None)
    return f'{noun} "{name}"' if name else f"{noun} {place + 1}"


def _one_of(key: str) -> str:
    """Return what one item of a list is called: a pack of packs, a pass of passes."""
    return key.removesuffix("es" if key.endswith("sses") else "s")


def _owner(raw: Mapping[str, Any], way: Sequence[str | int]) -> str:
    """Return what every table of this sort is called, such as "every pack"; empty at the top of the file."""
    at = next((at for at in range(len(way) - 1, 0, -1) if isinstance(way[at - 1], int)), 0)
    if at < 2:
        return ""
    noun = _one_of(str(way[at - 2]))
    table = _at(raw, way[:at])
    if noun == "adjuster" and isinstance(table, dict) and isinstance(table.get("kind"), str):
        noun = f"{table['kind']} adjuster"
    rest = ".".join(str(part) for part in way[at:-1])
    return f"every {noun}" + (f"'s {rest}" if rest else "")


def _misspelt(items: Sequence[Any], model: type[BaseModel]) -> dict[tuple[Any, ...], tuple[Any, ...]]:
    """Return which keys that are none stand for which that may be there, each as its `loc`."""
    missing = [tuple(item["loc"]) for item in items if item["type"] == "missing"]
    pairs: dict[tuple[Any, ...], tuple[Any, ...]] = {}
    for item in items:
        loc = tuple(item["loc"])
        if item["type"] != "extra_forbidden":
            continue
        wanted = [str(one[-1]) for one in missing if one[:-1] == loc[:-1] and one not in pairs.values()]
        near = get_close_matches(str(loc[-1]), wanted, 1, 0.5) or get_close_matches(
            str(loc[-1]), keys_of(model, loc[:-1]), 1, 0.75
        )
        if near:
            pairs[loc] = (*loc[:-1], near[0])
    return pairs


def _meant(loc: tuple[Any, ...], misspelt: Mapping[tuple[Any, ...], tuple[Any, ...]]) -> str:
    return str(misspelt[loc][-1]) if loc in misspelt else ""


def _shown(value: Any) -> str:
    """Return a value as an error shows it: several tables only by their number."""
    if isinstance(value, list) and any(isinstance(item, dict) for item in value):
        return f"{len(value)} tables"
    try:
        return repr(value)
    except ValueError:  # Python prints no whole number of more than some thousands of digits
        return "a number too long to print"
