"""What is known of the air at one moment, and what follows from it in words; the fixture that it comes through."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from capture.air.safety import Fault, Safety, SafetyLimits, State
from drivers.units import PressureUnit
from drivers.wirings.protocol import FixtureDriver, FixtureSettings

Way = Literal["hold", "press"]


@dataclass(frozen=True, slots=True)
class FixtureSetup:
    """The fixture of a bench: its wiring, its port, and how the button works it."""

    driver: FixtureDriver
    settings: FixtureSettings
    port: str
    way: Way = "hold"
    pressure_unit: PressureUnit = "kPa"
    """What pressures are told in."""

    @property
    def limits(self) -> SafetyLimits:
        """What this fixture allows."""
        limits = SafetyLimits(over_pressure_pa=self.settings.over_pressure, pressure_unit=self.pressure_unit)
        return replace(
            limits,
            heartbeat_ns=limits.heartbeat_ns if self.driver.has_heartbeat else None,
            pressure_ns=limits.pressure_ns if self.driver.measures_pressure(self.settings) else None,
        )


@dataclass(frozen=True, slots=True)
class AirStanding:
    """The air as others are told of it: no figures and no single apply, so that it changes seldom."""

    word: Literal["unarmed", "armed", "tripped", "stopped"]
    faults: tuple[Fault, ...]


_STANDING: dict[State, Literal["unarmed", "armed", "tripped", "stopped"]] = {
    State.UNARMED: "unarmed",
    State.ARMED: "armed",
    State.APPLIED: "armed",
    State.TRIPPED: "tripped",
    State.STOPPED: "stopped",
}


class Air:
    """The air of one bench, as whoever holds this knows it."""

    def __init__(self, setup: FixtureSetup) -> None:
        self.setup = setup
        self.safety = Safety(setup.limits)
        self.said = ""
        """What the cycle last told the technician."""
        self.in_vain = ""
        """What the last press of the button could not do, and why; empty once the air is armed or taken off."""
        self.port_text = ""
        """Why the fixture's port is down, in words; empty while it is up."""
        self.makes_strokes = False
        """Whether a run makes the strokes by itself after one press."""
        self.button_known = False
        """Whether the fixture has said how its button stands."""

    @property
    def standing(self) -> AirStanding:
        """The air as others are told of it."""
        return AirStanding(_STANDING[self.safety.state], self.safety.faults())

    @property
    def may_come(self) -> bool:
        """Whether the air can come at any moment, or is there."""
        return self.safety.state in (State.ARMED, State.APPLIED)

    def fault_words(self) -> str:
        """Return why there can be no air and what to do, empty where nothing but arming is missing."""
        if self.safety.trip or not self.safety.faults():
            return self.safety.trip
        return " ".join(self.safety.against_arming())

    def as_told(self) -> dict[str, Any]:
        """Return all of it but the setup as plain data, for `take_over` at another place."""
        safety = asdict(self.safety)
        del safety["limits"]
        return {
            "safety": {**safety, "state": self.safety.state.value},
            "said": self.said,
            "in_vain": self.in_vain,
            "port_text": self.port_text,
            "makes_strokes": self.makes_strokes,
            "button_known": self.button_known,
        }

    def take_over(self, told: dict[str, Any]) -> None:
        """Know from now on what another, set up alike, has told with `as_told`."""
        told = dict(told)
        facts = dict(told.pop("safety"))
        self.safety = Safety(self.safety.limits, State(facts.pop("state")), **facts)
        for name, value in told.items():
            setattr(self, name, value)
