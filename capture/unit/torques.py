"""The torques of one pass, one for all bolts or one for each, as the one fact that the record keeps. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from capture.sheet.steps import Torque
from capture.unit.facts import StepDone
from capture.unit.words import torque_words
from drivers.units import parse_torque, split_values, unm_per_unit, with_unit

#: So far from the sheet's value, a torque was typed wrong more often than it was reached (common practice).
_FAR = Fraction(1, 4)


def typed_torques(text: str, unit: str = "") -> list[int]:
    """Return the torques typed in a line, such as "46 47 46.5" or "46 N m; 47 N m", micronewton metres.

    A number alone is in the sheet's unit; where the sheet names none, in the unit at the end of the line. Raises
    ValueError, also where some have another unit and some have none.
    """
    parts = split_values(text)
    units = [part.lstrip("+-0123456789. ").strip() for part in parts]
    named = [one for one in units if one]
    if named and len(named) < len(units):
        if not unit and named == units[-1:]:
            unit = named[0]
        elif not unit or any(unm_per_unit(one) != unm_per_unit(unit) for one in named):
            raise ValueError(f"{text!r} has units for some bolts and not for others; give all of them one, or none")
    return [parse_torque(with_unit(part, unit) if unit else part) for part in parts]


def torques_far_off(step: Torque, torques: Sequence[int]) -> str:
    """Return the torques that lie so far from the step's value that they ask for a second look; empty for none."""
    value = step.value_unm
    if not value:
        return ""
    far = [torque for torque in torques if abs(torque - value) > _FAR * value]
    return ", ".join(dict.fromkeys(torque_words(step, torque) for torque in far))


def wrong_count(step: Torque, torques: Sequence[int]) -> str:
    """Say what is wrong with the number of torques for a pass; empty if nothing is."""
    if step.bolt_count is None or len(torques) in (1, step.bolt_count):
        return ""
    return f"{len(torques)} torques for {step.bolt_count} bolts; give one for all, or one for each"


def tightened(
    step: Torque, done: StepDone, torques: Sequence[int], wrench: str = "", asked: Sequence[str] = ()
) -> StepDone:
    """Return the step done with the torque farthest from its value, and all of them in the note.

    `wrench` says at which port they were read; empty where a person entered them. `asked` are the far-off torques that
    were typed and asked about before these.
    """
    notes = [done.note] if done.note else []
    notes += [f"typed before, and asked about: {one}" for one in asked]
    notes += [f"wrench at {wrench}"] if wrench else []
    notes += [", ".join(torque_words(step, torque) for torque in torques)] if len(torques) > 1 else []
    notes += [f"one for all {step.bolt_count} bolts"] if len(torques) == 1 < (step.bolt_count or 1) else []
    farthest = max(torques, key=lambda torque: abs(torque - (step.value_unm or 0)))
    return replace(done, torque_unm=farthest, note="; ".join(notes))
