"""Whether an error is proven within a limit, proven outside, or neither."""

from __future__ import annotations

from typing import Literal

Result = Literal["in order", "not shown", "out"]


def against_limit(error_nm: float, expanded_uncertainty_nm: float, limit_nm: float) -> Result:
    """Return what an error with its expanded uncertainty proves against the maker's limit of error, all nm.

    The decision rule of ISO 14253-1 (from memory): the uncertainty always counts against whoever must prove something.
    Within the limit by at least the uncertainty is proven conformity, outside by more is proven non-conformity.
    Without a limit (0) nothing can be proven.
    """
    if not limit_nm:
        return "not shown"
    if abs(error_nm) + expanded_uncertainty_nm <= limit_nm:
        return "in order"
    return "out" if abs(error_nm) - expanded_uncertainty_nm > limit_nm else "not shown"
