"""On a terminal no line breaks within a word; a pipe gets every line as it is."""

from __future__ import annotations

import io

import pytest

from capture.plumbing.outward import say, say_json, warn


class Tty(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("tell", [say, warn])
def test_a_line_too_long_for_its_terminal_is_broken_between_words(
    tell: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert callable(tell)
    for kind, broken in ((Tty, True), (io.StringIO, False)):
        out = kind()
        monkeypatch.setattr("sys.stdout", out)
        monkeypatch.setattr("sys.stderr", out)
        monkeypatch.setenv("COLUMNS", "30")
        tell("    the least clearance and the greatest one\nshort")
        said = out.getvalue().splitlines()
        assert said == (
            ["    the least clearance and", "    the greatest one", "short"]
            if broken
            else ["    the least clearance and the greatest one", "short"]
        )


def test_an_object_stays_one_line_on_every_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    out = Tty()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setenv("COLUMNS", "20")
    say_json({"text": "a verdict in many words"})
    assert out.getvalue() == '{"text": "a verdict in many words"}\n'
