"""The torque line of an entry, filled by a wrench at a port while it is open; a person signs what it read."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import aclosing
from dataclasses import dataclass

from capture.dashboard.form import Form
from capture.sheet.steps import Torque
from drivers.torque import LEAST_UNM, TorqueSettings
from drivers.units import format_torque
from drivers.wrench import tightenings

#: How long an entry waits for a tightening. Whoever needs longer opens it again.
_WAIT_S = 1800.0


@dataclass(frozen=True, slots=True)
class WrenchSetup:
    """The torque wrench of a bench: its port, and how its lines are read."""

    port: str
    settings: TorqueSettings


class WrenchField:
    """Listens from when it is made until `close`."""

    def __init__(self, setup: WrenchSetup, form: Form, step: Torque, changed: Callable[[], None]) -> None:
        """`form` has a line "torque"; `changed` is called when it was filled, or has a problem to show."""
        self.port = setup.port
        self.torques: list[int] = []
        """What was read, micronewton metres: the newest pull of each bolt."""
        self._setup, self._form, self._step, self._changed = setup, form, step, changed
        form.said = (*form.said, f"Or tighten: the wrench at {setup.port} is listened to.")
        self._task = asyncio.create_task(self._hear(), name="wrench")

    @property
    def text(self) -> str:
        """What was read, as it stands in the line."""
        return "; ".join(format_torque(torque, self._step.unit) for torque in self.torques)

    def again(self) -> None:
        """What was read will not do: it is tightened, and read, again."""
        self.torques = []
        self._form.put("torque", "")

    def close(self) -> None:
        """Listen no more."""
        self._task.cancel()

    async def _hear(self) -> None:
        form, step = self._form, self._step
        floor_unm = max(LEAST_UNM, (step.value_unm or 0) // 10)
        try:
            peaks = tightenings(self.port, self._setup.settings, wait_s=_WAIT_S, floor_unm=floor_unm)
            async with aclosing(peaks):
                async for torque in peaks:
                    short = step.value_unm is not None and torque < step.value_unm
                    if short and step.allows(torque) is False:
                        form.problem = f"{format_torque(torque, step.unit)} is short of {step.window()}: go on"
                    else:
                        self.torques = [*self.torques, torque][-(step.bolt_count or 1) :]
                        form.problem = ""
                        form.put("torque", self.text)
                    self._changed()
        except ConnectionError as error:
            form.problem = f"{error}. The torque can be typed."
            self._changed()
