"""The first thing in a file that does not match what its chain says."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

_MOST_SHOWN: Final = 90


def shown(value: Any) -> str:
    """Return a value for people, on one line and not too long. No control character gets through `repr`."""
    if value is None:
        return "nothing"
    text = value if isinstance(value, str) and value.isprintable() and value else repr(value)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}... ({len(text)} characters)"


class Mismatch(Exception):
    """The first thing in a record that does not match: where it is, what was expected, and what is there."""

    def __init__(
        self,
        what: str,
        *,
        expected: Any,
        found: Any,
        entry: int | None = None,
        job: int | None = None,
        pack: str | None = None,
        check: int | None = None,
    ) -> None:
        """`entry` is a number of the ledger; `check` counts the checks of `pack` in `job`, from 1."""
        self.what, self.expected, self.found = what, shown(expected), shown(found)
        self.entry, self.job, self.pack, self.check = entry, job, pack, check
        super().__init__(what)

    def __reduce__(self) -> tuple[Any, ...]:
        """A proof over several processes sends it from one to another."""
        return partial(Mismatch, self.what, expected="", found=""), (), self.__dict__

    def __str__(self) -> str:
        where = [] if self.job is None else [f"job {self.job}"]
        if self.pack is not None:
            where.append(f"pack {shown(self.pack)}, check {self.check}")
        if self.entry is not None:
            where.append(f"entry {self.entry}")
        prefix = ", ".join(where)
        prefix = f"{prefix[0].upper()}{prefix[1:]}: " if prefix else ""
        return f"{prefix}{self.what}: expected {self.expected}, found {self.found}"
