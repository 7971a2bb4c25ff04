"""Where a plant's system listens, and what a bench is called there."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field

from capture.mqtt.settings import BrokerSettings


def _one_level(name: str) -> str:
    """Sparkplug 3.0, tck-id-topic-structure-namespace-valid-group-id, and what MQTT forbids in a topic."""
    if any(character in "+/#" or not character.isprintable() for character in name):
        raise ValueError(f"{name!r} cannot be part of a topic; expected a name without +, /, # and control characters")
    return name


Level = Annotated[str, AfterValidator(_one_level)]


class PlantSettings(BrokerSettings):
    """A broker's settings, with a user of its own, and the names of group and primary host."""

    group: Annotated[Level, Field(min_length=1, max_length=100)]
    """Such as the workshop's name: every bench of it says the same."""
    primary_host: Annotated[Level, Field(max_length=100)] = ""
    """The host without which nothing is told, and everything kept; empty for none."""
