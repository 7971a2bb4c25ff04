"""Wire forms decoded many readings at once with NumPy, off the streaming path; nothing else."""
