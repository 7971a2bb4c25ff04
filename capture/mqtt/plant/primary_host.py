"""Whether the plant's primary host is there, by what it says of itself. Pure.

Theory. A host says so in a retained message on spBv1.0/STATE/HOST, `{"online": true, "timestamp": ms}`, and its will
says the opposite with the timestamp of its CONNECT. A message older than the newest is a late one, of a session that is
over (Sparkplug 3.0, tck-id-message-flow-edge-node-birth-publish-phid-wait-timestamp).
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from capture.mqtt.plant.edge_node import NAMESPACE


class _State(BaseModel):
    model_config = ConfigDict(strict=True)

    online: bool
    timestamp: int = Field(ge=0)


class PrimaryHost:
    """What is known of the host `name` across connections; without a name there is none to wait for."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.there = not name
        self.left = False
        """Whether it went away since the connection began, be it back or not."""
        self._newest = -1

    @property
    def topics(self) -> list[str]:
        """What to subscribe to."""
        return [f"{NAMESPACE}/STATE/{self.name}"] if self.name else []

    def connects(self) -> None:
        """A new connection begins: whether the host is there is not known before it says so."""
        self.there, self.left = not self.name, False

    def heard(self, state: bytes) -> None:
        """Take what arrived on its topic; what is no such message, or a late one, says nothing."""
        try:
            said = _State.model_validate_json(state)
        except ValidationError:
            return
        if said.timestamp >= self._newest:
            self.left = self.left or (self.there and not said.online)
            self.there, self._newest = said.online, said.timestamp
