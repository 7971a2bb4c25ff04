"""A bench as a service of its machine: its files put where systemd, udev and people look, kept right, taken away."""
