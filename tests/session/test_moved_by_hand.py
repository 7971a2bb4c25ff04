"""End play, backlash and free play: pushed and pulled instead of moved by air, with words of their own."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.bench.fill_view import fill_view
from capture.clearance.check import Check, Finished
from capture.clearance.stroke_by_stroke import PUSH_AND_PULL, how_to_send
from capture.clearance.verdict import MeasurementLimits
from capture.custody.verify import Proof, verify
from capture.record import Store
from capture.recordings.file import RecordingWriter
from capture.recordings.replay import Replay
from capture.report.contents import contents
from capture.report.page_parts import CheckPart
from capture.sheet.sheet import SheetError, parse_sheet
from capture.strokes.stroke import Stroke
from drivers.wirings.ascii import line
from tests.session.test_typed_dial import measuring
from tests.support.broker import until
from tests.support.sheets import HEAD, pack, sheet

HAND = 'moved_by = "hand"\nstrokes = 3\nseat_strokes = 0\n'
PLAY = sheet(pack("end play", keys=HAND, limits='["0.10 mm", "0.30 mm"]')).packs[0]


def stroke(n: int, travel_nm: int, fall: int = 0) -> Stroke:
    flags = ("leak",) if fall else ()
    return Stroke(n, n, n + 1, 0, travel_nm, travel_nm, 0, 0, 0, flags, True, 4_082, fall, 0)


@pytest.mark.parametrize(
    ("travel_nm", "word", "said"),
    [
        (200_000, "good", "In range; nothing to change."),
        (20_000, "tight", "Too little play. Change a part that gives it more, then check again."),
        (500_000, "loose", "Too much play. Change a part that takes some of it, then check again."),
    ],
)
def test_a_play_has_a_verdict_in_its_own_words(travel_nm: int, word: str, said: str) -> None:
    check = Check(PLAY, MeasurementLimits(10_000))
    effects = [effect for n in range(1, 8) for effect in check.take(stroke(n, travel_nm, fall=100_000))]
    (finished,) = (effect for effect in effects if isinstance(effect, Finished))
    assert (finished.verdict.verdict, finished.verdict.next_step) == (word, said)
    assert finished.verdict.remarks == ()  # there is no seal that could leak


def test_what_there_is_to_do_is_to_push_and_to_pull() -> None:
    check = Check(PLAY, MeasurementLimits(10_000))
    assert check.next_step(PUSH_AND_PULL) == (
        "Stroke 1 (0 of 3 counted): from its stop pull it to the other, hold it steady, push it back."
    )
    told = [how_to_send(standing, "moved", typed=True).one for standing in ("unknown", "rest", "applied")]
    assert told[0] == "push it against its stop until the needle is steady, type the reading"
    assert told[1].startswith("pull it against its other stop") and told[2].startswith("push it back")


def test_a_play_has_no_seal_that_the_sheet_could_speak_of() -> None:
    with pytest.raises(SheetError, match="no seal holds what a hand moves"):
        parse_sheet(HEAD + pack("end play", keys=f'{HAND}leak = "0.05 mm/s"\n'), "unit.toml")


async def test_end_play_is_measured_proven_and_reported(tmp_path: Path) -> None:
    text = HEAD + pack("end play", keys=HAND, limits='["0.10 mm", "0.30 mm"]')
    async with measuring(tmp_path, sheet=text) as hand:
        bench = hand.bench
        assert "no air" in hand.screen() and "push it against its stop" in hand.screen()
        for reading in ("2.00", "2.20", "2.00", "2.21", "2.00", "2.20", "2.00"):
            await hand.reads(reading)
        await until(bench.finished.is_set)
        view = fill_view(bench.state)
        assert view.verdict is not None and view.verdict.verdict == "good" and view.moved_by == "hand"
    record = tmp_path / "data" / "record.sqlite"
    assert verify(record).mismatch is None
    with Store.open(record) as store:
        job = store.job(1)
    assert job.checks[0].strokes[0].stroke.peak_travel_nm == 200_000
    told = contents(job, parse_sheet(text, "unit.toml"), "", Proof(), "", (0, ""), {})
    checks = [event for part in told.packs for event in part.events if isinstance(event, CheckPart)]
    notes = {note.head: note.text for check in checks for note in check.notes}
    assert notes["Moved by hand"] == "pushed and pulled from stop to stop; no air"


def test_the_valve_says_nothing_of_what_a_hand_moves(tmp_path: Path) -> None:
    """A fixture's valve is shut all the while, and the values of a play are told apart all the same."""
    path = tmp_path / "play.jsonl"
    header = {"recording": 2, "started": "2026-03-02T07:30:00+00:00", "bench": "bay-2"}
    writer = RecordingWriter(path, header | {"indicator": {"driver": "typed"}, "fixture": {"driver": "ascii"}})
    writer.stream(0, "fixture", line("state shut up 0"))
    for at, value in enumerate(("2.00", "2.20", "2.00", "2.20", "2.00"), 1):
        writer.stream(at, "indicator", f"{value}\r".encode())
    writer.close()
    assert [kept.stroke.peak_travel_nm for kept in Replay(path, PLAY).strokes()] == [200_000, 200_000]
