"""The command that plans a unit from the record: `plan`."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from capture.commands.words import ConfigFile, DataDir, Json, errors_in_words, open_store, say

if TYPE_CHECKING:
    from capture.plan import Outcome, UnitPlan
    from capture.record import Job
    from capture.sheet import Sheet

__all__ = ["plan"]


def plan(
    job: Annotated[int, typer.Argument(help="The job's number, from `strokelog jobs`.")],
    as_json: Json = False,
    config: ConfigFile = None,
    data_dir: DataDir = None,
) -> None:
    """Say which parts of a unit to change so that all its packs come into range, and which checks are stale."""
    from capture.changes import fitted_now, newest_verdicts, outcomes, stale_checks
    from capture.plan import plan_unit
    from capture.sheet import parse_sheet
    from capture.signing import happened_in

    with errors_in_words():
        with open_store(config, data_dir) as store:
            found: Job = store.job(job)
        sheet = parse_sheet(found.sheet_toml, f"the build sheet of job {job}")
        happened = happened_in(found)
        now = fitted_now(sheet, happened)
        verdicts, stale = newest_verdicts(happened), stale_checks(now, happened)
        plans = plan_unit(now, verdicts, stale)
        came_out = outcomes(sheet, happened)
    unchecked = [pack.name for pack in now.order() if pack.name not in verdicts]
    if as_json:
        _print_json(now, came_out, stale, unchecked, plans)
    else:
        _print_words(came_out, stale, unchecked, plans)


def _print_words(came_out: list[Outcome], stale: dict[str, str], unchecked: list[str], plans: list[UnitPlan]) -> None:
    for one in came_out:
        say(one.text)
    for name, why in stale.items():
        say(f"stale: {name}: {why}; check it again")
    for name in unchecked:
        say(f"not checked yet: {name}")
    for number, planned in enumerate(plans, 1):
        say(f"plan {number}: {planned.text}")
    for text in plans[0].out_of_reach if plans else ():
        say(f"no change helps {text}")
    if not plans:
        say("No parts to change: every pack is good." if not stale and not unchecked else "No parts to change so far.")


def _print_json(
    sheet: Sheet, came_out: list[Outcome], stale: dict[str, str], unchecked: list[str], plans: list[UnitPlan]
) -> None:
    def put(kind: str, **values: Any) -> None:
        say(json.dumps({"type": kind, **values}, ensure_ascii=False))

    from capture.replay import changes_json

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
    for name, why in stale.items():
        put("stale", pack=name, because=why)
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
