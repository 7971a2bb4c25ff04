"""Pairs that arise by themselves: the same pack checked again with the same gauge, nothing changed between."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from capture.clearance.verdict import Verdict
from capture.record import Job, KeptCheck
from capture.unit.facts import PartsChanged


@dataclass(frozen=True, slots=True)
class CheckedAgain:
    """Two checks of one pack, as each came out. Lengths nm."""

    job: int
    pack: str
    first_nm: int
    again_nm: int
    within_nm: float
    """What the strokes and the display leave in the mean of one of them, root mean square."""


def checked_again(jobs: Iterable[Job], gauge: str) -> Iterator[CheckedAgain]:
    """Yield the pairs of a gauge. Whoever checks a pack again sets the indicator up again, or should have to: what two
    such checks differ by is what one of them scatters by, times the root of two."""
    for job in jobs:
        changed = [entry.number for entry in job.facts if isinstance(entry.fact, PartsChanged)]
        packs: dict[str, list[KeptCheck]] = {}
        for check in job.checks:
            if check.verdict is not None and (check.gauge or {}).get("serial") == gauge:
                packs.setdefault(check.pack, []).append(check)
        for pack, checks in packs.items():
            for first, again in pairwise(checks):
                if not any(first.started_number < number < again.started_number for number in changed):
                    within = math.hypot(within_nm(_stands(first)), within_nm(_stands(again))) / math.sqrt(2)
                    yield CheckedAgain(job.id, pack, _stands(first).mean_nm, _stands(again).mean_nm, within)


def _stands(check: KeptCheck) -> Verdict:
    assert check.stands is not None
    return check.stands


def within_nm(verdict: Verdict) -> float:
    """Return what the strokes of a check and the display leave in its mean: it is in every verdict's budget by itself,
    and in what checks of one pack differ by."""
    return math.hypot(*(line.standard_nm for line in verdict.budget if line.source in ("repeatability", "resolution")))
