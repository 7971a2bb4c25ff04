"""The torques of one pass, one for all bolts or one for each, as the one fact that the record keeps. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from capture.sheet.steps import Torque
from capture.unit.facts import StepDone
from capture.unit.words import torque_words
from drivers.units import parse_torque


def typed_torques(text: str) -> list[int]:
    """Return the torques typed in a line, such as "46 N m; 47 N m", micronewton metres. Raises ValueError."""
    try:
        return [parse_torque(part.strip()) for part in re.split(r";|,\s", text) if part.strip()]
    except ValueError as error:
        if len(re.findall(r"\d+(?:\.\d+)?", text)) < 2:
            raise
        raise ValueError(
            f"{error}. One for each bolt: each with its unit and a semicolon between, such as '46 N m; 47 N m'"
        ) from error


def wrong_count(step: Torque, torques: Sequence[int]) -> str:
    """Say what is wrong with the number of torques for a pass; empty if nothing is."""
    if step.bolt_count is None or len(torques) in (1, step.bolt_count):
        return ""
    return f"{len(torques)} torques for {step.bolt_count} bolts; give one for all, or one for each"


def tightened(step: Torque, done: StepDone, torques: Sequence[int], wrench: str = "") -> StepDone:
    """Return the step done with the torque farthest from its value, and all of them in the note.

    `wrench` says at which port they were read; empty where a person entered them.
    """
    notes = [done.note] if done.note else []
    notes += [f"wrench at {wrench}"] if wrench else []
    notes += [", ".join(torque_words(step, torque) for torque in torques)] if len(torques) > 1 else []
    farthest = max(torques, key=lambda torque: abs(torque - (step.value_unm or 0)))
    return replace(done, torque_unm=farthest, note="; ".join(notes))
