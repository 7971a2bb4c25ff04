"""What the bench does with readings: strokes, verdicts, checks, the record, and the screens."""

__version__ = "0.3.0"
