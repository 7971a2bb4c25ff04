"""One small decoder a wire form: bytes in, readings out, no I/O. `registry` finds them by name."""
