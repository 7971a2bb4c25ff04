"""How a link to a port or a broker stands."""

from __future__ import annotations

from typing import Literal

LinkState = Literal["up", "connecting", "down", "off"]
