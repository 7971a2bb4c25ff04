"""The ways of measuring that were frozen, at work: each runs from its archive, in a process of its own, where nothing
of the present program is in its way.

An archive holds every module that a recording, a sheet and the ledger pass through from bytes to verdict, as it was
when its number was given away. What it needs beside is Python and the libraries of the installation; its golden file,
of answers it gave when it was frozen, tells in the tests where one of those would change a number.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Protocol, Self

from capture.clearance.gauge.facts import GaugeEntry, body_of, kind_of
from capture.custody.derivation import Derivation, Plain, plain
from capture.strokes import methods
from capture.strokes.methods import METHOD

#: What the process runs: its modules come from the archive alone, whatever else is installed or lies around.
_RUN: Final = (
    "import sys; sys.path.insert(0, sys.argv[1]); import capture; "
    "assert capture.__file__.startswith(sys.argv[1]), capture.__file__; "
    "from capture.custody.derivation import main; main()"
)
_STOPS_WITHIN_S: Final = 5.0


class MethodError(Exception):
    """A way of measuring cannot be asked; the text says why, and what to do."""


class MeasuringWay(Protocol):
    """A way of measuring, at work."""

    def answer(self, asked: Mapping[str, Any]) -> Plain:
        """Answer a question of `derivation`."""


def archive_of(number: int) -> Path:
    """Return where a frozen way of measuring is, if it is there."""
    return Path(methods.__file__).parent / f"method-{number}.zip"


class FrozenMethod:
    """A frozen way of measuring, in its process. Raises MethodError where it is not here, or ends."""

    def __init__(self, number: int, gauges: Sequence[GaugeEntry] = ()) -> None:
        """`gauges` is what the ledger says of the shop's gauges, in its order."""
        self._number = number
        place = archive_of(number)
        if number not in methods.FROZEN:
            known = ", ".join(str(one) for one in sorted({*methods.FROZEN, METHOD}))
            raise MethodError(
                f"this strokelog has no method {number} (it has {known}); prove the record with the one that wrote "
                "it, or a later one"
            )
        try:
            found = hashlib.sha256(place.read_bytes()).hexdigest()
        except OSError as error:
            raise MethodError(f"method {number} cannot be read: {error.strerror}; install strokelog again") from error
        if found != methods.FROZEN[number]:
            raise MethodError(f"method {number} is not what was frozen ({place} was changed); install strokelog again")
        # -P: a folder that somebody stands in has no say in what is imported.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _RUN, str(place)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
        )
        self._tell([_told(one) for one in gauges])

    def answer(self, asked: Mapping[str, Any]) -> Plain:
        """Answer a question of `derivation`."""
        self._tell(asked)
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        if not line.endswith("\n"):
            raise self._ended()
        found: Plain = json.loads(line)
        return found

    def _tell(self, value: object) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(json.dumps(value, default=str) + "\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            raise self._ended() from None

    def _ended(self) -> MethodError:
        return MethodError(
            f"method {self._number} ended (code {self._process.wait(_STOPS_WITHIN_S)}); what it said is above"
        )

    def close(self) -> None:
        """End the process."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(BrokenPipeError):
                    stream.close()
        try:
            self._process.wait(_STOPS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


class Ways:
    """Every way of measuring that a record asks for, each begun when it is first asked."""

    def __init__(self, gauges: Sequence[GaugeEntry]) -> None:
        self._gauges = gauges
        self.now: MeasuringWay = Derivation(gauges)
        """The present one."""
        self._earlier: dict[int, FrozenMethod] = {}

    def by(self, number: int) -> MeasuringWay:
        """Return a way of measuring by its number. Raises MethodError where it is not here."""
        if number == METHOD:
            return self.now
        if number not in self._earlier:
            self._earlier[number] = FrozenMethod(number, self._gauges)
        return self._earlier[number]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for one in self._earlier.values():
            one.close()


def _told(entry: GaugeEntry) -> Plain:
    body = plain(body_of(entry.fact))
    return {
        "number": entry.number,
        "sha256": entry.sha256,
        "at": entry.at.isoformat(),
        "kind": kind_of(entry.fact),
        "body": body,
    }
