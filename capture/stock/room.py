"""The stock as benches share it: receives, measures, reserves, releases, consumes and takes back parts.

Theory. Nothing is stored but movements, each only ever added; what lies on the shelf and what is reserved is their
sum. Every change is one transaction that takes the file's write lock before it looks at what there is, so two benches
that ask for the last part at once ask one after the other, and the second is refused. A killed process leaves the
whole change or none. A reservation is closed by a movement that names it, and the file refuses a second one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, Self

from sqlalchemy import Connection, select

from capture.plumbing.sqlite_file import READ, SqliteFile
from capture.stock.chained import change, head, put
from capture.stock.file import StockFile, exact_length, part_key
from capture.stock.holdings import Bin, Holdings, Place, Reservation, StockError, misfit
from capture.stock.movements import open_stock
from capture.stock.shelf import find_bin, holdings_of, open_reservations
from capture.stock.tables import bins, measured_parts, movements
from drivers.units import format_length


@dataclass(frozen=True, slots=True)
class PieceWanted:
    """One part to reserve: a loose one, or the measured one of that serial; from the shelf, or out of `source`."""

    part: str
    thickness_nm: int
    serial: str | None
    place: Place
    source: Place | None = None


class StockRoom(SqliteFile):
    """One open stock. Every method raises StockError, and then has changed nothing. Clocks are arguments."""

    error = StockError

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the stock at `path`, making it first if there is none."""
        return cls(open_stock(path), path)

    def holdings(self) -> Holdings:
        """Return what there is and what is promised, at one moment."""
        with self._transaction("read the stock", READ) as connection:
            return holdings_of(connection)

    def head(self) -> tuple[int, str]:
        """Return number and hash of the newest entry of its ledger, (0, 64 zeros) while there is none."""
        with self._transaction("read the stock's head", READ) as connection:
            return head(connection)

    def import_file(self, stock: StockFile, *, by: str, at: datetime) -> list[str]:
        """Make the shelf what the file says, as after counting it; return what that changed, in words.

        Bins that the file does not list stay as they are. Refused where it counts fewer than are reserved.
        """
        changed: list[str] = []
        with self._writing("import a stock file") as connection:
            for listed in stock.parts:
                key, known = find_bin(connection, listed.part, listed.thickness)
                about = {
                    "part": listed.part,
                    "thickness_text": listed.text,
                    "tolerance_nm": listed.tolerance,
                    "low": listed.low,
                }
                if key is None:
                    values = {**about, "part_key": part_key(listed.part), "thickness_nm": listed.thickness}
                    key = put(connection, bins, values, at=_when(at), by=by)
                else:
                    change(connection, bins, key, about, at=_when(at), by=by)
                kind = "counted" if known else "received"
                tagged = {part.serial: part for part in known.measured} if known else {}
                loose = known.loose if known else 0
                name = f"{listed.part} {listed.text}"
                for one in listed.measured:
                    old = tagged.pop(one.serial, None)
                    if old and (old.actual_nm, old.expanded_uncertainty_nm) == (one.actual, one.uncertainty):
                        continue
                    _add(
                        connection,
                        "measured" if old else kind,
                        key,
                        at,
                        by,
                        measured_part=_tag(connection, key, one.serial, at, by),
                        shelf=0 if old else 1,
                        actual_nm=one.actual,
                        uncertainty_nm=one.uncertainty,
                    )
                    changed.append(f"{name}: {one.serial} {format_length(one.actual, 'mm')}")
                for gone in tagged.values():
                    if gone.reserved:
                        raise StockError(f"{name}: part {gone.serial} is reserved, but the file does not list it")
                    _add(
                        connection,
                        kind,
                        key,
                        at,
                        by,
                        measured_part=_tag(connection, key, gone.serial, at, by),
                        shelf=-1,
                    )
                    changed.append(f"{name}: {gone.serial} is gone")
                wanted = listed.count - len(listed.measured)
                if wanted != loose:
                    _add(connection, kind, key, at, by, shelf=wanted - loose)
                    changed.append(f"{name}: {wanted - loose:+d} unmeasured, now {wanted}")
        return changed

    def receive(self, part: str, thickness_nm: int, count: int, *, by: str, at: datetime) -> None:
        """Put `count` new, unmeasured parts on the shelf, in a bin that there is."""
        with self._writing("receive parts") as connection:
            key, _ = self._bin(connection, part, thickness_nm)
            _add(connection, "received", key, at, by, shelf=count)

    def measure(
        self, part: str, thickness_nm: int, serial: str, actual_nm: int, expanded_nm: int, *, by: str, at: datetime
    ) -> None:
        """Keep a part's measured thickness. A serial not yet known is put on one of the free loose parts."""
        with self._writing(f"keep the thickness of {serial}") as connection:
            key, shelf = self._bin(connection, part, thickness_nm)
            others = [one.thickness_nm for one in holdings_of(connection).bins if part_key(one.part) == part_key(part)]
            if wrong := misfit(actual_nm, thickness_nm, others):
                raise StockError(f"part {serial} {wrong}")
            known = serial in {part.serial for part in shelf.measured}
            if not known:
                if shelf.loose <= shelf.loose_reserved:
                    raise StockError(f"no unmeasured {shelf.text} is free to be given the serial {serial}")
                _add(connection, "measured", key, at, by, shelf=-1)
            _add(
                connection,
                "measured",
                key,
                at,
                by,
                measured_part=_tag(connection, key, serial, at, by, new=not known),
                shelf=0 if known else 1,
                actual_nm=actual_nm,
                uncertainty_nm=expanded_nm,
            )

    def reserve(self, requests: Sequence[PieceWanted], *, by: str, at: datetime) -> list[Reservation]:
        """Reserve all parts or none, and return the reservations.

        A part out of another pack was fitted there, so what was reserved for that pack counts as consumed.
        """
        numbers = []
        with self._writing("reserve") as connection:
            for request in requests:
                values = _place("", request.place)
                if request.source is None:
                    key, shelf = self._bin(connection, request.part, request.thickness_nm)
                    part = _free_part(connection, shelf, request.serial)
                else:
                    key = _bin_for_fitted(connection, request.part, request.thickness_nm, at, by)
                    part = _tag(connection, key, request.serial, at, by) if request.serial else None
                    _take_out(connection, request, at, by)
                    values |= _place("from_", request.source)
                if request.place.adjuster is not None:
                    for other in open_reservations(connection):
                        if other.source is None and other.place.is_same(request.place):
                            raise StockError(f"reserved already: {other.text}; release it first")
                numbers.append(_add(connection, "reserved", key, at, by, measured_part=part, shelf=0, **values))
            return [one for one in open_reservations(connection) if one.number in numbers]

    def release(self, holder: str | int, pack: str | None = None, *, by: str, at: datetime) -> list[Reservation]:
        """Give up open reservations and return them: all of a unit's serial or a job's UUID, or of one pack of it; or,
        for a number, that one.
        """
        return self._close_all("released", holder, pack, by, at)

    def consume(self, holder: str | int, pack: str | None = None, *, by: str, at: datetime) -> list[Reservation]:
        """Take reserved parts off the shelf for good, as at a unit's sign-off; chosen like those to release."""
        return self._close_all("consumed", holder, pack, by, at)

    def take_back(self, part: str, thickness_nm: int, serial: str | None, *, by: str, at: datetime) -> None:
        """Put a part that came out of a pack back on the shelf; with the serial it had, if it had one."""
        with self._writing("take a part back") as connection:
            key = _bin_for_fitted(connection, part, thickness_nm, at, by)
            if serial is None:
                _add(connection, "returned", key, at, by, shelf=1)
                return
            _, shelf = self._bin(connection, part, thickness_nm)
            if serial in {part.serial for part in shelf.measured}:
                raise StockError(f"part {serial} lies on the shelf already; expected one that was consumed")
            measured = select(measured_parts.c.id).where(measured_parts.c.bin == key, measured_parts.c.serial == serial)
            if connection.execute(measured).first() is None:
                raise StockError(f"no {shelf.text} was ever given the serial {serial}; leave the serial out")
            _add(connection, "returned", key, at, by, measured_part=_tag(connection, key, serial, at, by), shelf=1)

    def _close_all(
        self, kind: Literal["released", "consumed"], holder: str | int, pack: str | None, by: str, at: datetime
    ) -> list[Reservation]:
        with self._writing(f"have reservations {kind}") as connection:
            chosen = [
                one
                for one in open_reservations(connection)
                if holder in (one.number, one.place.unit, one.place.job)
                and holder != ""
                and pack in (None, one.place.pack)
            ]
            for one in chosen:
                _close(connection, kind, one, at, by)
            return chosen

    def _bin(self, connection: Connection, part: str, thickness_nm: int) -> tuple[int, Bin]:
        key, found = find_bin(connection, part, thickness_nm)
        if key is None or found is None:
            every = holdings_of(connection).bins
            same = [one.thickness_text for one in every if part_key(one.part) == part_key(part)]
            there = ", ".join(same) or ", ".join(sorted({one.part for one in every})) or "nothing; import a stock file"
            raise StockError(f"{self._path} has no {part} of {format_length(thickness_nm, 'mm')}; it has: {there}")
        return key, found

    @contextmanager
    def _writing(self, what: str) -> Iterator[Connection]:
        with self._transaction(what, {}) as connection:
            yield connection
            # Whatever was asked, no more may be promised than there is; an error here takes all of it back.
            for one in holdings_of(connection).bins:
                if one.loose < one.loose_reserved:
                    raise StockError(
                        f"could not {what} in {self._path}: {one.loose_reserved} unmeasured {one.text} are reserved "
                        f"and {one.loose} would be there; release or consume some first (`strokelog stock show`)"
                    )


def _add(
    connection: Connection,
    kind: str,
    key: int,
    at: datetime,
    by: str,
    *,
    shelf: int,
    measured_part: int | None = None,
    **rest: Any,
) -> int:
    about = {"at": _when(at), "by": by, "kind": kind, "bin": key}
    values = {**about, "measured_part": measured_part, "shelf": shelf, **rest}
    return put(connection, movements, values, at=_when(at), by=by)


def _when(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _place(prefix: str, place: Place) -> dict[str, Any]:
    return {f"{prefix}{name}": getattr(place, name) for name in ("job", "unit", "pack", "adjuster")}


def _tag(connection: Connection, key: int, serial: str, at: datetime, by: str, new: bool = False) -> int:
    """Return the number of the part with this serial in this bin, made if there is none."""
    row = connection.execute(select(measured_parts).where(measured_parts.c.serial == serial)).first()
    if row is None:
        return put(connection, measured_parts, {"bin": key, "serial": serial}, at=_when(at), by=by)
    if row.bin != key or new:
        raise StockError(f"the serial {serial} is another part's; give this one a serial of its own")
    return int(row.id)


def _bin_for_fitted(connection: Connection, part: str, thickness_nm: int, at: datetime, by: str) -> int:
    """Return the bin of a part that comes out of a pack, made if the stock never had that thickness of the part."""
    key, _ = find_bin(connection, part, thickness_nm)
    if key is not None:
        return key
    same = next((one for one in holdings_of(connection).bins if part_key(one.part) == part_key(part)), None)
    if same is None:
        raise StockError(f"the stock has no part {part}; import a stock file that lists it")
    values = {
        "part": same.part,
        "part_key": part_key(part),
        "thickness_nm": thickness_nm,
        "thickness_text": exact_length(thickness_nm, same.unit),
        "tolerance_nm": same.tolerance_nm,
    }
    return put(connection, bins, values, at=_when(at), by=by)


def _free_part(connection: Connection, shelf: Bin, serial: str | None) -> int | None:
    """Return the number of the free part asked for, None for a loose one; raises StockError if it is not free."""
    if serial is not None:
        found = next((part for part in shelf.measured if part.serial == serial), None)
        if found is None or found.reserved:
            state = "is reserved already" if found else "does not lie on the shelf"
            raise StockError(f"{shelf.text}, part {serial} {state}; see `strokelog stock show`")
        return int(
            connection.execute(select(measured_parts.c.id).where(measured_parts.c.serial == serial)).scalar_one()
        )
    if shelf.loose <= shelf.loose_reserved:
        free = ", ".join(part.serial for part in shelf.measured if not part.reserved)
        hint = f"the free ones are measured, choose by serial: {free}" if free else "see `strokelog stock show`"
        raise StockError(f"no unmeasured {shelf.text} is free ({shelf.shelf} there, {shelf.reserved} reserved); {hint}")
    return None


def _take_out(connection: Connection, request: PieceWanted, at: datetime, by: str) -> None:
    assert request.source is not None
    for other in open_reservations(connection):
        if other.source is not None and other.source.is_same(request.source):
            raise StockError(f"promised already: {other.text}; release that first")
        same = (part_key(other.part), other.thickness_nm, other.serial) == (
            part_key(request.part),
            request.thickness_nm,
            request.serial,
        )
        if other.place.is_same(request.source) and same:
            _close(connection, "consumed", other, at, by)


def _close(connection: Connection, kind: str, one: Reservation, at: datetime, by: str) -> None:
    row = connection.execute(select(movements).where(movements.c.id == one.number)).one()
    shelf = -1 if kind == "consumed" and one.source is None else 0
    _add(
        connection,
        kind,
        row.bin,
        at,
        by,
        measured_part=row.measured_part,
        shelf=shelf,
        closes=one.number,
        **_place("", one.place),
    )
