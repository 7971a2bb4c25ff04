"""The air valve and its pressure: what the air did, whether the valve may open, the button, and the fixture's port."""
