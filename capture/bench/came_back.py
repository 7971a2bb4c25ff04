"""Whether the unit on the bench was signed off before: by this bench's record, and by what the shop collected."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from capture.bench.setup import BenchSetup
from capture.record import SignedJob
from capture.unit.facts import CameBack, Fact, NoteMade

if TYPE_CHECKING:
    from capture.collect.signed_off import SignedElsewhere

#: A technician waits no longer for the shop's database.
_LONGEST_S: Final = 4.0


@dataclass(frozen=True, slots=True)
class SignedBefore:
    """A unit that was signed off before; what is not known is None."""

    here: SignedJob | None = None
    elsewhere: SignedElsewhere | None = None
    fitted: str = ""
    """The parts that the job here left in it and of which the sheet says otherwise, in words."""
    not_looked: str = ""
    """Why the shop's database was not looked in, where it should be."""

    def __bool__(self) -> bool:
        return self.here is not None or self.elsewhere is not None

    def words(self, unit_serial: str) -> str:
        """Return what a technician must know before such a unit is measured again; empty where nothing is known."""
        told = []
        if self.here is not None:
            as_one = ", as a demonstration that released no unit" if self.here.demonstration else ""
            told.append(f"{self.here.at.astimezone():%Y-%m-%d}, by {self.here.by}, in job {self.here.job}{as_one}")
        if self.elsewhere is not None:
            away = self.elsewhere
            told.append(f"{away.at.astimezone():%Y-%m-%d}, by {away.by}, at bench {away.bench}")
        before = f"Unit {unit_serial} was signed off before: {'; '.join(told)}." if told else ""
        return f"{before} {self.not_looked}".strip()

    def fitted_words(self) -> str:
        """Return what must be entered before advice is followed, where it went out with other parts; else nothing."""
        if self.here is None or not self.fitted:
            return ""
        return f"Job {self.here.job} left other parts in it: {self.fitted}. Enter what is in now: c, then p."

    def fact(self, by: str, reason: str) -> Fact:
        """Return what the record keeps of why it is back: linked with the job here, or naming the one elsewhere."""
        if self.here is not None:
            return CameBack(self.here.job, self.here.entry, by, reason)
        away = self.elsewhere
        assert away is not None
        where = f"at bench {away.bench}, {away.at.astimezone():%Y-%m-%d}, by {away.by}, in its job {away.job}"
        return NoteMade(f"came back: signed off before {where}: {reason}", by)


NOT_KNOWN: Final = SignedBefore()


async def signed_before(setup: BenchSetup, unit_serial: str, here: SignedJob | None) -> SignedBefore:
    """Return what is known, with what this bench's record says. A database that cannot be reached is said, and holds
    nothing up for long."""
    if setup.shop_database is None or not unit_serial.strip():
        return SignedBefore(here)
    from capture.collect.database import CollectError, DatabaseAway
    from capture.collect.signed_off import signed_elsewhere

    try:
        async with asyncio.timeout(_LONGEST_S):
            found = await asyncio.to_thread(signed_elsewhere, setup.shop_database, unit_serial, setup.bench)
    except (CollectError, DatabaseAway, TimeoutError) as error:
        cause = str(error) or "it does not answer"
        why = f"Only this bench's record was looked in, not the shop's database: {cause}."
        return SignedBefore(here, not_looked=why)
    return SignedBefore(here, found)
