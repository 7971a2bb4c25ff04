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


class Sounds:
    """What sounds at one terminal. Call it from a running event loop."""

    def __init__(self, bell: Callable[[], None], which: Callable[[str], str | None] = shutil.which) -> None:
        """`bell` rings the terminal's bell once; `which` finds a program."""
        self._bell = bell
        self.mode: SoundMode = "sound"
        self._player = _first(_PLAYERS, which)
        self._speaker = _first(_SPEAKERS, which)
        self._made: tempfile.TemporaryDirectory[str] | None = None
        """Where the tones lie, once one was played."""
        self._running: list[subprocess.Popen[bytes]] = []

    def close(self) -> None:
        """End what still sounds."""
        for process in self._running:
            process.kill()
            process.wait()
        self._running = []
        if self._made is not None:
            self._made.cleanup()

    def next_mode(self) -> SoundMode:
        """Go on to the next mode and return it; without a speech program there are two."""
        order: list[SoundMode] = ["sound", *(["sound and speech"] if self._speaker else []), "silent"]  # type: ignore[list-item]
        self.mode = order[(order.index(self.mode) + 1) % len(order)]
        return self.mode

    def play(self, name: str, tones: Sequence[tuple[float, float]], bells: Sequence[float], words: str) -> None:
        """Sound what is called `name`: `tones`, or `bells` where no player is; and speak `words` where that is on."""
        if self.mode == "silent":
            return
        self._reap()
        if not self._played(name, tones):
            for after_s in bells:
                asyncio.get_running_loop().call_later(after_s, self._ring)
        if self.mode == "sound and speech" and self._speaker:
            self._start([*self._speaker, words])

    def _ring(self) -> None:
        if self.mode != "silent":
            self._bell()

    def _played(self, name: str, tones: Sequence[tuple[float, float]]) -> bool:
        if self._player is None:
            return False
        self._made = self._made or tempfile.TemporaryDirectory(prefix="strokelog-sounds-")
        path = Path(self._made.name) / f"{name.replace(' ', '-')}.wav"
        if not path.exists():
            wav(path, tones)
        return self._start([*self._player, str(path)])

    def _start(self, command: list[str]) -> bool:
        try:
            started = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError:
            return False
        self._running.append(started)
        return True

    def _reap(self) -> None:
        """Forget what has ended; a player that cannot play (no loudspeaker, no server) gives way to the bell."""
        for process in [one for one in self._running if one.poll() is not None]:
            self._running.remove(process)
            if process.returncode and self._player and process.args[: len(self._player)] == list(self._player):  # type: ignore[index]
                self._player = None


def _first(programs: Sequence[tuple[str, ...]], which: Callable[[str], str | None]) -> tuple[str, ...] | None:
    return next((program for program in programs if which(program[0])), None)
