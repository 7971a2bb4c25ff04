"""One job over its record: read it, and write a fact only if nothing stands against it."""
