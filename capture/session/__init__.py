"""A technician in front of a bench: screens, keys and scans."""
