"""Which of several parts was fitted, where limits follow from it: the variants of a sheet, and the one that was chosen.

In a sheet:

    [[variants]]
    name = "retainer 4A"
    packs = { low = { range = ["1.00 mm", "1.40 mm"] } }

The keys of a pack there take the place of the pack's own. The chosen one is written into the sheet's own text, under
`[sheet]`, with who confirmed it: so the record keeps all variants and says which held.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, field_validator

_HEADING: Final = re.compile(r"^[ \t]*\[[ \t]*sheet[ \t]*\][^\n]*\n", re.MULTILINE)
#: What `chosen_text` adds for one unit: a JSON string is one line.
_CHOSEN: Final = re.compile(r"^variant = [^\n]*\nvariant_by = [^\n]*\nvariant_unit = [^\n]*\n", re.MULTILINE)


class Variant(BaseModel):
    """One of the parts that may be fitted, and the keys of packs that follow from it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(min_length=1)
    packs: dict[str, dict[str, Any]] = Field(min_length=1)

    @field_validator("packs")
    @classmethod
    def _check(cls, packs: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
        for name, keys in packs.items():
            if "name" in keys or not keys:
                raise ValueError(f"{name!r} has keys of its pack to put in place, such as range, and never its name")
        return packs


def with_variant(raw: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the tables of a sheet with what follows from the variant called `name`. Raises LookupError for none."""
    chosen = next((one for one in raw.get("variants", ()) if isinstance(one, dict) and one.get("name") == name), None)
    if chosen is None:
        raise LookupError(name)
    packs = chosen.get("packs")
    told = packs if isinstance(packs, dict) else {}
    merged = [{**pack, **told.get(pack.get("name"), {})} for pack in raw["packs"]]
    return {**raw, "packs": merged}


def place_with(raw: Mapping[str, Any], name: str, way: Sequence[str | int]) -> Sequence[str | int]:
    """Return where a key of a pack stands: in the variant that holds, where that has it."""
    variants = [one.get("name") for one in raw.get("variants", ())]
    if len(way) > 2 and way[0] == "packs" and isinstance(way[1], int) and name in variants:
        at, pack = variants.index(name), raw["packs"][way[1]].get("name")
        if way[2] in raw["variants"][at].get("packs", {}).get(pack, {}):
            return ("variants", at, "packs", pack, *way[2:])
    return way


def chosen_text(text: str, name: str, by: str, unit: str = "") -> str:
    """Return a sheet's text with the variant that is fitted to a unit, and who confirmed it. Raises ValueError where
    the sheet's own table has no heading of its own."""
    heading = _HEADING.search(text)
    if heading is None:
        raise ValueError("the table [sheet] has no heading on a line of its own, so no variant can be kept in it")
    told = {"variant": name, "variant_by": by, **({"variant_unit": unit} if unit else {})}
    kept = "".join(f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in told.items())
    return f"{text[: heading.end()]}{kept}{text[heading.end() :]}"


def unchosen_text(text: str) -> str:
    """Return a sheet's text without what `chosen_text` added for one unit: for the next one it is asked anew."""
    heading = _HEADING.search(text)
    chosen = _CHOSEN.match(text, heading.end()) if heading is not None else None
    return text if chosen is None else text[: chosen.start()] + text[chosen.end() :]
