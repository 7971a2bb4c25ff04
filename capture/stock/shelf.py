"""The movements added up: what lies on the shelf, what was measured, what is promised and to whom. Writes nothing."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from sqlalchemy import Connection, func, select

from capture.stock.file import part_key
from capture.stock.holdings import Bin, Holdings, MeasuredPart, Place, Reservation
from capture.stock.tables import bins, measured_parts, movements


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
    """The newest measurement of each part that has one."""
    newest = (
        select(func.max(movements.c.id))
        .where(movements.c.actual_nm.is_not(None), movements.c.measured_part.is_not(None))
        .group_by(movements.c.measured_part)
    )
    query = select(movements.c.measured_part, movements.c.actual_nm, movements.c.uncertainty_nm).where(
        movements.c.id.in_(newest)
    )
    return {row.measured_part: (row.actual_nm, row.uncertainty_nm) for row in connection.execute(query)}


def open_reservations(connection: Connection) -> list[Reservation]:
    """Return the reservations that no movement has closed, oldest first."""
    closing = movements.alias()
    closed = select(closing.c.id).where(closing.c.closes == movements.c.id).exists()
    measured = _measurements(connection)
    query = (
        select(movements, bins.c.part, bins.c.thickness_nm, bins.c.thickness_text, measured_parts.c.serial)
        .join(bins, bins.c.id == movements.c.bin)
        .join(measured_parts, measured_parts.c.id == movements.c.measured_part, isouter=True)
        .where(movements.c.kind == "reserved", ~closed)
        .order_by(movements.c.id)
    )
    found = []
    for row in connection.execute(query):
        actual_nm, expanded_nm = measured.get(row.measured_part, (None, None))
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
    sums = select(movements.c.bin, movements.c.measured_part, func.sum(movements.c.shelf).label("shelf")).group_by(
        movements.c.bin, movements.c.measured_part
    )
    loose: dict[int, int] = defaultdict(int)
    tagged: dict[int, list[MeasuredPart]] = defaultdict(list)
    serials = {row.id: row.serial for row in connection.execute(select(measured_parts))}
    taken = {one.serial for one in reserved if one.source is None}
    for row in connection.execute(sums):
        if row.measured_part is None:
            loose[row.bin] = row.shelf
        elif row.shelf:
            serial = serials[row.measured_part]
            tagged[row.bin].append(MeasuredPart(serial, *measured[row.measured_part], serial in taken))
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
                measured=tuple(sorted(tagged[row.id], key=lambda part: part.serial)),
            )
        )
    return Holdings(tuple(found), tuple(reserved))
