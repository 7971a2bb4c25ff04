"""The technician's screens: pure pictures of a bench's view."""
