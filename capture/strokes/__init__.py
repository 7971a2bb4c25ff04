"""Readings in, strokes out: the finder, and the numbers and flags of one stroke. Pure."""
