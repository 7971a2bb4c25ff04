"""The true piston travel of a clutch pack under air, time-stepped. No clocks, no noise, no indicator, no I/O.

Theory of operation. Air from a regulated supply passes an orifice into the apply cavity; the cavity grows as the
piston moves. The piston carries the return springs, the drag of its moving seals, a cushion (wave) spring if there is
one, and, once the clearance is taken up, the plates: a stiff, damped contact behind a film of oil that squeezes out
slowly. Opening the valve connects the supply; closing it connects the exhaust. A leak path bleeds the cavity always.

- Orifices: ISO 6358-1, sonic conductance C and critical pressure ratio b; choked below b, elliptic above it.
- Cavity: ideal gas at constant temperature, V dp/dt = R T q_m - p dV/dt. ISO 6358 states C at 100 kPa and 293.15 K,
  so R T q_m is C times 100 kPa times the upstream pressure times the flow function.
- Oil film: Stefan 1874 and Reynolds 1886 give dh/dt proportional to the load for parallel faces. The cube of h in
  their law suits smooth faces; grooved, porous friction material drains at a rate nearer to h itself, so here
  dh/dt = -(h / tau) (load / settled load), which leaves an exponential tail (a simplification, common practice).
- Seals: Coulomb plus viscous drag. The Coulomb part takes speed away but never reverses it (an implicit step), so a
  piston at rest stays at rest until the net force exceeds the drag.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: The longest step that `PistonSimulator.step` takes.
MAX_STEP_S = 0.001

_ATMOSPHERE_PA = 101_325.0
#: ISO 6358-1 reference atmosphere.
_REFERENCE_PA = 100_000.0
#: Above this pressure ratio the flow function is made linear, because its slope is endless at a ratio of one.
_LINEAR_RATIO = 0.995
#: A piston faster than this is stepped finely, so that the plates' contact is resolved.
_SLOW_M_PER_S = 0.0005
_FINE_STEP_S = 0.0001
#: A jammed piston is free again once air has moved it this far.
_FREED_M = 10e-6


@dataclass(frozen=True, slots=True)
class PackPhysics:
    """What one clutch pack is made of. `clearance_nm` is the settled travel at `supply_pa`: the ground truth.

    Pressures are gauge pascals; conductances are ISO 6358 sonic conductances in m3/(s Pa)
    (1 dm3/(s bar) = 1e-8 m3/(s Pa)). Raises ValueError where the air could not close the pack.
    """

    clearance_nm: int = 1_100_000
    supply_pa: float = 140_000.0
    piston_area_m2: float = 0.008
    moving_mass_kg: float = 1.2
    spring_preload_n: float = 260.0
    spring_rate_n_per_m: float = 120_000.0
    seal_drag_n: float = 8.0
    seal_viscous_n_s_per_m: float = 800.0
    contact_stiffness_n_per_m: float = 2.0e7
    contact_damping_n_s_per_m: float = 2_500.0
    cushion_nm: int = 0
    """How much of the travel's end the cushion spring works over; it lies flat when the pack is closed."""
    cushion_rate_n_per_m: float = 0.0
    film_nm: int = 35_000
    """Oil held between the plates, to be squeezed out in the last part of the travel."""
    film_s: float = 0.08
    film_refill_s: float = 0.25
    dead_volume_m3: float = 60e-6
    """Hose, passages and cavity at rest."""
    supply_conductance: float = 1.2e-9
    exhaust_conductance: float = 2.5e-9
    critical_ratio: float = 0.3
    leak_conductance: float = 0.0
    leak_growth_per_s: float = 0.0
    """Conductance that a failing seal gains each second the valve is open, on top of `leak_conductance`."""
    rest_error_nm: int = 0
    """How far from its stop the piston comes to rest after a stroke, held off by the set of its seals."""
    stick_nm: int | None = None
    """Travel at which the seals jam on the way back, until the next apply."""

    def __post_init__(self) -> None:
        if not 0 <= self.film_nm < self.clearance_nm or not 0 <= self.cushion_nm <= self.clearance_nm:
            raise ValueError(
                f"film {self.film_nm} nm and cushion {self.cushion_nm} nm must lie within the clearance of "
                f"{self.clearance_nm} nm"
            )
        if self.settled_load_n <= 0:
            raise ValueError(
                f"{self.supply_pa:.0f} Pa cannot close the pack: the springs and seals outweigh it by "
                f"{-self.settled_load_n:.0f} N; raise supply_pa or soften the springs"
            )

    def spring_n(self, travel_m: float) -> float:
        """Return the force of return and cushion springs at `travel_m` metres, newtons."""
        cushion_m = max(0.0, travel_m - (self.clearance_nm - self.cushion_nm) * 1e-9)
        return (
            self.spring_preload_n
            + self.spring_rate_n_per_m * travel_m
            + self.cushion_rate_n_per_m * min(cushion_m, self.cushion_nm * 1e-9)
        )

    @property
    def settled_load_n(self) -> float:
        """The force that clamps the plates when all is settled at `supply_pa`, newtons."""
        clearance_m = self.clearance_nm * 1e-9
        return self.supply_pa * self.piston_area_m2 - self.spring_n(clearance_m) - self.seal_drag_n

    def leak_for_pressure(self, held_pa: float) -> float:
        """Return the leak conductance that balances the open supply at a cavity of `held_pa` gauge, m3/(s Pa)."""
        held, supply = held_pa + _ATMOSPHERE_PA, self.supply_pa + _ATMOSPHERE_PA
        inflow = orifice_flow(self.supply_conductance, supply, held, self.critical_ratio)
        return inflow / orifice_flow(1.0, held, _ATMOSPHERE_PA, self.critical_ratio)


def orifice_flow(conductance: float, up_pa: float, down_pa: float, critical_ratio: float) -> float:
    """Return the flow through an orifice in Pa m3/s (R T times mass flow), negative if it runs backwards.

    ISO 6358-1: choked below the critical pressure ratio, else times sqrt(1 - ((r - b) / (1 - b))^2). Absolute pascals.
    """
    if down_pa > up_pa:
        return -orifice_flow(conductance, down_pa, up_pa, critical_ratio)
    choked = conductance * _REFERENCE_PA * up_pa
    ratio = down_pa / up_pa
    if ratio <= critical_ratio:
        return choked
    span = 1.0 - critical_ratio
    if ratio <= _LINEAR_RATIO:
        part = (ratio - critical_ratio) / span
        return choked * math.sqrt(1.0 - part * part)
    part = (_LINEAR_RATIO - critical_ratio) / span
    return choked * math.sqrt(1.0 - part * part) * (1.0 - ratio) / (1.0 - _LINEAR_RATIO)


class PistonSimulator:
    """Steps one pack's piston through time. Starts released, at its stop, with the cavity empty."""

    def __init__(self, physics: PackPhysics) -> None:
        self._travel_m = 0.0
        self._speed_m_per_s = 0.0
        self._pressure_pa = _ATMOSPHERE_PA
        self._film_m = physics.film_nm * 1e-9
        self._open_s = 0.0
        self._stop_m = 0.0
        self._jam_m = 0.0
        self.retune(physics)

    @property
    def travel_nm(self) -> float:
        """How far the piston is from its stop, nanometres."""
        return self._travel_m * 1e9

    @property
    def pressure_pa(self) -> float:
        """The cavity's gauge pressure, pascals."""
        return self._pressure_pa - _ATMOSPHERE_PA

    @property
    def speed_nm_per_s(self) -> float:
        """The piston's speed, positive while applying."""
        return self._speed_m_per_s * 1e9

    def retune(self, physics: PackPhysics) -> None:
        """Go on from the present state with other parts or other trouble."""
        self.physics = physics
        clearance_m = physics.clearance_nm * 1e-9
        self._settled_n = physics.settled_load_n
        self._solid_m = clearance_m - self._settled_n / physics.contact_stiffness_n_per_m
        self._film_m = min(self._film_m, physics.film_nm * 1e-9) if self._travel_m else physics.film_nm * 1e-9
        self._half_m = clearance_m / 2

    def free(self) -> None:
        """Let a jammed piston go, as taking the pack apart does."""
        self._jam_m = 0.0

    def step(self, dt_s: float, valve_open: bool) -> tuple[float, float]:
        """Go on by `dt_s` seconds (at most MAX_STEP_S); return travel in nm and cavity gauge pressure in Pa."""
        if not 0 < dt_s <= MAX_STEP_S:
            raise ValueError(f"a step of {dt_s} s is not within 0 and {MAX_STEP_S} s")
        self._open_s = self._open_s + dt_s if valve_open else 0.0
        fine = 1
        if abs(self._speed_m_per_s) > _SLOW_M_PER_S:
            fine = max(1, math.ceil(dt_s / _FINE_STEP_S - 1e-9))
        for _ in range(fine):
            self._advance(dt_s / fine, valve_open)
        return self._travel_m * 1e9, self._pressure_pa - _ATMOSPHERE_PA

    def _advance(self, dt: float, valve_open: bool) -> None:
        pack = self.physics
        travel, speed, pressure = self._travel_m, self._speed_m_per_s, self._pressure_pa

        # Air: what flows in and out, less what the moving piston makes room for.
        if valve_open:
            supply = pack.supply_pa + _ATMOSPHERE_PA
            flow = orifice_flow(pack.supply_conductance, supply, pressure, pack.critical_ratio)
        else:
            flow = orifice_flow(pack.exhaust_conductance, _ATMOSPHERE_PA, pressure, pack.critical_ratio)
        leak = pack.leak_conductance + pack.leak_growth_per_s * self._open_s
        if leak:
            flow -= orifice_flow(leak, pressure, _ATMOSPHERE_PA, pack.critical_ratio)
        volume = pack.dead_volume_m3 + pack.piston_area_m2 * travel
        pressure += dt * (flow - pressure * pack.piston_area_m2 * speed) / volume

        # Forces. Damping and contact stiffness enter implicitly, so that a stiff pack cannot make the step unstable.
        force = (pressure - _ATMOSPHERE_PA) * pack.piston_area_m2 - pack.spring_n(travel)
        damping, stiffness = pack.seal_viscous_n_s_per_m, pack.spring_rate_n_per_m
        pressed_m = travel - (self._solid_m - self._film_m)
        if pressed_m > 0:
            force -= pack.contact_stiffness_n_per_m * pressed_m
            damping += pack.contact_damping_n_s_per_m
            stiffness += pack.contact_stiffness_n_per_m
        resisted = pack.moving_mass_kg + dt * damping + dt * dt * stiffness
        speed = (pack.moving_mass_kg * speed + dt * force) / resisted
        drag = dt * pack.seal_drag_n / resisted
        speed = 0.0 if abs(speed) <= drag else speed - math.copysign(drag, speed)

        before, travel = travel, travel + dt * speed
        if travel > self._half_m:
            self._stop_m = pack.rest_error_nm * 1e-9
        if pack.stick_nm is not None and not valve_open and before >= pack.stick_nm * 1e-9:
            self._jam_m = pack.stick_nm * 1e-9
        elif travel > self._jam_m + _FREED_M:
            self._jam_m = 0.0
        stop = max(self._stop_m, self._jam_m)
        if travel < stop:
            travel, speed = min(stop, before), 0.0

        # Oil: squeezed out under load, drawn back in when the plates stand apart.
        if pressed_m > 0:
            load = pack.contact_stiffness_n_per_m * pressed_m / self._settled_n
            self._film_m -= self._film_m * min(1.0, dt * load / pack.film_s)
        else:
            self._film_m += (pack.film_nm * 1e-9 - self._film_m) * dt / pack.film_refill_s

        self._travel_m, self._speed_m_per_s, self._pressure_pa = travel, speed, pressure
