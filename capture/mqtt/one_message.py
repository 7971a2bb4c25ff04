"""Says one thing to a broker and leaves: for commands that run and end, with no outbox behind them."""

from __future__ import annotations

import aiomqtt

from capture.mqtt.connection import let_in, refusal_in_words
from capture.mqtt.settings import BrokerSettings


async def publish_retained(settings: BrokerSettings, topic: str, payload: str, *, who: str) -> None:
    """Publish a retained message and wait until the broker acknowledged it. Raises ConnectionError, in words."""
    options = let_in(settings)
    host, port = settings.address
    newer = settings.mqtt_version == "5"
    version = aiomqtt.ProtocolVersion.V5 if newer else aiomqtt.ProtocolVersion.V311
    try:
        async with aiomqtt.Client(host, port, protocol=version, keepalive=settings.keepalive, **options) as client:
            await client.publish(topic, payload, qos=1, retain=True)
    except aiomqtt.MqttError as error:
        raise ConnectionError(refusal_in_words(settings, error, options, who=who, was_up=False)) from error
