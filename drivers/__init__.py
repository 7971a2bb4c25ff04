"""What touches hardware, and nothing else: byte streams, wire forms, and the readings they carry."""
