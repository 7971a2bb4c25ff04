"""A scanner on the keyboard's line: its keys told from a hand's by their pace."""

from __future__ import annotations

from dataclasses import dataclass

#: What a scanner may send before and after what it read.
_STX, _ENTER = "\x02", ("\r", "\n")

#: Keys of a scan follow each other faster than this; a held key repeats every 30 ms or slower (common practice).
SCAN_GAP_NS = 25_000_000


#: No code is shorter: its word, the colon and a character.
_LEAST_KEYS = 4


#: After a scan that broke off, keys this soon are its rest. They must not act as keys: one of them may arm the air.
_REST_NS = 300_000_000


#: A code that begins with STX may take this long, where a slow line has lost the pace.
_FRAMED_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class Key:
    """A key that a hand pressed."""

    key: str


@dataclass(frozen=True, slots=True)
class Scan:
    """A whole scanned line, without its Enter."""

    text: str


@dataclass(frozen=True, slots=True)
class LostScan:
    """A scan that broke off; nothing of it was taken for keys. Scan again."""

    text: str


class KeyCollector:
    """Tells scans from single keys by their pace. A key is held back until the pace is known, for 25 ms at most.

    Four keys or more at a scanner's pace, ended by Enter, are a scan; without the Enter they are a lost one, since no
    hand types so fast, and what came late of it is left out as well. One key over and over is a key held down. A
    scanner that can send STX before a code is certain at any pace.
    """

    def __init__(self) -> None:
        self._keys: list[str] = []
        self._last_ns = 0
        self._began_ns = 0
        self._rest_until_ns: int | None = None
        self._scanned_ns: int | None = None

    @property
    def due_ns(self) -> int | None:
        """When `wait` has something to say if no key comes; None if nothing is held back."""
        if not self._keys:
            return None
        return self._began_ns + _FRAMED_NS if self._keys[0] == _STX else self._last_ns + SCAN_GAP_NS

    def take(self, t_ns: int, key: str) -> list[Key | Scan | LostScan]:
        """Take a key pressed at `t_ns`; return what is now known to have been a key or a scan, in order."""
        told = self.wait(t_ns)
        scanned_ns, self._scanned_ns = self._scanned_ns, None
        if key in _ENTER and scanned_ns is not None and t_ns - scanned_ns < SCAN_GAP_NS:
            return told  # CR and LF end one line
        if self._rest_until_ns is not None:
            if t_ns < self._rest_until_ns and key != _STX:
                self._rest_until_ns = None if key in _ENTER else t_ns + _REST_NS
                return told
            self._rest_until_ns = None
        if key == _STX:
            told += self._give_up(t_ns)
            self._rest_until_ns = None
        if not self._keys:
            self._began_ns = t_ns
        self._last_ns = t_ns
        if key in _ENTER and self._is_scan():
            told.append(Scan("".join(self._keys).lstrip(_STX)))
            self._keys = []
            self._scanned_ns = t_ns
        else:
            self._keys.append(key)
        return told

    def wait(self, t_ns: int) -> list[Key | Scan | LostScan]:
        """Say that it is `t_ns`; return what the pause has settled."""
        due_ns = self.due_ns
        return self._give_up(t_ns) if due_ns is not None and t_ns >= due_ns else []

    def _is_scan(self) -> bool:
        if self._keys[:1] == [_STX]:
            return len(self._keys) > 1
        return len(self._keys) >= _LEAST_KEYS and len(set(self._keys)) > 1

    def _give_up(self, t_ns: int) -> list[Key | Scan | LostScan]:
        keys, self._keys = self._keys, []
        framed = keys[:1] == [_STX]
        if not framed and (len(keys) < _LEAST_KEYS or len(set(keys)) == 1):
            return [Key(key) for key in keys]
        self._rest_until_ns = t_ns + _REST_NS
        return [LostScan("".join(keys).lstrip(_STX))]
