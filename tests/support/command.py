"""The command `strokelog` in this process, which spares the second that a process of its own takes to begin.

What a process alone shows (signals, a pipe whose reader leaves, what is brought in) is claimed of one, where it is.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tempfile

import pytest

from capture.cli.main import main

__all__ = ["run_command"]


def run_command(*words: object, stdin: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run the console script as a shell would with these words, this input and environment, none of it a terminal."""
    argv = ["strokelog", *map(str, words)]
    out, err = (
        io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors=errors, write_through=True)
        for errors in ("strict", "backslashreplace")
    )
    code: object = 0
    # What is read from is a file, as there are commands that ask for its number.
    with pytest.MonkeyPatch.context() as patch, tempfile.TemporaryFile() as given:
        given.write(stdin)
        given.seek(0)
        for name, value in environment.items():
            patch.setenv(name, value)
        patch.setattr(sys, "argv", argv)
        patch.setattr(sys, "stdin", io.TextIOWrapper(given, encoding="utf-8"))
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", err)
        try:
            main()
        except SystemExit as ended:
            code = ended.code
    assert code is None or isinstance(code, int), code
    said = [stream.buffer.getvalue() for stream in (out, err)]  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(argv, code or 0, *said)
