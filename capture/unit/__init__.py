"""One unit's way to its sign-off: facts, changes, what is fitted, what needs a re-check, what is open. Pure."""
