"""A terminal: cells, large figures, the screen, the keyboard and a scanner on its line."""
