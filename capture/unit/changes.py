"""What changes of parts mean for a unit: what is fitted now, which packs need a re-check, and whether a change came
out as predicted. What to change next is found in `plan`.

Plain data in, plain data out; what happened comes as a list in the order it happened (the record's ledger numbers),
each entry a fact or a `Judged`; a check's place is where it began.

What needs a re-check. A check tells of the unit as it was. It no longer counts once, after it began,
    - the pack's own parts were changed, or
    - an adjuster of another pack that `moves` this one was changed, or
    - either happened to a pack that this one depends on, directly or through others.
A pack depends on packs to finish first. So a check made while one of those was changed and not yet checked again was
made too early, and calls for a re-check from the start. A pack that is merely measured again, nothing changed, calls
for no re-check of another.

As predicted. A change predicts what the next check of its pack will show. The two are compared by the normalized error
E_n = (measured - predicted) / U of ISO 13528 and ISO/IEC 17043, U for 95 % of the difference; beyond 1 in size the step
did not come out. What U is depends on the gauge:
    - Another gauge, or another day: U^2 = U_measured^2 + U_predicted^2, all counted as independent.
    - The same gauge on the same day, before and after: both travels hold the same error of it, which cancels in their
      difference (JCGM 100, F.1.2.3). Left are what each check has of its own (repeatability, rounding, what was
      inferred, the misalignment, since the gauge was set up anew to get at the parts), the parts handled, and how far
      the gauge's error differs between the two travels: a tenth of the maker's limit at each (an assumption).
It is settled only by a later check of the pack, nothing changed in between,
that shows what was predicted: a further change that comes out does not say why the first did not. Nothing is learned
from it: a person is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from statistics import NormalDist

from capture.clearance.advice import handled_parts
from capture.clearance.budget import OF_THE_INDICATOR
from capture.clearance.diagnosis import cause_of_difference
from capture.clearance.distribution import Distribution, normal, rectangle
from capture.clearance.verdict import COVERAGE, Verdict
from capture.sheet.sheet import Adjuster, Pack, Sheet, SheetError, Shim
from capture.unit.facts import Fact, Judged, PartsChanged
from drivers.reading import LengthUnit
from drivers.units import format_length

#: Of the maker's limit of error, what is local: the two ends of a step err by so much apart (an assumption).
_LOCAL = 0.1
#: Coverage factor of a normal distribution for 95 % (JCGM 100, table G.2).
_NORMAL_FACTOR = NormalDist().inv_cdf((1 + COVERAGE) / 2)


class PlanError(Exception):
    """The unit cannot be planned from what is recorded; the text says what is wrong and what was expected."""


Happened = Judged | Fact


# -- what is fitted now ------------------------------------------------------------------------------------------


def fitted_now(sheet: Sheet, happened: Iterable[Happened]) -> Sheet:
    """Return the sheet with every adjuster's `fitted` as the changes among `happened` left it.

    Raises PlanError for a change of a pack or a part that is not in the sheet, one that begins from another state
    than the one before left, and one that ends outside the sheet's limits.
    """
    for entry in happened:
        if isinstance(entry, PartsChanged):
            sheet = _with_change(sheet, entry)
    return sheet


def _with_change(sheet: Sheet, made: PartsChanged) -> Sheet:
    pack = _pack(sheet, made.pack)
    adjusters = list(pack.adjusters)
    for change in made.changes:
        where = f"parts changed in pack {pack.name!r}, adjuster {change.adjuster}"
        if not 0 <= change.adjuster < len(adjusters):
            raise PlanError(f"{where}: the sheet has no such adjuster; it has {len(adjusters)}, counted from 0")
        adjuster = adjusters[change.adjuster]
        if change.kind != adjuster.kind:
            raise PlanError(f"{where}: a {change.kind} was changed; the sheet has a {adjuster.kind} there")
        if change.before != adjuster.fitted:
            raise PlanError(
                f"{where}: changed from {_state(adjuster, change.before)}, but {_state(adjuster, adjuster.fitted)} "
                f"was fitted; expected a change from that"
            )
        if not _allowed(adjuster, change.after):
            raise PlanError(
                f"{where}: changed to {_state(adjuster, change.after)}; the sheet allows {_states(adjuster)}"
            )
        adjusters[change.adjuster] = adjuster.model_copy(update={"fitted": change.after})
    changed = pack.model_copy(update={"adjusters": tuple(adjusters)})
    packs = tuple(changed if one.name == pack.name else one for one in sheet.packs)
    return sheet.model_copy(update={"packs": packs})


def _pack(sheet: Sheet, name: str) -> Pack:
    try:
        return sheet.pack(name)
    except SheetError as error:
        raise PlanError(f"parts changed or checked: {error}") from error


def _allowed(adjuster: Adjuster, state: int) -> bool:
    return adjuster.min <= state <= adjuster.max if isinstance(adjuster, Shim) else state in adjuster.choices


def _state(adjuster: Adjuster, state: int) -> str:
    if isinstance(adjuster, Shim):
        return f"{state} {adjuster.name}{'' if state == 1 else 's'}"
    return f"the {adjuster.name} of {adjuster.text(state)}"


def _states(adjuster: Adjuster) -> str:
    if isinstance(adjuster, Shim):
        return f"{adjuster.min} to {adjuster.max}"
    return ", ".join(adjuster.text(choice) for choice in adjuster.choices)


# -- which packs need a re-check -----------------------------------------------------------------------------------


def newest_verdicts(happened: Iterable[Happened]) -> dict[str, Verdict]:
    """Return the newest verdict of every pack that has one, whether it needs a re-check or not."""
    return {entry.pack: entry.verdict for entry in happened if isinstance(entry, Judged)}


def packs_to_recheck(sheet: Sheet, happened: Iterable[Happened]) -> dict[str, str]:
    """Return the packs whose newest check no longer counts, in the order to check them, each with why in words.

    Raises PlanError where `happened` names a pack or an adjuster that is not in the sheet.
    """
    needs = {pack.name: _needs(sheet, pack.name) for pack in sheet.packs}
    unproven: dict[str, str] = {}  # changed since the last check, and by what
    checked: set[str] = set()
    recheck: dict[str, str] = {}
    for entry in happened:
        if isinstance(entry, Judged):
            name = _pack(sheet, entry.pack).name
            unproven.pop(name, None)
            recheck.pop(name, None)
            checked.add(name)
            early = next((needed for needed in needs[name] if needed in unproven), None)
            if early is not None:
                recheck[name] = f"it was checked before {early}, which it depends on, was checked again"
        elif isinstance(entry, PartsChanged):
            for name, why in _touched(sheet, entry).items():
                unproven[name] = recheck[name] = why
                for other, needed in needs.items():
                    if name in needed:
                        recheck.setdefault(other, f"it depends on {name}, and {why}")
    return {pack.name: recheck[pack.name] for pack in sheet.order() if pack.name in recheck and pack.name in checked}


def unexplained(sheet: Sheet, happened: Iterable[Happened]) -> dict[str, str]:
    """Return the packs whose newest check is good though one before it was tight or loose and nothing that moves the
    pack was changed in between, each with that in words: a clearance does not change by itself (common practice).

    Raises PlanError where `happened` names a pack or an adjuster that is not in the sheet.
    """
    bad: dict[str, Verdict] = {}
    found: dict[str, str] = {}
    unit = sheet.display_unit
    for entry in happened:
        if isinstance(entry, PartsChanged):
            for name in _touched(sheet, entry):
                bad.pop(name, None)
                found.pop(name, None)
        elif isinstance(entry, Judged):
            name, verdict = _pack(sheet, entry.pack).name, entry.verdict
            found.pop(name, None)
            if verdict.verdict in ("tight", "loose"):
                bad[name] = verdict
            elif verdict.verdict == "good" and name in bad:
                was, means = bad[name], [format_length(one.mean_nm, unit) for one in (bad[name], verdict)]
                found[name] = (
                    f"{name} was {was.verdict} ({means[0]}) and is good now ({means[1]}), and the record holds no "
                    "change of its parts in between. Record the change, or find out why the two checks differ."
                )
    return {pack.name: found[pack.name] for pack in sheet.order() if pack.name in found}


def _needs(sheet: Sheet, name: str) -> list[str]:
    """The packs that one depends on, directly or through others, in the order to check them."""
    found: set[str] = set()
    todo = list(sheet.pack(name).depends_on)
    while todo:
        needed = todo.pop()
        if needed not in found:
            found.add(needed)
            todo += sheet.pack(needed).depends_on
    return [pack.name for pack in sheet.order() if pack.name in found]


def _touched(sheet: Sheet, made: PartsChanged) -> dict[str, str]:
    """The packs whose clearance a change moved, each with why."""
    pack = _pack(sheet, made.pack)
    touched = {pack.name: f"parts of {pack.name} were changed since"}
    for change in made.changes:
        if not 0 <= change.adjuster < len(pack.adjusters):
            raise PlanError(
                f"parts changed in pack {pack.name!r}: the sheet has no adjuster {change.adjuster}; "
                f"it has {len(pack.adjusters)}, counted from 0"
            )
        adjuster = pack.adjusters[change.adjuster]
        for name in adjuster.moves:
            touched[name] = f"the {adjuster.name} of {pack.name}, which moves {name}, was changed since"
    return touched


# -- did it come out as predicted --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the check after a change compares with what the change predicted. Lengths nm, U for 95 %."""

    change: PartsChanged
    mean_nm: int
    expanded_uncertainty_nm: int
    normalized_error: float
    """E_n; infinite where both are exactly known and differ."""
    as_predicted: bool
    text: str
    settled: bool = True
    """Whether it came out, at once or when it was checked again."""


def _difference(pack: Pack, made: PartsChanged, now: Judged, before: Judged | None, predicted_u: int) -> Distribution:
    """Return what is not known of measured less predicted."""
    if before is None or not now.set_up or before.set_up != now.set_up:
        # The prediction's own distribution is not kept: taking its U as a normal one's claims least.
        return now.verdict.spread.plus([normal(predicted_u / _NORMAL_FACTOR)])
    lines = [line for check in (before, now) for line in check.verdict.budget]
    terms = [term for line in lines if line.source not in OF_THE_INDICATOR for term in line.terms]
    terms += [rectangle(_LOCAL * math.sqrt(3) * line.standard_nm) for line in lines if line.source == "maximum error"]
    for change in made.changes:
        terms += handled_parts(pack.adjusters[change.adjuster], change.before, change.after)
    return Distribution.of(terms)


def outcome(
    pack: Pack, made: PartsChanged, now: Judged, unit: LengthUnit = "mm", before: Judged | None = None
) -> Outcome | None:
    """Compare the check after a change with its prediction; None where nothing was predicted.

    `pack` is the pack as it is fitted after the change, `before` the check that the prediction was made from.
    """
    if made.predicted_nm is None or made.expanded_uncertainty_nm is None:
        return None
    verdict = now.verdict
    difference = verdict.mean_nm - made.predicted_nm
    spread = _difference(pack, made, now, before, made.expanded_uncertainty_nm)
    if before is not None and now.set_up and before.set_up == now.set_up:
        together = spread.half_width(COVERAGE)
    else:
        together = math.hypot(verdict.expanded_uncertainty_nm, made.expanded_uncertainty_nm)
    error = difference / together if together else math.copysign(math.inf, difference) if difference else 0.0
    measured, predicted = format_length(verdict.mean_nm, unit), format_length(made.predicted_nm, unit)
    as_predicted = abs(error) <= 1
    if as_predicted:
        text = f"The change in {pack.name} came out as predicted: {measured}, predicted {predicted}."
    else:
        more = "more" if difference > 0 else "less"
        text = (
            f"The change in {pack.name} did not come out as predicted: {measured} is "
            f"{format_length(abs(difference), unit)} {more} than the predicted {predicted}, beyond what the "
            f"uncertainties allow (E_n {error:+.1f})."
        )
        cause = cause_of_difference(pack, difference, spread, changes=made.changes, unit=unit)
        if cause is not None:
            text += f" It measures as with {cause.text}."
        text += " Look for a wrong part, dirt between the parts or a part left out, then check again."
    return Outcome(made, verdict.mean_nm, verdict.expanded_uncertainty_nm, error, as_predicted, text, as_predicted)


def outcomes(sheet: Sheet, happened: Iterable[Happened]) -> list[Outcome]:
    """Return how every change with a prediction came out at the next check of its pack, in order.

    A prediction is dropped without a word where another change to the pack, or one that moves it, came before that
    check: what it foretold was never built. `sheet` is the sheet as the job began with it. Raises PlanError.
    """
    expected: dict[str, PartsChanged] = {}
    missed: dict[str, int] = {}  # packs unchanged since their change did not come out, and which of those found it is
    found: list[Outcome] = []
    newest: dict[str, Judged] = {}
    from_check: dict[str, Judged] = {}  # what the expected or missed predictions of packs were made from
    for entry in happened:
        if isinstance(entry, PartsChanged):
            for name in _touched(sheet, entry):
                expected.pop(name, None)
                missed.pop(name, None)
            sheet = _with_change(sheet, entry)
            expected[entry.pack] = entry
            from_check.pop(entry.pack, None)
            if entry.pack in newest:
                from_check[entry.pack] = newest[entry.pack]
        elif isinstance(entry, Judged):
            pack, unit = _pack(sheet, entry.pack), sheet.display_unit
            newest[pack.name], before = entry, from_check.get(pack.name)
            if pack.name in expected:
                one = outcome(pack, expected.pop(pack.name), entry, unit, before)
                if one is not None:
                    found.append(one)
                if one is not None and not one.settled:
                    missed[pack.name] = len(found) - 1
            elif pack.name in missed:
                first = found[missed[pack.name]]
                again = outcome(pack, first.change, entry, unit, before)
                if again is not None and again.as_predicted:
                    measured = format_length(again.mean_nm, unit)
                    text = f"{first.text} Checked again, nothing changed: {measured}, as predicted."
                    found[missed.pop(pack.name)] = replace(first, text=text, settled=True)
    return found
