"""The JSON Schema of every MQTT payload, one file a message, and the AsyncAPI document of them all.

`python -m tests.support.make_schemas` writes them.
"""
