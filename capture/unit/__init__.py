"""One unit's way to its sign-off: facts, changes, what is fitted, what is stale, what is open. Pure."""
