"""A technician working the air valve by hand, and the troubles that befall a stroke: plans, which
`simulated_bench` acts on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from random import Random
from typing import Literal, get_args

from capture.simulation.physics import PackPhysics

Trouble = Literal[
    "glitch",
    "no_return",
    "base_moved",
    "out_of_reach",
    "creep",
    "leak",
    "short_hold",
    "sparse",
    "rezeroed",
    "gap",
]
TROUBLES: tuple[Trouble, ...] = get_args(Trouble)

_NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Technician:
    """Habits at the valve: mean times in seconds, and how much they scatter from stroke to stroke."""

    rest_s: float = 1.3
    """From the pack's return to the next apply."""
    hold_s: float = 1.5
    """From the needle passing two thirds of its way to the release."""
    scatter: float = 0.08
    """Standard deviation of each time, as a part of it."""


@dataclass(frozen=True, slots=True)
class StrokePlan:
    """One stroke to make. Times in nanoseconds; `event_ns` is when its trouble strikes, counted like the hold."""

    n: int
    rest_ns: int
    hold_ns: int
    trouble: Trouble | None = None
    event_ns: int = 0
    size_nm: int = 0
    """How far a glitch misreads or a knocked post moves, signed."""


def plan_strokes(
    technician: Technician, strokes: int, troubles: Mapping[int, Trouble], rng: Random
) -> list[StrokePlan]:
    """Return the plan of `strokes` strokes, numbered from 1; `troubles` says which of them go wrong, and how.

    Raises ValueError for a trouble that is unknown or on a stroke that is not made.
    """
    for number, named in troubles.items():
        if named not in TROUBLES or not 1 <= number <= strokes:
            raise ValueError(
                f"trouble {named!r} on stroke {number}: expected one of {', '.join(TROUBLES)} "
                f"on a stroke from 1 to {strokes}"
            )
    plans = []
    for number in range(1, strokes + 1):
        # Drawn for every stroke alike, so that a trouble on one leaves the others as they were.
        rest_s = technician.rest_s * _human(rng, technician.scatter)
        hold_s = technician.hold_s * _human(rng, technician.scatter)
        sign = rng.choice((-1, 1))
        part = rng.random()
        trouble = troubles.get(number)
        event_s, size_nm = 0.5 * hold_s, 0
        if trouble == "glitch":
            size_nm = sign * round(700_000 + 3_000_000 * part)
        elif trouble == "base_moved":
            size_nm = sign * round(80_000 + 70_000 * part)
        elif trouble == "short_hold":
            hold_s = 0.1
        elif trouble == "leak":
            # Long enough to watch the needle fall.
            hold_s += 0.8
        elif trouble == "gap":
            # Long enough that the stroke is still held on both sides of the silence.
            event_s, hold_s = 0.6, 2.9 + 0.2 * part
        plans.append(
            StrokePlan(
                n=number,
                rest_ns=round(rest_s * _NS_PER_S),
                hold_ns=round(hold_s * _NS_PER_S),
                trouble=trouble,
                event_ns=round(event_s * _NS_PER_S),
                size_nm=size_nm,
            )
        )
    return plans


def troubled_physics(physics: PackPhysics, plan: StrokePlan) -> PackPhysics:
    """Return the pack as it behaves on this stroke."""
    match plan.trouble:
        case "creep":
            # Cold, thick oil: nearly a third of the travel has to be squeezed out, and is not when the air goes.
            return replace(physics, film_nm=round(0.3 * physics.clearance_nm), film_s=1.2)
        case "no_return":
            return replace(physics, stick_nm=round(0.45 * physics.clearance_nm))
        case "leak":
            # The leak grows by the half from the apply to the release, when the cavity only carries the springs at
            # two thirds of the travel.
            held_n = physics.spring_n(0.66 * physics.clearance_nm * 1e-9) - physics.seal_drag_n
            leak = physics.leak_for_pressure(held_n / physics.piston_area_m2)
            seconds = plan.hold_ns / _NS_PER_S
            return replace(physics, leak_conductance=leak / 1.5, leak_growth_per_s=(leak - leak / 1.5) / seconds)
        case _:
            return physics


def _human(rng: Random, scatter: float) -> float:
    return min(max(1.0 + scatter * rng.gauss(0.0, 1.0), 0.6), 1.6)
