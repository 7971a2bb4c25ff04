"""One file a schema version. A published step is never edited: the next change is the next file."""
