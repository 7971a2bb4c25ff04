"""What checks against masters say of a gauge: its error, also over the range, its spread, its mornings' level. Pure."""
