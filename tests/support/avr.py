"""Builds the reference firmware and the emulator of its processor, once a run, and steps the two without a clock."""

from __future__ import annotations

import atexit
import functools
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import drivers.wirings

__all__ = ["FIRMWARE", "Happened", "built_emulator", "built_firmware", "stepped"]

#: The folder of its source.
FIRMWARE = Path(drivers.wirings.__file__).parent / "firmware"
_EMULATOR = Path(__file__).with_name("emulate_atmega328p.c")


@functools.cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="strokelog-firmware-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@functools.cache
def built_emulator() -> Path:
    """Return the emulator's program. Raises subprocess.CalledProcessError if it does not build."""
    program = _folder() / "emulate"
    command = ["cc", "-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror", "-o", str(program), str(_EMULATOR)]
    subprocess.run([*command, "-lsimavr", "-lutil"], check=True)
    return program


@functools.cache
def built_firmware(*defines: str) -> Path:
    """Return the firmware as the makefile that users have builds it, with macros such as `TEST_HANGS`."""
    folder = _folder() / "-".join(("built", *defines))
    shutil.copytree(FIRMWARE, folder)
    macros = " ".join(f"-D{name}" for name in defines)
    subprocess.run(["make", "-s", "-C", str(folder), "fixture.hex", f"DEFINES={macros}"], check=True)
    return folder / "fixture.elf"


@dataclass(frozen=True, slots=True)
class Happened:
    """What the processor did: `sent`, `valve`, `reset`, at `t_ns` of simulated time, or `stack`, a number of bytes."""

    what: str
    t_ns: int
    data: bytes = b""
    driven: bool = False
    count: int = 0


def stepped(firmware: Path, commands: list[str]) -> list[Happened]:
    """Let the firmware go through commands of the emulator without a wall clock, and return what it did."""
    done = subprocess.run(
        [str(built_emulator()), str(firmware), "--steps"],
        input="".join(f"{command}\n" for command in commands),
        capture_output=True,
        text=True,
        check=True,
    )
    happened = []
    for text in done.stdout.splitlines():
        match text.split():
            case ["sent", t_ns, _, data]:
                happened.append(Happened("sent", int(t_ns), data=bytes.fromhex(data)))
            case ["valve", t_ns, _, driven]:
                happened.append(Happened("valve", int(t_ns), driven=driven == "1"))
            case ["reset", t_ns, _]:
                happened.append(Happened("reset", int(t_ns)))
            case ["stack", count]:
                happened.append(Happened("stack", 0, count=int(count)))
    return happened
