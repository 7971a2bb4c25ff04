"""Keeping a record: proving it, backing it up, putting it back, pruning recordings."""
