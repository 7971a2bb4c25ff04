"""A real terminal for tests: a private tmux server with one pane that runs a plain shell."""

from __future__ import annotations

import itertools
import os
import shlex
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

__all__ = ["Terminal", "until"]

_REPOSITORY = Path(__file__).resolve().parents[2]
_NUMBERS = itertools.count()
_DEADLINE_S = 60.0


def until(condition: Callable[[], bool], what: Callable[[], str], deadline_s: float = _DEADLINE_S) -> None:
    """Poll until `condition` holds; fail with what is there instead once the deadline has passed."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            raise AssertionError(f"not within {deadline_s} s; there is instead:\n{what()}")
        time.sleep(0.02)


class Terminal:
    """One tmux pane of `columns` by `lines`, on a server of its own that ends with the `with` block."""

    def __init__(self, columns: int, lines: int, **environment: str) -> None:
        self.columns, self.lines = columns, lines
        self._server = f"strokelog-test-{os.getpid()}-{next(_NUMBERS)}"
        self._environment = {
            "PATH": os.environ["PATH"],
            "HOME": os.environ.get("HOME", "/"),
            "LANG": "C.UTF-8",
            "PYTHONPATH": str(_REPOSITORY),
            **environment,
        }

    def tmux(self, *arguments: str) -> str:
        """Run one tmux command on the private server and return what it printed."""
        command = ["tmux", "-u", "-L", self._server, "-f", os.devnull, *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=True, env=self._environment, timeout=60)
        return done.stdout

    def __enter__(self) -> Terminal:
        size = ["-x", str(self.columns), "-y", str(self.lines)]
        self.tmux("new-session", "-d", *size, "-c", str(_REPOSITORY), "sh")
        try:
            self.tmux("set-option", "-g", "status", "off")
            self.resize(self.columns, self.lines)
            until(lambda: self.text().strip() != "", self.text)
        except BaseException:
            self.tmux("kill-server")
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.tmux("kill-server")

    def resize(self, columns: int, lines: int) -> None:
        """Give the pane another size, as a person does with a window."""
        self.tmux("resize-window", "-x", str(columns), "-y", str(lines))

    def run(self, module: str, *arguments: str) -> None:
        """Type a command that runs a Python module, with this interpreter."""
        self.keys(shlex.join([sys.executable, "-m", module, *arguments]), "Enter")

    def keys(self, *keys: str) -> None:
        """Press keys, in tmux's spelling."""
        self.tmux("send-keys", *keys)

    def text(self, styled: bool = False) -> str:
        """Return what the pane shows, with its escape sequences if `styled`."""
        return self.tmux("capture-pane", "-p", *(["-e"] if styled else []))

    def wait_for(self, text: str) -> str:
        """Wait until the pane shows `text` and return all it shows."""
        until(lambda: text in self.text(), self.text)
        return self.text()

    def wait_for_shell(self) -> None:
        """Wait until the command has ended and the shell reads again."""
        until(lambda: not self.children(), self.text)

    def children(self) -> list[int]:
        """Return the process ids that the pane's shell has started and that still run."""
        shell = int(self.format("#{pane_pid}"))
        found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(shell)], capture_output=True, text=True, timeout=60)
        return [int(pid) for pid in found.stdout.split()]

    def format(self, expression: str) -> str:
        """Return what tmux knows about the pane, such as '#{alternate_on}'."""
        return self.tmux("display-message", "-p", expression).strip()

    def settings(self) -> list[str]:
        """Return the words of `stty -a` for the pane's terminal."""
        done = subprocess.run(
            ["stty", "-F", self.format("#{pane_tty}"), "-a"], capture_output=True, text=True, check=True, timeout=60
        )
        return done.stdout.replace(";", " ").split()
