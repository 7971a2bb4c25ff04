"""What a bench says to a plant's system: Eclipse Sparkplug B 3.0, beside the messages of its own."""
