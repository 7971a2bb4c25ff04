"""What a study of repeatability and reproducibility found, in words. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable

from capture.clearance.gauge.study import Component, Study, interval


def components_of(found: Study) -> list[tuple[str, Component]]:
    """Return the parts of the spread that people ask for, with their names."""
    return [
        ("repeatability (and remounts)", found.repeatability),
        ("reproducibility (technicians)", found.reproducibility),
        ("both: the measurement", found.grr),
        ("parts", found.parts),
    ]


def known_words(one: Component, length: Callable[[float], str]) -> str:
    """Return how well a component is known; `length` puts a number of its unit into words."""
    if not one.dof:
        return "none found"
    if math.isinf(one.high):
        return f"next to nothing is known of it, {one.dof:.2f} degrees of freedom"
    return f"95 %: {length(one.low)} to {length(one.high)}, {one.dof:.1f} degrees of freedom"


def study_remarks(found: Study) -> list[str]:
    """Return what else to know: whether technicians differ on some parts more, and how little a few of them say."""
    told = [
        "The interaction of technicians and parts does not show and is pooled with the repeats."
        if found.pooled
        else "Technicians differ on some parts more than on others: look at how they set up on those."
    ]
    dof = found.mean_squares["operators"][1]
    if dof < 5:
        low, high = interval(1.0, dof)
        freedom = "1 degree" if dof == 1 else f"{dof} degrees"
        told.append(
            f"{dof + 1} technicians are {freedom} of freedom: what they differ by may as well be {low:.1f} to "
            f"{high:.1f} times as large."
        )
    return told
