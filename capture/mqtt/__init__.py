"""What is said over MQTT, and the connection that says it."""
