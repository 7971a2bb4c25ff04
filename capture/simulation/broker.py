"""An MQTT broker inside this process, for the demo only: a real shop runs its own.

It listens on 127.0.0.1, lets anybody there in, keeps nothing after it stops, and publishes no `$SYS` topics.
amqtt is imported where it is used, because only the demo needs it.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

_PLUGINS: dict[str, Any] = {
    # Naming the plugins leaves out amqtt's default ones, which log every packet and publish $SYS topics.
    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
}


@asynccontextmanager
async def demo_broker() -> AsyncIterator[int]:
    """Run a broker on a free loopback port; yields the port."""
    from amqtt.broker import Broker
    from amqtt.contexts import BrokerConfig, ListenerConfig

    # It warns about every client that leaves without saying so, which in the demo is no fault.
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    config = BrokerConfig(listeners={"default": ListenerConfig(bind="127.0.0.1:0")}, plugins=_PLUGINS)
    broker = Broker(config, loop=asyncio.get_running_loop())
    await broker.start()
    try:
        yield broker._servers["default"].instance.sockets[0].getsockname()[1]
    finally:
        await broker.shutdown()
