"""Keys of a step that the bench does not read, and that stand where one that it reads is meant: named, not kept."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any

#: By key that the bench reads, what people write for it (common practice), in the kinds of step that have it.
_TIME: dict[str, tuple[str, ...]] = {"minimum": ("time", "duration", "least", "min", "at_least", "lasts")}
_TORQUE: dict[str, tuple[str, ...]] = {
    "value": ("torque", "nm", "n_m"),
    "tolerance": ("plus_minus", "limits"),
    "bolts": ("bolt_count", "count"),
}
_MEANT: dict[str, dict[str, tuple[str, ...]]] = {"soak": _TIME, "cure": _TIME, "torque": _TORQUE}
_READ = ("kind", "name", "text", "order", "value", "pattern", "before")
_READ_OF = {"soak": ("minimum",), "cure": ("minimum",), "torque": ("tolerance", "joint", "bolts", "passes")}
#: So alike is a slip of the pen: "tolerence" is, "tool" is not.
_ALIKE = 0.8


def meant_keys(step: Mapping[str, Any]) -> dict[str, str]:
    """Return the keys of a step as written in a sheet that are not read, and by each the key that is meant by it.

    Every other key that a shop adds is its own matter, and kept.
    """
    kind = str(step.get("kind", "")).strip().casefold()
    read = (*_READ, *_READ_OF.get(kind, ()))
    found = {}
    for key in step:
        written = key.strip().casefold()
        by_name = [right for right, wrong in _MEANT.get(kind, {}).items() if written in wrong]
        for right in by_name or get_close_matches(written, read, 1, _ALIKE):
            if key not in read and right not in step:
                found[key] = right
    return found
