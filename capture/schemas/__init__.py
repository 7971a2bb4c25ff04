"""The JSON Schema of every MQTT payload, one file a message, written by `python -m capture.schemas`."""
