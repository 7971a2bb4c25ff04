"""Sounds at a terminal: the system's player for a tone, the terminal's bell where there is none, and a speech program.

All three are best effort: a bench without a loudspeaker measures as well, and nothing waits for a sound.
"""

from __future__ import annotations

import asyncio
import math
import shutil
import struct
import subprocess
import tempfile
import wave
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, Literal

SoundMode = Literal["sound", "sound and speech", "silent"]

#: Programs that play a WAV file, and how; the first that is there is taken (ALSA's, PulseAudio's and PipeWire's own).
_PLAYERS: Final = (("pw-play",), ("paplay",), ("aplay", "-q"))
#: Programs that speak a text given as an argument.
_SPEAKERS: Final = (("spd-say", "--"), ("espeak-ng", "--"), ("espeak", "--"))
_RATE_HZ: Final = 22_050
#: A tone rises and falls within this, so that it does not click.
_EDGE_S: Final = 0.008
#: A program that was killed is gone by then, unless its device hangs.
_END_S: Final = 0.2


def wav(path: Path, tones: Sequence[tuple[float, float]]) -> None:
    """Write tones, each in hertz (0 is silence) and seconds, as a WAV file: 16-bit, one channel."""
    samples: list[int] = []
    for hertz, seconds in tones:
        count = round(seconds * _RATE_HZ)
        edge = max(1, round(_EDGE_S * _RATE_HZ))
        for n in range(count):
            loud = min(1.0, n / edge, (count - 1 - n) / edge)
            samples.append(round(20_000 * loud * math.sin(2 * math.pi * hertz * n / _RATE_HZ)))
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(_RATE_HZ)
        file.writeframes(struct.pack(f"<{len(samples)}h", *samples))


class _Programs:
    """Programs that do the same, the best first. One that fails gives way to the next; what one still sounds is ended
    by what sounds next, and one that hangs holds nothing up."""

    def __init__(self, programs: Sequence[tuple[str, ...]], which: Callable[[str], str | None]) -> None:
        self._programs = [program for program in programs if which(program[0])]
        self._running: subprocess.Popen[bytes] | None = None
        self._ending: list[subprocess.Popen[bytes]] = []

    def any(self) -> bool:
        """Say whether one is left."""
        if self._running is not None and (code := self._running.poll()) is not None:
            self._running = None
            if code > 0:  # it cannot: no loudspeaker, no server
                del self._programs[0]
        return bool(self._programs)

    def start(self, argument: str) -> bool:
        """Let the best one go about `argument`; say whether one does."""
        while self.any():
            self.end()
            try:
                self._running = subprocess.Popen(
                    [*self._programs[0], argument],
                    stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )  # fmt: skip
                return True
            except OSError:
                del self._programs[0]
        return False

    def end(self, wait_s: float = 0.0) -> None:
        """End what still sounds; wait no longer than `wait_s` until it has, whatever device it hangs at."""
        if self._running is not None:
            self._running.kill()
            self._ending.append(self._running)
            self._running = None
        for process in self._ending:
            with suppress(subprocess.TimeoutExpired):
                process.wait(wait_s)
        self._ending = [process for process in self._ending if process.returncode is None]


class Sounds:
    """What sounds at one terminal. Call it from a running event loop."""

    def __init__(self, bell: Callable[[], None], which: Callable[[str], str | None] = shutil.which) -> None:
        """`bell` rings the terminal's bell once; `which` finds a program."""
        self._bell = bell
        self.mode: SoundMode = "sound"
        self._players, self._speakers = _Programs(_PLAYERS, which), _Programs(_SPEAKERS, which)
        self._made: tempfile.TemporaryDirectory[str] | None = None
        """Where the tones lie, once one was played."""

    def close(self) -> None:
        """End what still sounds."""
        for programs in (self._players, self._speakers):
            programs.end(_END_S)
        if self._made is not None:
            self._made.cleanup()

    def next_mode(self) -> SoundMode:
        """Go on to the next mode and return it; without a speech program there are two."""
        speech: list[SoundMode] = ["sound and speech"] if self._speakers.any() else []
        order: list[SoundMode] = ["sound", *speech, "silent"]
        self.mode = order[(order.index(self.mode) + 1) % len(order)] if self.mode in order else "silent"
        return self.mode

    def play(self, name: str, tones: Sequence[tuple[float, float]], bells: Sequence[float], words: str) -> None:
        """Sound what is called `name`: `tones`, or `bells` where no player is; and speak `words` where that is on."""
        if self.mode == "silent":
            return
        if not self._played(name, tones):
            for after_s in bells:
                asyncio.get_running_loop().call_later(after_s, self._ring)
        if self.mode == "sound and speech":
            self._speakers.start(words)

    def _ring(self) -> None:
        if self.mode != "silent":
            self._bell()

    def _played(self, name: str, tones: Sequence[tuple[float, float]]) -> bool:
        if not self._players.any():
            return False
        self._made = self._made or tempfile.TemporaryDirectory(prefix="strokelog-sounds-")
        path = Path(self._made.name) / f"{name.replace(' ', '-')}.wav"
        if not path.exists():
            wav(path, tones)
        return self._players.start(str(path))
