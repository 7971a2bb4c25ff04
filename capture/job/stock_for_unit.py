"""What the stock has for one unit: said beside an advice, reserved when a part is taken, consumed at the sign-off.

A part that the stock does not list is not said a word of. The stock itself is `capture.stock`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from uuid import UUID

from capture.clearance.advice import Change
from capture.sheet.sheet import Adjuster, Sheet, Shim
from capture.stock import Bin, Holdings, PieceWanted, Place, Reservation, StockError, StockRoom, part_key
from capture.unit.facts import PartsChanged


class UnitStock:
    """The stock at `path` as the unit of one job sees it. Every method raises StockError."""

    def __init__(self, path: Path, job: UUID, unit_serial: str) -> None:
        self._path = path
        self._job, self._unit = str(job), unit_serial

    def holdings(self) -> Holdings:
        """Return what there is now."""
        with StockRoom.open(self._path) as room:
            return room.holdings()

    def words(self, there: Holdings, sheet: Sheet, changes: Iterable[PartsChanged]) -> str:
        """Return whether the parts that changes put in are on the shelf: "2 left", or what to do where none is."""
        said = []
        for made in changes:
            for change in made.changes:
                adjuster = sheet.pack(made.pack).adjusters[change.adjuster]
                put_in = _put_in(adjuster, change)
                shelf = _bin(there, adjuster, change) if put_in else None
                if shelf is None:
                    continue
                kept = sum(
                    one.thickness_nm == shelf.thickness_nm and self._is_for(one, made.pack, change.adjuster, adjuster)
                    for one in there.reservations
                )
                if kept >= put_in:
                    said.append(f"{shelf.text}: kept for this unit")
                elif shelf.free + kept >= put_in:
                    said.append(f"{shelf.text}: {shelf.free} left")
                elif shelf.free:
                    said.append(f"{shelf.text}: only {shelf.free} left: allot or order")
                else:
                    said.append(f"{shelf.text}: none in stock: allot or order")
        return "; ".join(said)

    def reserve(self, sheet: Sheet, changes: Sequence[PartsChanged], *, by: str, at: datetime) -> list[str]:
        """Reserve what changes put in and release what they take out again; return in words what could not be had.

        `sheet` is the sheet as the job began: its own parts came with the unit, not from the shelf.
        """
        missing = []
        with StockRoom.open(self._path) as room:
            for made in changes:
                for change in made.changes:
                    adjuster = sheet.pack(made.pack).adjusters[change.adjuster]
                    try:
                        self._exchange(room, made.pack, adjuster, change, by, at)
                    except StockError as error:
                        missing.append(f"Not reserved: {error}")
        return missing

    def _exchange(self, room: StockRoom, pack: str, adjuster: Adjuster, change: Change, by: str, at: datetime) -> None:
        there = room.holdings()
        put_in = _put_in(adjuster, change)
        is_shim = isinstance(adjuster, Shim)
        ours = [one for one in there.reservations if self._is_for(one, pack, change.adjuster, adjuster)]
        shelf = _bin(there, adjuster, change)
        if is_shim:
            gone = ours[: max(0, change.before - change.after)]
        else:
            gone = [one for one in ours if one.thickness_nm != change.after]
            put_in -= len(ours) - len(gone)
        for one in gone:
            room.release(one.number, by=by, at=at)
        if shelf is None or (not is_shim and change.after == adjuster.fitted):
            return
        # Of shims there are several in one place; of anything else there is one, and the stock sees to that.
        place = Place(self._job, self._unit, pack, None if is_shim else change.adjuster)
        for serial in _chosen(shelf, max(0, put_in)):
            room.reserve([PieceWanted(shelf.part, shelf.thickness_nm, serial, place)], by=by, at=at)

    def consume(self, *, by: str, at: datetime) -> list[Reservation]:
        """What was kept for this unit is in it now; return it."""
        with StockRoom.open(self._path) as room:
            return room.consume(self._unit or self._job, by=by, at=at)

    def _is_for(self, one: Reservation, pack: str, index: int, adjuster: Adjuster) -> bool:
        if one.source is not None or one.place.holder != (self._unit or self._job) or one.place.pack != pack:
            return False
        return one.place.adjuster == index or (one.place.adjuster is None and part_key(one.part) in _keys(adjuster))


def _put_in(adjuster: Adjuster, change: Change) -> int:
    """How many parts a change takes from the shelf."""
    return max(0, change.after - change.before) if isinstance(adjuster, Shim) else 1


def _keys(adjuster: Adjuster) -> tuple[str, ...]:
    """What a stock may call the part: as the sheet names it, else a selective part's kind."""
    return (part_key(adjuster.name),) if isinstance(adjuster, Shim) else (part_key(adjuster.name), adjuster.part)


def _bin(there: Holdings, adjuster: Adjuster, change: Change) -> Bin | None:
    """Where the parts that a change puts in lie; an empty bin where only other thicknesses are listed."""
    thickness_nm = adjuster.thickness if isinstance(adjuster, Shim) else change.after
    for key in _keys(adjuster):
        same = [one for one in there.bins if part_key(one.part) == key]
        found = next((one for one in same if one.thickness_nm == thickness_nm), None)
        if found is not None:
            return found
        if same:
            text = str(thickness_nm / 1e6) + " mm" if isinstance(adjuster, Shim) else adjuster.text(change.after)
            return Bin(same[0].part, thickness_nm, text, None, None, 0, 0, ())
    return None


def _chosen(shelf: Bin, count: int) -> list[str | None]:
    """Which parts to take: loose ones first, then the measured ones nearest to what they are sold as."""
    loose: list[str | None] = [None] * min(count, shelf.loose - shelf.loose_reserved)
    free = sorted(
        (part for part in shelf.measured if not part.reserved),
        key=lambda part: abs(part.actual_nm - shelf.thickness_nm),
    )
    chosen = loose + [part.serial for part in free][: count - len(loose)]
    # What cannot be had is asked for all the same, so that the stock says why in its own words.
    return chosen + [None] * (count - len(chosen))
