"""What the bolts of a torque pass were tightened to, for `unit step`: as it was typed, or as a wrench says it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from capture.cli.options import fail, pairs
from capture.plumbing.outward import warn

if TYPE_CHECKING:
    from capture.job.unit_on_record import UnitOnRecord
    from capture.sheet.steps import Torque
    from capture.unit.facts import Fact, StepDone
    from drivers.torque import TorqueSettings


def wrench_settings(words: list[str] | None) -> TorqueSettings:
    """Return how a wrench's port is set, given as KEY=VALUE."""
    from pydantic import ValidationError

    from capture.plumbing.wrong_values import wrong_values
    from drivers.torque import TorqueSettings

    try:
        return TorqueSettings.model_validate(pairs(words))
    except ValidationError as error:
        fail(f"--set {wrong_values(error, TorqueSettings)[0]}", 2)


def tightened_to(
    unit: UnitOnRecord,
    done: StepDone,
    typed: str,
    wrench: str | None,
    settings: TorqueSettings,
    wait: float,
    need: Callable[[Fact], None],
) -> StepDone:
    """Return the step done with the torque farthest from its value, and all of them in the note. `need` ends the
    command with what stands against a fact."""
    from dataclasses import replace

    from capture.sheet.steps import Torque
    from capture.unit.torques import tightened, typed_torques, wrong_count

    step = unit.sheet.steps[done.step]
    if not isinstance(step, Torque):
        fail(f"step {done.step + 1} ({step.title}) is no torque pass; confirm it without a torque")
    torques: list[int] = []
    try:
        torques = typed_torques(typed, step.written_unit)
    except ValueError as error:
        fail(f"--value: {error}", 2)
    if wrench is not None:
        need(replace(done, torque_unm=step.value_unm or 1))  # before anybody tightens anything
        torques = _from_wrench(step, wrench, settings, wait)
    elif wrong := wrong_count(step, torques):
        fail(f"{wrong} (--value)", 2)
    for torque in torques:
        need(replace(done, torque_unm=torque))
    return tightened(step, done, torques, wrench or "")


def _from_wrench(step: Torque, port: str, settings: TorqueSettings, wait: float) -> list[int]:
    """Read a tightening for each bolt, saying each as it comes; one short of the tolerance is not the last pull."""
    import asyncio
    from contextlib import aclosing

    from capture.unit.words import torque_words
    from drivers.torque import LEAST_UNM
    from drivers.wrench import tightenings

    bolts = step.bolt_count or 1
    floor_unm = max(LEAST_UNM, (step.value_unm or 0) // 10)

    asked = f"{step.title}: {step.details()}. Tighten {f'{bolts} bolts' if bolts > 1 else 'now'}; Ctrl-C gives up."

    async def read() -> list[int]:
        torques: list[int] = []
        peaks = tightenings(port, settings, wait_s=wait, floor_unm=floor_unm, opened=lambda: warn(asked))
        async with aclosing(peaks):
            async for torque in peaks:
                short = step.value_unm is not None and torque < step.value_unm
                if short and step.allows(torque) is False:
                    warn(f"{torque_words(step, torque)}: short of {step.window()}, go on")
                    continue
                torques.append(torque)
                warn(f"{len(torques)} of {bolts}: {torque_words(step, torque)}")
                if len(torques) >= bolts or step.allows(torque) is False:
                    return torques
        return torques

    return asyncio.run(read())
