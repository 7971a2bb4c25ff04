"""The commands of a unit's parts: `unit plan` says which to change, `change` keeps what was changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.cli.options import ConfigFile, DataDir, Json, errors_in_words, fail, open_store
from capture.cli.signoff import By, JobNumber, add_fact, person, unit_of
from capture.plumbing.outward import say, say_json

if TYPE_CHECKING:
    from capture.record import Job
    from capture.sheet.sheet import Sheet
    from capture.unit.changes import Outcome
    from capture.unit.plan import UnitPlan


def plan(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Say which parts of a unit to change so that all its packs come into range, and which packs need a re-check."""
    from capture.job.unit_on_record import happened_in
    from capture.sheet.sheet import parse_sheet
    from capture.unit.changes import fitted_now, newest_verdicts, outcomes, packs_to_recheck
    from capture.unit.plan import plan_unit

    with errors_in_words():
        with open_store(config, data_dir) as store:
            found: Job = store.job(job)
        sheet = parse_sheet(found.sheet_toml, f"the build sheet of job {job}")
        happened = happened_in(found)
        now = fitted_now(sheet, happened)
        verdicts, recheck = newest_verdicts(happened), packs_to_recheck(now, happened)
        plans = plan_unit(now, verdicts, recheck)
        came_out = outcomes(sheet, happened)
    unchecked = [pack.name for pack in now.order() if pack.name not in verdicts]
    if as_json:
        _print_json(now, came_out, recheck, unchecked, plans)
    else:
        _print_words(came_out, recheck, unchecked, plans)


def change(
    job: JobNumber,
    by: By,
    part: Annotated[
        str | None, typer.Argument(metavar="PACK/PART/FITTED", help="What is fitted now, or its scanned code.")
    ] = None,
    way: Annotated[
        int | None, typer.Option("--way", min=1, help="Take this way of `strokelog unit plan` instead.")
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="The last change was written by mistake; before the next check.")
    ] = False,
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Keep a change of parts that was made: `strokelog unit change 7 "low/backing shim/3" --by NAME`."""
    from capture.output.words import CAUTION_LINE
    from capture.unit.codes import NotUnderstood, PartFitted, read_scan
    from capture.unit.facts import ChangeUndone, PartsChanged
    from capture.unit.offers import plans, taken, typed_change

    if sum((part is not None, way is not None, undo)) != 1:
        fail("say what was changed, either PACK/PART/FITTED or --way N; or --undo the last change", 2)
    with unit_of(job, config, data_dir) as unit:
        name = person(unit, by)
        if undo:
            newest = unit.to_undo()
            if newest is None or not isinstance(newest.fact, PartsChanged):
                fail("no part was changed since the last check began: nothing to undo")
            add_fact(unit, ChangeUndone(newest.number, newest.fact.pack, name), as_json)
            return
        if part is not None:
            found = read_scan(part if part.lower().startswith("part") else f"part:{part}", unit.sheet)
            if not isinstance(found, PartFitted):
                fail(found.why if isinstance(found, NotUnderstood) else f"{part!r} names no part", 2)
            made = [typed_change(unit.now, found, name)]
        else:
            ways = plans(unit.now).ways
            if way is None or way > len(ways):
                fail(f"there is no way {way}; `strokelog unit plan {job}` shows {len(ways)}", 2)
            made = taken(ways[way - 1], name)
        for one in made:
            add_fact(unit, one, as_json)
        if not as_json:
            say(CAUTION_LINE)


def _print_words(came_out: list[Outcome], recheck: dict[str, str], unchecked: list[str], plans: list[UnitPlan]) -> None:
    from capture.output.words import CAUTION_LINE

    for one in came_out:
        say(one.text)
    for name, why in recheck.items():
        say(f"re-check needed: {name}: {why}")
    for name in unchecked:
        say(f"not checked yet: {name}")
    for number, planned in enumerate(plans, 1):
        say(f"plan {number}: {planned.text}")
    if plans:
        say(CAUTION_LINE)
    for text in plans[0].out_of_reach if plans else ():
        say(f"no change helps {text}")
    if not plans:
        say(
            "No parts to change: every pack is good." if not recheck and not unchecked else "No parts to change so far."
        )


def _print_json(
    sheet: Sheet, came_out: list[Outcome], recheck: dict[str, str], unchecked: list[str], plans: list[UnitPlan]
) -> None:
    def put(kind: str, **values: Any) -> None:
        say_json({"type": kind, **values})

    from capture.output.json_forms import changes_json

    for one in came_out:
        put(
            "outcome",
            pack=one.change.pack,
            text=one.text,
            mean_nm=one.mean_nm,
            predicted_nm=one.change.predicted_nm,
            # JSON has no infinity; two exact numbers that differ are as far apart as can be.
            normalized_error=one.normalized_error if abs(one.normalized_error) != float("inf") else None,
            as_predicted=one.as_predicted,
        )
    for name, why in recheck.items():
        put("recheck", pack=name, because=why)
    for name in unchecked:
        put("unchecked", pack=name)
    for planned in plans:
        put(
            "plan",
            text=planned.text,
            in_range_probability=planned.in_range_probability,
            parts_touched=planned.parts_touched,
            packs=[
                {
                    "pack": pack.pack,
                    "predicted_nm": pack.predicted_nm,
                    "expanded_uncertainty_nm": pack.expanded_uncertainty_nm,
                    "in_range_probability": pack.in_range_probability,
                    "changes": changes_json(sheet.pack(pack.pack), pack.changes),
                }
                for pack in planned.packs
            ],
            check_again=list(planned.check_again),
            out_of_reach=list(planned.out_of_reach),
        )
