"""Eyes on the work: what sounds and colours the screen, and a verdict that is read from two metres."""

from __future__ import annotations

import asyncio
import os
import stat
import subprocess
import time
import wave
from dataclasses import replace
from pathlib import Path

import pytest

from capture.clearance.check import Check, StrokeKept
from capture.clearance.verdict import MeasurementLimits, VerdictWord
from capture.dashboard.bench_screen import render
from capture.dashboard.signals import SIGNALS, SignalName, flooded, signal_between, spoken
from capture.dashboard.view import BenchView, PackView
from capture.output.words import LOOKS
from capture.plumbing.terminal.sounds import Sounds, wav
from capture.sheet.sheet import parse_sheet
from tests.support.broker import until
from tests.support.samples import stroke, verdict
from tests.support.sheets import HEAD, pack


def measuring(count: int, **changes: object) -> BenchView:
    """A bench that is measuring low and has so many strokes, the last of them as said."""
    strokes = [StrokeKept(stroke(n + 1), seat=False) for n in range(count)]
    if changes and strokes:
        strokes[-1] = replace(strokes[-1], stroke=replace(strokes[-1].stroke, **changes))  # type: ignore[arg-type]
    return BenchView("bay-2", packs=[PackView("low", "measuring")], pack=0, strokes=strokes, indicator="up")


def judged(word: VerdictWord) -> BenchView:
    found = verdict(verdict=word)
    view = measuring(5)
    return replace(
        view, packs=[PackView("low", "done", found)], verdict=found, low_nm=900_000, high_nm=1_300_000, strokes_wanted=5
    )


@pytest.mark.parametrize(
    ("before", "now", "signal"),
    [
        (measuring(1), measuring(2), "counts"),
        (measuring(1), measuring(2, accepted=False, flags=("glitch",)), "does not count"),
        (measuring(5), judged("good"), "verdict good"),
        (measuring(5), judged("loose"), "verdict not good"),
        (measuring(5), judged("inconclusive"), "verdict not good"),
        (measuring(1), replace(measuring(2), indicator="down"), "fault"),
        (measuring(1), replace(measuring(1), silence="nothing comes"), "fault"),
        (replace(measuring(1), air_state="armed"), replace(measuring(1), air_state="tripped"), "fault"),
        (measuring(2), measuring(2), None),
        (measuring(5), measuring(0), None),
        (judged("good"), judged("good"), None),
        (BenchView("bay-2"), measuring(3), None),
    ],
)
def test_each_thing_that_happens_has_its_signal_once(
    before: BenchView, now: BenchView, signal: SignalName | None
) -> None:
    assert signal_between(before, now) == signal


def test_a_stroke_that_settles_the_pack_is_no_stroke_that_went_wrong() -> None:
    """The check keeps it as not averaged; whoever made it has nothing to do again."""
    check = Check(parse_sheet(HEAD + pack("low"), "unit.toml").pack("low"), MeasurementLimits(10_000, 0))
    (kept,) = [effect for effect in check.take(stroke(1)) if isinstance(effect, StrokeKept)]
    assert kept.seat and not kept.counts
    now = replace(measuring(0), strokes=[kept])
    assert signal_between(measuring(0), now) == "counts" and spoken("counts", now).endswith(", seat")


def test_no_two_signals_look_or_sound_alike() -> None:
    for part in ("colour", "bells", "tones"):
        assert len({getattr(look, part) for look in SIGNALS.values()}) == len(SIGNALS)
    # By number of bells alone: a terminal's bell has one pitch, and a shop is loud.
    assert len({len(look.bells) for look in SIGNALS.values()}) == len(SIGNALS)


def test_what_is_spoken_is_the_figure_and_what_it_came_to() -> None:
    assert spoken("verdict good", judged("good")).startswith("good, 1.")
    assert spoken("does not count", measuring(2, accepted=False)).endswith(", does not count")
    assert spoken("fault", measuring(1)) == "fault"


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("word", ["good", "tight", "loose", "inconclusive"])
@pytest.mark.parametrize("advice", [[], ["Take one backing shim out: 2 to 1; predicted 1.100 mm, 98 % in range."] * 2])
def test_at_80_by_24_a_verdict_is_at_least_five_rows_of_its_own(
    word: VerdictWord, advice: list[str], ascii_only: bool
) -> None:
    """At two metres a person reads letters a two-hundredth of that high, 10 mm (common practice); five rows of a small
    screen are more."""
    view = replace(judged(word), advice=advice, message="Change parts, then check it again.")
    frame = render(view, 80, 24, ascii_only=ascii_only)
    drawn = [row for row in frame.rows if any(LOOKS[word].style in style and text.strip() for text, style in row)]
    assert len(drawn) >= 5


def test_a_colour_over_the_whole_screen_hides_no_text() -> None:
    frame = render(judged("good"), 80, 24)
    over = flooded(frame, "verdict good")
    assert over.text == frame.text
    assert {style for row in over.rows for _, style in row} == {SIGNALS["verdict good"].colour}


def test_a_tone_is_a_wav_file_of_its_length_that_does_not_click(tmp_path: Path) -> None:
    wav(tmp_path / "tone.wav", ((880, 0.1), (0, 0.05)))
    with wave.open(str(tmp_path / "tone.wav")) as file:
        assert file.getnframes() == pytest.approx(0.15 * file.getframerate(), abs=2)
        samples = file.readframes(file.getnframes())
    assert samples[:2] == b"\0\0" and samples[-2:] == b"\0\0"


def program(folder: Path, name: str, ends: str = "exit 0") -> Path:
    """A program that notes what it was called with."""
    path = folder / name
    path.write_text(f'#!/bin/sh\necho "$@" >> {folder}/{name}.called\n{ends}\n')
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


async def called(folder: Path, name: str) -> str:
    await until(lambda: (folder / f"{name}.called").exists() and bool((folder / f"{name}.called").read_text()))
    return (folder / f"{name}.called").read_text()


def finder(folder: Path, monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    return lambda name: str(folder / name) if (folder / name).exists() else None


async def test_without_a_player_the_terminals_bell_rings_in_the_signals_rhythm() -> None:
    rung: list[float] = []
    loop = asyncio.get_running_loop()
    sounds = Sounds(lambda: rung.append(loop.time()), which=lambda name: None)
    sounds.play("good", (), (0.0, 0.02, 0.04), "good")
    await until(lambda: len(rung) == 3)
    assert rung == sorted(rung) and rung[-1] - rung[0] >= 0.03


async def test_a_player_plays_the_tone_and_one_that_cannot_gives_way_to_the_bell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program(tmp_path, "aplay", "exit 1")
    rung: list[int] = []
    sounds = Sounds(lambda: rung.append(1), which=finder(tmp_path, monkeypatch))
    sounds.play("counts", ((880, 0.01),), (0.0,), "")
    assert (await called(tmp_path, "aplay")).strip().endswith("counts.wav")
    await until(lambda: not sounds.play("counts", ((880, 0.01),), (0.0,), "") and bool(rung))
    sounds.close()


async def test_a_key_goes_through_sound_speech_and_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "espeak-ng")
    rung: list[int] = []
    sounds = Sounds(lambda: rung.append(1), which=finder(tmp_path, monkeypatch))
    assert [sounds.next_mode() for _ in range(3)] == ["sound and speech", "silent", "sound"]
    sounds.next_mode()
    sounds.play("counts", (), (), "1.100, counts")
    assert await called(tmp_path, "espeak-ng") == "-- 1.100, counts\n"
    sounds.next_mode()
    sounds.play("counts", (), (0.0,), "1.200, counts")
    await asyncio.sleep(0)
    assert rung == [] and (tmp_path / "espeak-ng.called").read_text().count("\n") == 1
    sounds.close()
    assert Sounds(lambda: None, which=lambda name: None).next_mode() == "silent"


async def test_a_speech_program_that_hangs_holds_nothing_up_and_never_speaks_twice_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program(tmp_path, "spd-say", "exit 1")  # no server: the next one speaks from then on
    program(tmp_path, "espeak-ng", f"echo $$ >> {tmp_path}/pids; trap '' TERM; exec sleep 60")
    sounds = Sounds(lambda: None, which=finder(tmp_path, monkeypatch))
    sounds.next_mode()
    sounds.play("counts", (), (), "1.100, counts")
    failing = sounds._speakers._running
    await until(lambda: failing is None or failing.poll() is not None)
    for count in (1, 2):
        sounds.play("counts", (), (), f"{count}, counts")
        await until(
            lambda count=count: (tmp_path / "pids").exists() and (tmp_path / "pids").read_text().count("\n") == count
        )  # type: ignore[misc]
    pids = (tmp_path / "pids").read_text().split()
    began = time.monotonic()
    sounds.close()
    assert time.monotonic() - began < 1
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(int(pid), 0)


def test_what_speaks_is_understood_by_a_real_speech_program(tmp_path: Path) -> None:
    """espeak-ng, a general-purpose program, writes what it says as a WAV file where no loudspeaker is."""
    said = [spoken("verdict good", judged("good")), spoken("does not count", measuring(2, accepted=False)), "-0.02"]
    for number, words in enumerate(said):
        file = tmp_path / f"{number}.wav"
        subprocess.run(["espeak-ng", "-w", str(file), "--", words], check=True, timeout=90)
        with wave.open(str(file)) as spoke:
            assert 0.5 < spoke.getnframes() / spoke.getframerate() < 4  # before the next stroke
