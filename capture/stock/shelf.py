"""The movements added up: what lies on the shelf, what was measured, what is promised and to whom. Writes nothing."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from sqlalchemy import Connection, func, select

from capture.stock.file import part_key
from capture.stock.holdings import Bin, Holdings, Piece, Place, Reservation
from capture.stock.movements import bins, movements, pieces

__all__ = ["find_bin", "holdings_of", "open_reservations"]


def find_bin(connection: Connection, part: str, thickness_nm: int) -> tuple[int | None, Bin | None]:
    """Return the number of the bin and what lies in it, (None, None) if there is none."""
    where = (bins.c.part_key == part_key(part), bins.c.thickness_nm == thickness_nm)
    key = connection.execute(select(bins.c.id).where(*where)).scalar()
    if key is None:
        return None, None
    wanted = part_key(part)
    found = next(
        one for one in holdings_of(connection).bins if part_key(one.part) == wanted and one.thickness_nm == thickness_nm
    )
    return key, found


def _measurements(connection: Connection) -> dict[int, tuple[int, int]]:
    """The newest measurement of each piece that has one."""
    newest = (
        select(func.max(movements.c.id))
        .where(movements.c.actual_nm.is_not(None), movements.c.piece.is_not(None))
        .group_by(movements.c.piece)
    )
    query = select(movements.c.piece, movements.c.actual_nm, movements.c.uncertainty_nm).where(
        movements.c.id.in_(newest)
    )
    return {row.piece: (row.actual_nm, row.uncertainty_nm) for row in connection.execute(query)}


def open_reservations(connection: Connection) -> list[Reservation]:
    """Return the reservations that no movement has closed, oldest first."""
    closing = movements.alias()
    closed = select(closing.c.id).where(closing.c.closes == movements.c.id).exists()
    measured = _measurements(connection)
    query = (
        select(movements, bins.c.part, bins.c.thickness_nm, bins.c.thickness_text, pieces.c.serial)
        .join(bins, bins.c.id == movements.c.bin)
        .join(pieces, pieces.c.id == movements.c.piece, isouter=True)
        .where(movements.c.kind == "reserved", ~closed)
        .order_by(movements.c.id)
    )
    found = []
    for row in connection.execute(query):
        actual_nm, expanded_nm = measured.get(row.piece, (None, None))
        source = (
            Place(row.from_job, row.from_unit, row.from_pack, row.from_adjuster) if row.from_job is not None else None
        )
        found.append(
            Reservation(
                number=row.id,
                part=row.part,
                thickness_nm=row.thickness_nm,
                thickness_text=row.thickness_text,
                serial=row.serial,
                actual_nm=actual_nm,
                expanded_uncertainty_nm=expanded_nm,
                place=Place(row.job, row.unit, row.pack, row.adjuster),
                source=source,
                at=datetime.fromisoformat(row.at),
                by=row.by,
            )
        )
    return found


def holdings_of(connection: Connection) -> Holdings:
    """Return the whole stock."""
    reserved = open_reservations(connection)
    measured = _measurements(connection)
    sums = select(movements.c.bin, movements.c.piece, func.sum(movements.c.shelf).label("shelf")).group_by(
        movements.c.bin, movements.c.piece
    )
    loose: dict[int, int] = defaultdict(int)
    tagged: dict[int, list[Piece]] = defaultdict(list)
    serials = {row.id: row.serial for row in connection.execute(select(pieces))}
    taken = {one.serial for one in reserved if one.source is None}
    for row in connection.execute(sums):
        if row.piece is None:
            loose[row.bin] = row.shelf
        elif row.shelf:
            serial = serials[row.piece]
            tagged[row.bin].append(Piece(serial, *measured[row.piece], serial in taken))
    found = []
    for row in connection.execute(select(bins).order_by(bins.c.part_key, bins.c.thickness_nm)):
        promised = sum(
            one.serial is None and one.source is None and (one.part, one.thickness_nm) == (row.part, row.thickness_nm)
            for one in reserved
        )
        found.append(
            Bin(
                part=row.part,
                thickness_nm=row.thickness_nm,
                thickness_text=row.thickness_text,
                tolerance_nm=row.tolerance_nm,
                low=row.low,
                loose=loose[row.id],
                loose_reserved=promised,
                pieces=tuple(sorted(tagged[row.id], key=lambda piece: piece.serial)),
            )
        )
    return Holdings(tuple(found), tuple(reserved))
