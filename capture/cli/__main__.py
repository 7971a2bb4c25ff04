"""`python -m capture.cli`."""

from __future__ import annotations

from capture.cli.main import main

main()
