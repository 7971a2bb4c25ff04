"""What checks against masters say of a gauge: its error, its spread, its level over the mornings, its play. Pure."""
