"""What whoever signs a unit off should look at, though nothing of it stands against signing. No I/O, no clock."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from capture.sheet.sheet import Sheet
from capture.sheet.steps import Torque
from capture.unit.pack_states import PackState
from capture.unit.signoff_standing import StepStanding, step_name


def cautions(
    sheet: Sheet, steps: Sequence[StepStanding], packs: Mapping[str, PackState], changed: Mapping[str, int]
) -> list[str]:
    """Return what does not bar a sign-off and yet needs a look, in words; `changed` is by pack the newest entry that
    changed its parts."""
    found = [_out_of_order(sheet, standing, early) for standing in steps if (early := _early(sheet, standing, packs))]
    for standing in steps:
        step = sheet.steps[standing.index]
        if standing.state != "done" or not isinstance(step, Torque):
            continue
        name = step_name(sheet, standing.index)
        if standing.torque_unm is not None and step.value_unm is not None and step.tolerance_unm is None:
            shown = f"{step.shown(standing.torque_unm)}, {step.deviation(standing.torque_unm)}"
            found.append(f"{name}: {shown}; the sheet names no tolerance, so whoever signs judges it")
        elif step.value_unm is None:
            reached = step.shown(standing.torque_unm) if standing.torque_unm is not None else "no torque entered"
            found.append(f"{name}: {reached}; the sheet names no torque, so whoever signs judges it")
        moved = [pack for pack, number in changed.items() if number > standing.number]
        if moved:
            found.append(
                f"{name} was signed before parts of {', '.join(moved)} were changed; if its bolts were "
                "loosened for that, tighten them again and sign it again"
            )
        measured = [one for one, pack in packs.items() if pack.number > standing.number and one not in moved]
        if measured and not step.before:
            found.append(
                f"{name} comes after the packs, and was signed before the check of {' and '.join(measured)}; if "
                "its bolts were loosened for that, tighten them again and sign it again"
            )
    return found


def _early(sheet: Sheet, standing: StepStanding, packs: Mapping[str, PackState]) -> list[str]:
    """The packs that were measured before a step was signed that comes before them."""
    step, done = sheet.steps[standing.index], standing.state == "done"
    measured = {name: pack.number for name, pack in packs.items() if done and step.comes_before(name)}
    return [name for name, number in measured.items() if 0 < number < standing.number]


def _out_of_order(sheet: Sheet, standing: StepStanding, packs: Sequence[str]) -> str:
    name, named = step_name(sheet, standing.index), " and ".join(packs)
    return (
        f"{name} comes before {named}, and was signed after the check; if it was done after it as well, check "
        f"{named} again"
    )
