"""When a value that is kept and one that is worked out again are the same."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

#: The last digits of SciPy's quantiles may differ between its versions and machines; nothing else may.
_SAME_FLOAT: Final = 1e-9
#: Words for people, which another version may put differently.
_WORDING: Final = frozenset({"pressure_gauge_against", "remarks", "text"})


def alike(kept: Any, made: Any) -> bool:
    """Say whether two plain values are the same, but for a float's last digits and for wording."""
    if isinstance(kept, Mapping) and isinstance(made, Mapping):
        return kept.keys() == made.keys() and all(name in _WORDING or alike(kept[name], made[name]) for name in kept)
    if isinstance(kept, list | tuple) and isinstance(made, list | tuple):
        return len(kept) == len(made) and all(alike(one, other) for one, other in zip(kept, made, strict=True))
    if isinstance(kept, float | int) and isinstance(made, float | int) and float in (type(kept), type(made)):
        return math.isclose(kept, made, rel_tol=_SAME_FLOAT, abs_tol=_SAME_FLOAT)
    return bool(kept == made)
