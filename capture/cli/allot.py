"""The command `stock allot`: which part of the stock goes into which waiting pack, on all benches at once."""

from __future__ import annotations

import contextlib
import math
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.options import ConfigFile, Json, errors_in_words, fail, open_store
from capture.cli.stock import StockPath, opened, tell_reservations, warn_low
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.record import Job
    from capture.stock import Holdings, PieceWanted
    from capture.stock.allotment import Allotment, LeftOut, Option, Placement, WaitingPack
    from capture.stock.waiting import Gathered
    from drivers.reading import LengthUnit

#: The newest so many jobs of a record are looked at; what waits longer than that is not waiting for a ring.
_NEWEST_JOBS = 500


def allot(
    data_dir: Annotated[
        list[Path] | None,
        typer.Option("--data-dir", help="Where a bench's record is kept; repeat it for several benches."),
    ] = None,
    packs: Annotated[
        Path | None, typer.Option("--packs", help="Take the waiting packs from this file, TOML or JSON, instead.")
    ] = None,
    level: Annotated[
        float, typer.Option("--level", min=0.5, max=0.9999, help="The least probability of being in range.")
    ] = 0.95,
    days: Annotated[
        int, typer.Option("--days", min=0, help="Also packs whose session ended at most so many days ago.")
    ] = 14,
    reserve: Annotated[bool, typer.Option("--reserve", help="Reserve the parts, all of them or none.")] = False,
    as_json: Json = False,
    stock: StockPath = None,
    config: ConfigFile = None,
    by: Annotated[str | None, typer.Option("--by", help="Who reserves; else the settings' technician.")] = None,
) -> None:
    """Allot the stock to all packs that wait: most of them in range, then nearest to preferred.

    A ring that comes out of one pack may go into another. Shims stay as they are. Check every pack again after its
    part was changed. Exit code 0 if every waiting pack is brought into range, 3 if not.
    """
    from capture.stock.allotment import allot as best_use
    from capture.stock.waiting import from_file

    if packs is not None and data_dir:
        fail("give --data-dir or --packs, not both: a pack waits in a record or in a file", 2)
    with opened(stock, config, by) as (room, who, at):
        holdings = room.holdings()
        if not holdings.bins:
            fail("the stock is empty; `strokelog stock import FILE` fills it")
        if packs is not None:
            gathered = from_file(packs, holdings)
        else:
            gathered = waiting_packs(jobs_of(data_dir, config), holdings, at - timedelta(days=days))
        found = best_use(gathered.packs, gathered.shelf, level)
        shown = _Shown(found, gathered, holdings)
        if as_json:
            shown.as_json(level)
        else:
            shown.as_table(level)
        requests = _requests(found)
        if reserve and requests:
            made = room.reserve(requests, by=who, at=at)
            warn_low(holdings, room.holdings())
            tell_reservations(made, "reserved", as_json)
        elif requests and not as_json:
            say("Nothing is reserved yet: add --reserve.")
    raise typer.Exit(0 if len(found.placed) == len(found.packs) and not gathered.not_asked else 3)


def jobs_of(data_dirs: list[Path] | None, config: Path | None) -> list[Job]:
    jobs: list[Job] = []
    folders: list[Path | None] = [*data_dirs] if data_dirs else [None]
    for folder in folders:
        with errors_in_words(), open_store(config, folder) as store:
            jobs += store.jobs(_NEWEST_JOBS)
    return jobs


def waiting_packs(jobs: list[Job], holdings: Holdings, ended_after: datetime) -> Gathered:
    from capture.job.unit_on_record import happened_in
    from capture.sheet.sheet import SheetError, parse_sheet
    from capture.stock.waiting import from_jobs
    from capture.unit.changes import fitted_now, packs_to_recheck

    facts = {str(job.uuid): [(entry.at, entry.fact) for entry in job.facts] for job in jobs}
    recheck = {}
    for job in jobs:
        # A sheet that cannot be read is named with its packs, where they are gathered.
        with contextlib.suppress(SheetError):
            sheet, happened = parse_sheet(job.sheet_toml, f"the build sheet of job {job.id}"), happened_in(job)
            recheck[str(job.uuid)] = packs_to_recheck(fitted_now(sheet, happened), happened)
    return from_jobs(jobs, holdings, ended_after, facts, recheck)


def _requests(found: Allotment) -> list[PieceWanted]:
    """The reservations that an allotment asks for, those out of other packs first: what they free may be promised."""
    from capture.stock import PieceWanted, Place

    def place(pack: WaitingPack, slot: int) -> Place:
        return Place(pack.job, pack.unit, pack.pack, pack.slots[slot].adjuster)

    requests = []
    for one in found.placed:
        option = one.option
        if option.slot is None or option.size is None:
            continue
        source = None
        if one.source is not None and one.source_slot is not None:
            source = place(found.packs[one.source], one.source_slot)
        requests.append(
            PieceWanted(option.size.part, option.size.thickness_nm, one.serial, place(one.pack, option.slot), source)
        )
    return sorted(requests, key=lambda request: request.source is None)


class _Shown:
    """An allotment in words: as a table, and as one JSON object a line."""

    def __init__(self, found: Allotment, gathered: Gathered, holdings: Holdings) -> None:
        from capture.stock import part_key

        self._found = found
        self._gathered = gathered
        self._texts = {(part_key(one.part), one.thickness_nm): one.thickness_text for one in holdings.bins}

    def _unit(self, pack: WaitingPack) -> LengthUnit:
        return self._gathered.shown_in[pack.job, pack.unit, pack.pack]

    def _length(self, pack: WaitingPack, value_nm: int) -> str:
        from drivers.units import format_length

        return format_length(value_nm, self._unit(pack))

    def _thickness(self, pack: WaitingPack, part: str, thickness_nm: int) -> str:
        return self._texts.get((part, thickness_nm)) or self._length(pack, thickness_nm)

    def _clearance(self, pack: WaitingPack, option: Option) -> str:
        return f"{self._length(pack, option.predicted_nm)} ± {self._length(pack, option.expanded_uncertainty_nm)}"

    def _unit_name(self, pack: WaitingPack) -> str:
        return pack.unit or f"job {pack.job[:8]}"

    def _change(self, one: Placement) -> str:
        pack, option = one.pack, one.option
        if option.slot is None or option.size is None:
            return "keep its parts"
        slot = pack.slots[option.slot]
        before = self._thickness(pack, slot.part, slot.fitted.thickness_nm)
        after = self._thickness(pack, option.size.part, option.size.thickness_nm)
        serial = f" ({one.serial})" if one.serial else ""
        return f"change the {slot.name} from {before} to {after}{serial}"

    def _from(self, one: Placement) -> str:
        if one.option.slot is None:
            return "-"
        if one.source is None:
            return f"stock, {one.serial}" if one.serial else "stock"
        source = self._found.packs[one.source]
        return f"out of {self._unit_name(source)}, {source.pack}"

    def _why(self, one: LeftOut) -> str:
        pack, wants = one.pack, one.wants
        given = "".join(
            f"; its {pack.slots[slot].name} goes into another pack, so leave a tag on it" for slot in one.given
        )
        if wants is None or wants.slot is None or wants.size is None:
            if one.reason == "no_part":
                return "the stock lists none of its selective parts"
            return f"no other thickness is allowed by its build sheet{given}"
        name = pack.slots[wants.slot].name
        part = f"{name} {self._thickness(pack, wants.size.part, wants.size.thickness_nm)}"
        outcome = f"{self._clearance(pack, wants)}, {_percent(wants.in_range_probability)}"
        if one.reason == "short":
            return f"no part left for it: {part} would give {outcome}; order it{given}"
        return f"no thickness of its build sheet reaches: {part} would give {outcome}{given}"

    def _change_in_short(self, one: Placement) -> str:
        pack, option = one.pack, one.option
        if option.slot is None or option.size is None:
            return "keep its parts"
        slot = pack.slots[option.slot]
        before = self._thickness(pack, slot.part, slot.fitted.thickness_nm)
        return f"{slot.name} {before} to {self._thickness(pack, option.size.part, option.size.thickness_nm)}"

    def as_table(self, level: float) -> None:
        from rich.table import Table
        from rich.text import Text

        from capture.plumbing.outward import harmless_console

        found = self._found
        console = harmless_console()
        table = Table(title=f"Allotment, at least {level:.4g} likely in range", title_justify="left")
        for name in ("unit", "pack", "measured", "change", "part", "predicted (95 %)", "in range"):
            table.add_column(name, overflow="fold")
        for one in found.placed:
            cells = (
                self._unit_name(one.pack),
                one.pack.pack,
                self._length(one.pack, one.pack.mean_nm),
                self._change_in_short(one),
                self._from(one),
                self._clearance(one.pack, one.option),
                _percent(one.option.in_range_probability),
            )
            table.add_row(*(Text(cell) for cell in cells))
        if found.placed:
            console.print(table)
        for left in found.left_out:
            say(f"stays out: {self._unit_name(left.pack)}, {left.pack.pack}: {self._why(left)}")
        for other in self._gathered.not_asked:
            say(f"not asked: {other.unit or '-'}, {other.pack}: {other.reason}")
        waiting = len(found.packs)
        if not waiting:
            say("No other pack waits for a part." if self._gathered.not_asked else "No pack waits for a part.")
            return
        say(f"{len(found.placed)} of {waiting} waiting packs come into range. Check each again after the change.")

    def as_json(self, level: float) -> None:
        for one in self._found.placed:
            say_json(self._placed_json(one))
        for left in self._found.left_out:
            line = {
                **self._name_json("out", left.pack),
                "reason": left.reason,
                "text": self._why(left),
                "in_range_probability": left.now_probability,
                "wants_nm": left.wants.size.thickness_nm if left.wants and left.wants.size else None,
                "given_adjusters": [left.pack.slots[slot].adjuster for slot in left.given],
            }
            say_json(line)
        for other in self._gathered.not_asked:
            line = {"type": "not_asked", "unit": other.unit, "pack": other.pack, "bench": other.bench}
            say_json({**line, "reason": other.reason})
        summary = {
            "type": "allotment",
            "level": level,
            "waiting": len(self._found.packs),
            "in_range": len(self._found.placed),
            "distance_nm": self._found.distance_nm,
        }
        say_json(summary)

    def _name_json(self, kind: str, pack: WaitingPack) -> dict[str, Any]:
        return {
            "type": kind,
            "unit": pack.unit,
            "pack": pack.pack,
            "job": pack.job,
            "bench": pack.bench,
            "mean_nm": pack.mean_nm,
            "low_nm": pack.low_nm,
            "high_nm": pack.high_nm,
        }

    def _placed_json(self, one: Placement) -> dict[str, Any]:
        option = one.option
        slot = one.pack.slots[option.slot] if option.slot is not None else None
        source = self._found.packs[one.source] if one.source is not None else None
        return {
            **self._name_json("placed", one.pack),
            "text": self._change(one),
            "adjuster": slot.adjuster if slot else None,
            "from_nm": slot.fitted.thickness_nm if slot else None,
            "to_nm": option.size.thickness_nm if option.size else None,
            "to_actual_nm": option.size.actual_nm if option.size and option.size.measured else None,
            "serial": one.serial,
            "out_of": {"unit": source.unit, "pack": source.pack} if source else None,
            "predicted_nm": option.predicted_nm,
            "expanded_uncertainty_nm": option.expanded_uncertainty_nm,
            "in_range_probability": option.in_range_probability,
            "distance_nm": option.distance_nm,
        }


def _percent(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{math.floor(100 * probability)} %"
