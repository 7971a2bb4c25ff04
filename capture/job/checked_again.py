"""Pairs that arise by themselves: the same pack checked again with the same gauge, nothing changed between."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from capture.record import Job, KeptCheck
from capture.unit.facts import PartsChanged


@dataclass(frozen=True, slots=True)
class CheckedAgain:
    """Two checks of one pack, as each came out. Lengths nm."""

    job: int
    pack: str
    first_nm: int
    again_nm: int


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
                    yield CheckedAgain(job.id, pack, _mean(first), _mean(again))


def _mean(check: KeptCheck) -> int:
    assert check.stands is not None
    return check.stands.mean_nm
