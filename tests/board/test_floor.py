"""The board's model: what every bench is doing, what needs a person, and that nothing on the wire harms or fills it."""

from __future__ import annotations

import itertools
import json
import re
import unicodedata
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub
from rich.cells import cell_len

from capture import board
from capture.bench.silence import told_of
from capture.board import terminal
from capture.board.arrange import ORDERS, arrange
from capture.board.bench_on_board import LONGEST_NAME, LONGEST_WORDS, MOST_IDS
from capture.board.bench_row import BenchRow
from capture.board.floor import LARGEST_PAYLOAD, MOST_BENCHES, Floor
from capture.board.needs import KINDS, RECONNECT, STUCK_AFTER
from capture.board.subscriber import TOPICS
from capture.board.terminal import ChosenView, render
from capture.board.words import NEED_LOOKS, STATE_LOOKS, age, plain_row, row_json, share
from capture.board.yields import Yields
from capture.mqtt.messages import MESSAGES, PackMessage, RemarkMessage, UnitMessage, VerdictMessage
from capture.mqtt.topics import gauge_topic, status_topic, stroke_topic, unit_topic, verdict_topic
from capture.output.words import LOOKS
from tests.support.samples import JOB, gauge_message
from tests.support.shop import PACKS, Sent, job_of, shift, status, stroke_of, verdict_of

NOW = datetime(2026, 3, 10, 9, 30, tzinfo=timezone(timedelta(hours=2)))
SIZES = [(80, 24), (200, 60), (40, 10), (1, 1), (300, 100)]
HOSTILE = (
    "<script>alert(1)</script>",
    "[bold red]shouted[/]",
    "\x1b[31mred\x1b]0;title\x07\x9b2J",
    "abc\u202ecba\u200d",
    "<img src=x onerror=alert(1)>&amp;",
    "x" * 900,
)


def floor_of(*sent: Sent, now: datetime = NOW, retained: bool = False) -> Floor:
    floor = Floor(NOW)
    floor.link("up", "", NOW)
    feed(floor, *sent, now=now, retained=retained)
    return floor


def feed(floor: Floor, *sent: Sent, now: datetime = NOW, retained: bool = False) -> None:
    for one in sent:
        floor.feed(one.topic, one.payload.encode(), retained, now)


def only(floor: Floor, now: datetime = NOW) -> BenchRow:
    (row,) = floor.rows(now)
    return row


def kinds(floor: Floor, now: datetime = NOW) -> list[str]:
    return [need.kind for need in only(floor, now).needs]


def measuring(bench: str = "bay 1", **changes: Any) -> Sent:
    about: dict[str, Any] = {"at": NOW, "state": "measuring", "job": job_of(bench), "pack": PACKS[0]}
    return status(bench, **(about | changes))


def resting(bench: str = "bay 1", **changes: Any) -> Sent:
    return status(bench, **({"at": NOW, "job": job_of(bench)} | changes))


# -- what a bench is doing -----------------------------------------------------------------------------------


def test_a_bench_is_followed_from_start_to_verdict() -> None:
    floor = floor_of(measuring(unit_serial="HX-2207", technician="Tech 12", measure="held", display_unit="in"))
    row = only(floor)
    assert (row.bench, row.state, row.unit_serial, row.pack) == ("bay 1", "measuring", "HX-2207", PACKS[0])
    assert (row.technician, row.display_unit, row.verdict, row.last_stroke_at) == ("Tech 12", "in", None, None)
    feed(floor, stroke_of("bay 1", 1, at=NOW, held_travel_nm=1_270_000))
    row = only(floor, NOW + timedelta(seconds=7))
    assert (row.last_travel_nm, row.last_stroke, row.last_stroke_at) == (1_270_000, 1, NOW)
    assert "travel 0.0500 in" in plain_row(row, NOW)  # NIST SP 811 app. B: 1 in = 25.4 mm exactly
    feed(floor, verdict_of("bay 1", at=NOW))
    assert only(floor).verdict is None  # while it is measured, the screen does not show the verdict before
    feed(floor, resting())
    row = only(floor)
    assert (row.verdict, row.mean_nm, row.uncertainty_nm) == ("good", 1_104_900, 21_337)


def test_the_travel_shown_is_the_one_the_sheet_averages() -> None:
    for measure, travel in (("peak", 1_200_000), ("held", 1_100_000)):
        floor = floor_of(measuring(measure=measure))
        feed(floor, stroke_of("bay 1", 1, at=NOW, peak_travel_nm=1_200_000, held_travel_nm=1_100_000))
        assert only(floor).last_travel_nm == travel


def test_a_board_that_comes_late_learns_what_is_retained() -> None:
    about = {"unit_serial": "HX-1", "last_stroke_at": NOW - timedelta(minutes=3), "last_travel_nm": 1_000_000}
    floor = floor_of(verdict_of("bay 1", "loose", at=NOW), resting(**about), retained=True)
    row = only(floor)
    assert (row.last_travel_nm, row.last_stroke_at, row.verdict) == (1_000_000, NOW - timedelta(minutes=3), "loose")
    assert age(row.last_stroke_at, NOW) == "3 min"
    assert kinds(floor) == ["loose"]


def test_an_old_verdict_of_another_unit_is_not_this_unit_s() -> None:
    old = verdict_of("bay 1", "loose", job=job_of("bay 1", 7), at=NOW - timedelta(days=1))
    for order in ([old, resting()], [resting(), old]):
        floor = floor_of(*order, retained=True)
        assert only(floor).verdict is None and not only(floor).needs
        assert floor.late == 0  # retained messages are old by nature


def test_an_old_payload_without_the_newer_fields_is_read() -> None:
    old = {"at": NOW.isoformat(), "bench": "bay 1", "state": "online", "software_version": "0.1.0", "id": str(JOB)}
    floor = floor_of(Sent(status_topic("bay 1"), json.dumps(old), True))
    assert (only(floor).state, floor.unreadable) == ("online", 0)


# -- what needs a person -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "changes"),
    [
        ("out of air", {"air": "tripped"}),
        ("out of air", {"air": "unarmed", "air_fault": "the air-check fixture is not connected."}),
        ("no readings", {"indicator": "down"}),
        ("no readings", {"indicator": "up", "silent": True, "needs": "The indicator sends no readings."}),
        ("asks", {"needs": "sends no readings"}),
        ("gauge out", {"gauge_standing": "out", "gauge_text": "Gauge DI-0413: OUT of its limit."}),
        ("gauge out", {"gauge_standing": "out of control"}),
        ("offline", {"state": "offline", "vanished": True}),
        ("offline", {"state": "offline"}),  # an older bench does not say
        ("clock off", {"at": NOW - timedelta(minutes=5)}),
    ],
)
def test_what_a_status_says_needs_a_person(kind: str, changes: dict[str, Any]) -> None:
    assert kinds(floor_of(resting(**changes))) == [kind]


@pytest.mark.parametrize(
    "changes",
    [{}, {"gauge_due": NOW.date()}, {"state": "offline", "vanished": False}, {"air": "unarmed"}, {"indicator": "off"}],
)
def test_a_bench_that_is_well_needs_nobody(changes: dict[str, Any]) -> None:
    assert kinds(floor_of(resting(**changes))) == []


def test_a_last_will_is_older_than_what_it_follows_and_still_counts() -> None:
    floor = floor_of(measuring(technician="Tech 12"))
    feed(floor, status("bay 1", at=NOW - timedelta(hours=8), state="offline", vanished=True))
    row = only(floor)
    assert (row.state, row.technician) == ("offline", "Tech 12")
    assert kinds(floor) == ["offline"]
    assert row.needs[0].since == NOW


def test_a_bench_that_hears_no_readings_comes_before_one_that_waits_for_a_decision() -> None:
    floor = floor_of(resting(), verdict_of("bay 1", "inconclusive", at=NOW))
    feed(floor, resting(needs=told_of("cannot be read"), gauge_due=NOW.date() - timedelta(days=1)))
    assert kinds(floor) == ["asks", "inconclusive"]
    first = only(floor).needs[0]
    assert "no reading comes" in first.words and "Check speed, driver and wiring" in first.words
    page = (Path(board.__file__).parent / "pages" / "board.js").read_text()
    (listed,) = re.findall(r"KINDS = \[(.*?)\]", page, re.DOTALL)
    assert re.findall(r'"(.*?)"', listed) == list(KINDS)


def test_a_will_that_a_stopping_broker_sends_says_nothing_of_the_bench_before_it_could_come_back() -> None:
    def seconds(count: float) -> datetime:
        return NOW + timedelta(seconds=count)

    will = status("bay 1", at=NOW - timedelta(hours=8), state="offline", vanished=True)
    floor = floor_of(measuring())
    feed(floor, will, now=seconds(10))
    floor.link("down", "connection refused", seconds(10.2))
    row = only(floor, seconds(30))
    assert (row.state, [need.kind for need in row.needs], row.needs[0].since) == (
        "unknown",
        ["not heard"],
        seconds(10.2),
    )
    assert "vanished" not in plain_row(row, seconds(30)) and "Not heard since the broker was lost" in row.needs[0].words
    floor.link("up", "", seconds(60))
    assert kinds(floor, seconds(61)) == ["not heard"]
    gone = only(floor, seconds(60) + RECONNECT)
    assert (gone.state, gone.needs[0].words) == ("offline", "The bench vanished without ending its session.")
    # It came back, and a second later it really is gone.
    feed(floor, measuring(id=uuid4()), now=seconds(70))
    assert kinds(floor, seconds(70)) == []
    feed(floor, status("bay 1", at=NOW, state="offline", vanished=True), now=seconds(71))
    assert kinds(floor, seconds(71)) == ["offline"]
    # A will that the board hears of only after its gap; and one from long before it.
    floor = floor_of(measuring())
    floor.link("down", "", seconds(10))
    floor.link("up", "", seconds(20))
    feed(floor, will, now=seconds(20), retained=True)
    assert kinds(floor, seconds(21)) == ["not heard"]
    floor = floor_of(measuring())
    feed(floor, will, now=seconds(10))
    floor.link("down", "", seconds(60))
    assert kinds(floor, seconds(61)) == ["offline"]
    # A session that was ended in order is over, whatever the broker does.
    floor = floor_of(measuring(), status("bay 1", at=NOW, state="offline", vanished=False))
    floor.link("down", "", NOW)
    assert (only(floor).state, only(floor).needs) == ("offline", ())


def test_a_bench_that_vanished_is_shown_with_the_pack_it_measured_last() -> None:
    floor = floor_of(measuring(), verdict_of("bay 1", "good", at=NOW), measuring(pack=PACKS[1]))
    feed(floor, status("bay 1", at=NOW - timedelta(hours=8), state="offline", vanished=True))
    row = only(floor)
    assert (row.state, row.pack, row.verdict) == ("offline", PACKS[1], None)
    # One that rested is shown with the pack it judged last, as before.
    floor = floor_of(measuring(), verdict_of("bay 1", "good", at=NOW), resting())
    feed(floor, status("bay 1", at=NOW - timedelta(hours=8), state="offline", vanished=True))
    assert (only(floor).pack, only(floor).verdict) == (PACKS[0], "good")


@pytest.mark.parametrize("word", ["inconclusive", "tight", "loose"])
def test_a_verdict_that_is_not_good_waits_until_the_pack_is_checked_again(word: str) -> None:
    floor = floor_of(resting(), verdict_of("bay 1", word, at=NOW))
    assert kinds(floor) == [word]
    feed(floor, measuring(), stroke_of("bay 1", 1, check=2))
    assert kinds(floor) == []
    feed(floor, verdict_of("bay 1", "good", check=2, attempt=2, at=NOW), resting())
    assert kinds(floor) == []


@pytest.mark.parametrize("code", ["leak", "leak_once", "leak_down"])
def test_a_good_pack_whose_seal_leaks_needs_a_person_until_it_is_checked_again_or_let_pass(code: str) -> None:
    sent = verdict_of("bay 1", "good", at=NOW)
    told = VerdictMessage.from_wire(sent.payload)
    told = told.model_copy(update={"remarks": (RemarkMessage(code=code, text="The seal leaks."),)})
    leaking = sent._replace(payload=told.model_dump_json())
    floor = floor_of(resting(), leaking)
    (need,) = only(floor).needs
    assert need.kind == "leaks" and need.words == f"{PACKS[0]} lost travel or pressure while held: look at the seal."
    assert "NEEDS A PERSON: leaks" in plain_row(only(floor), NOW)
    feed(floor, unit_of("bay 1", NOW, signed_by="badge 17", state="good"))
    assert kinds(floor) == []
    floor = floor_of(resting(), leaking, verdict_of("bay 1", "good", check=2, attempt=2, at=NOW))
    assert kinds(floor) == []


def test_a_bench_whose_record_is_not_what_it_was_needs_a_person() -> None:
    told = VerdictMessage.from_wire(verdict_of("bay 1", "good", at=NOW).payload)
    before = told.model_copy(update={"head_number": 40, "head_sha256": "a" * 64})
    anew = told.model_copy(update={"id": uuid4(), "head_number": 40, "head_sha256": "b" * 64, "check": told.check + 1})
    floor = floor_of(resting(), verdict_of("bay 1", "good", at=NOW)._replace(payload=before.model_dump_json()))
    assert kinds(floor) == []
    feed(floor, verdict_of("bay 1", "good", at=NOW)._replace(payload=anew.model_dump_json()))
    (need,) = only(floor).needs
    assert need.kind == "record broken" and "entry 40 was aaaaaaaaaaaa and is bbbbbbbbbbbb now" in need.words


def unit_of(bench: str, at: datetime, signed_by: str = "", **packs: str) -> Sent:
    told = UnitMessage(
        at=at, bench=bench, job=job_of(bench), unit_serial="HX-2207", steps=2, steps_closed=1, against=("A step.",),
        packs=(PackMessage.model_validate({"pack": PACKS[0], "state": "not good", **packs}),),
        signed_off_by=signed_by, signed_off_at=at if signed_by else None,
    )  # fmt: skip
    return Sent(unit_topic(bench), told.model_dump_json(), True)


@pytest.mark.parametrize(
    ("signed_by", "pack"),
    [("Di", {}), ("", {"passed_by": "Di"}), ("", {"state": "recheck"})],
    ids=["signed", "let", "recheck"],
)
def test_a_pack_let_pass_changed_or_of_a_signed_unit_waits_for_no_change_of_parts(
    signed_by: str, pack: dict[str, str]
) -> None:
    loose = verdict_of("bay 1", "loose", at=NOW)
    unit = unit_of("bay 1", NOW, signed_by, **pack)
    floor = floor_of(resting(), loose)
    assert kinds(floor) == ["loose"]
    feed(floor, unit)
    assert kinds(floor) == [] and floor.unreadable == 0
    # A word that was retained comes before the status that tells the job, or after a newer one.
    assert kinds(floor_of(unit, resting(), loose, retained=True)) == []
    feed(floor, unit_of("bay 1", NOW - timedelta(minutes=1)))
    assert kinds(floor) == []


def test_a_pack_left_behind_waits_though_the_next_one_is_good() -> None:
    floor = floor_of(resting(), verdict_of("bay 1", "loose", at=NOW))
    feed(floor, verdict_of("bay 1", "good", pack=PACKS[1], check=2, at=NOW + timedelta(minutes=1)))
    assert only(floor).pack == PACKS[1]
    assert PACKS[0] in only(floor).needs[0].words


def test_a_check_without_strokes_is_stuck_after_a_while_and_no_longer_with_one() -> None:
    floor = floor_of(measuring())
    assert kinds(floor, NOW + STUCK_AFTER) == []
    later = NOW + STUCK_AFTER + timedelta(seconds=1)
    assert kinds(floor, later) == ["stuck"]
    feed(floor, stroke_of("bay 1", 1, at=later), now=later)
    assert kinds(floor, later) == []
    assert kinds(floor, later + STUCK_AFTER + timedelta(seconds=1)) == ["stuck"]


def test_what_the_board_did_not_watch_is_not_called_stuck() -> None:
    began = NOW - timedelta(hours=1)
    floor = floor_of(measuring(at=began, last_stroke_at=began), retained=True)
    assert kinds(floor) == []
    floor.link("down", "gone", NOW + timedelta(minutes=1))
    back = NOW + timedelta(minutes=30)
    floor.link("up", "", back)
    assert kinds(floor, back + STUCK_AFTER) == []
    assert kinds(floor, back + STUCK_AFTER + timedelta(seconds=1)) == ["stuck"]


def test_two_strokes_in_a_row_outside_the_air_s_window_are_told() -> None:
    floor = floor_of(measuring(), stroke_of("bay 1", 1, at=NOW, flags=("pressure",)))
    assert kinds(floor) == []
    feed(floor, stroke_of("bay 1", 2, at=NOW, flags=("pressure", "creep")))
    assert kinds(floor) == ["out of air"]
    feed(floor, stroke_of("bay 1", 3, at=NOW, flags=()))
    assert kinds(floor) == []


def test_a_wrong_clock_spoils_no_age() -> None:
    behind = NOW - timedelta(hours=3)
    floor = floor_of(measuring(at=behind), stroke_of("bay 1", 1, at=behind))
    assert only(floor).last_stroke_at == NOW
    assert kinds(floor) == ["clock off"]


def test_a_gauge_that_waits_needs_nobody_at_once_and_is_not_forgotten() -> None:
    """Overdue, or not checked since yesterday, it would need a person all day and hide who does. Out of order it does,
    while a unit is measured with it."""
    yesterday = NOW.date() - timedelta(days=1)
    for changes, words in (
        ({"gauge_due": yesterday}, f"gauge's calibration overdue since {yesterday}"),
        ({"gauge_standing": "not checked", "gauge_due": NOW.date()}, "gauge not checked today"),
        ({"gauge_standing": "not checked", "gauge_due": yesterday},
         f"gauge's calibration overdue since {yesterday}, gauge not checked today"),
        ({"gauge_standing": "out", "job": None}, "gauge out of order"),
    ):  # fmt: skip
        floor = floor_of(resting(**changes))
        assert (kinds(floor), only(floor).gauge) == ([], words)
        assert words in plain_row(only(floor), NOW) and row_json(only(floor))["gauge"] == words
    assert only(floor_of(resting(gauge_standing="in order", gauge_due=NOW.date()))).gauge == ""


def test_the_most_urgent_need_comes_first() -> None:
    due = NOW.date() - timedelta(days=1)
    floor = floor_of(measuring(gauge_due=due, indicator="down", air="tripped", needs="something"))
    assert kinds(floor) == ["out of air", "no readings", "asks"]


def test_every_need_and_state_has_a_shape_of_its_own_and_a_word() -> None:
    assert set(NEED_LOOKS) == set(KINDS)
    assert set(STATE_LOOKS) == {"measuring", "online", "offline", "unknown"}
    for shapes in (
        [look.shape for look in NEED_LOOKS.values()],
        [look.ascii_shape for look in NEED_LOOKS.values()],
        [*(look.shape for look in LOOKS.values()), *(look.shape for look in STATE_LOOKS.values())],
    ):
        assert len(set(shapes)) == len(shapes)
        assert {cell_len(shape) for shape in shapes} == {2}


# -- repeats, latecomers, nonsense ---------------------------------------------------------------------------


@given(st.lists(st.integers(0, 11), max_size=40))
def test_repeats_change_nothing(again: list[int]) -> None:
    turns = shift(2)
    sent = [one for _ in range(3) for one in next(turns)]
    sent = [*sent, verdict_of("bay 1", "loose", at=NOW, job=job_of("bay 1", 0))][:12]
    once, twice = floor_of(*sent), floor_of(*sent)
    feed(twice, *[one for one in (sent[index % len(sent)] for index in again) if not one.topic.endswith("status")])
    assert once.rows(NOW) == twice.rows(NOW)
    assert once.today(NOW) == twice.today(NOW)
    assert twice.unreadable == twice.late == 0


def test_a_repeat_is_harmless_even_when_its_id_is_forgotten() -> None:
    strokes = [stroke_of("bay 1", n, at=NOW) for n in range(1, 3 * MOST_IDS)]
    floor = floor_of(measuring(), *strokes)
    before = floor.rows(NOW)
    feed(floor, strokes[0], strokes[-1])
    assert floor.rows(NOW) == before
    assert (floor.late, floor.repeats) == (1, 1)


def test_a_backlog_after_an_outage_does_not_undo_what_is_newer() -> None:
    floor = floor_of(measuring(job=job_of("bay 1", 2), last_stroke_at=NOW, last_travel_nm=1_300_000))
    early = NOW - timedelta(hours=1)
    feed(floor, stroke_of("bay 1", 4, at=early), verdict_of("bay 1", "loose", at=early))
    row = only(floor)
    assert (row.last_travel_nm, row.last_stroke_at, row.verdict, row.needs) == (1_300_000, NOW, None, ())
    assert floor.late == 2
    assert floor.today(NOW).packs == 1  # it was judged today all the same


_TOPICS = st.sampled_from([f"strokelog/v1/b/{rest}" for rest in ("status", "p/stroke", "p/verdict")])
_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
)
_PAYLOADS = st.binary(max_size=200) | st.builds(lambda value: json.dumps(value).encode(), _VALUES)


@given(st.text(max_size=60) | _TOPICS, _PAYLOADS, st.booleans())
def test_any_bytes_on_any_topic_are_counted_and_never_raise(topic: str, payload: bytes, retained: bool) -> None:
    floor = floor_of(measuring())
    before = floor.rows(NOW)
    floor.feed(topic, payload, retained, NOW)
    assert floor.rows(NOW) == before
    emptied = not payload and topic in ("strokelog/v1/b/status", "strokelog/v1/b/p/verdict")
    assert floor.unreadable == (0 if emptied else 1)
    assert emptied or "1 unreadable message" in next(floor.warnings()).text


_FIELDS = st.fixed_dictionaries(
    {},
    optional={
        "at": st.datetimes(timezones=st.just(UTC)).map(str) | st.text(max_size=12),
        "last_stroke_at": st.datetimes(timezones=st.just(UTC)).map(str),
        "last_travel_nm": st.integers(),
        "peak_travel_nm": st.integers(),
        "held_travel_nm": st.integers(),
        "mean_nm": st.integers(),
        "check": st.integers(),
        "n": st.integers(),
        "attempt": st.integers(),
        "job": st.uuids().map(str) | st.none(),
        "state": st.sampled_from(["online", "offline", "measuring", "asleep"]),
        "flags": st.lists(st.text(max_size=9), max_size=3),
        "needs": st.text(),
        "air_fault": st.text(),
        "unit_serial": st.text(),
        "technician": st.text(),
        "gauge_due": st.dates().map(str),
    },
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["status", "stroke", "verdict"]), _FIELDS, st.booleans()), max_size=8))
def test_any_values_in_well_formed_messages_never_raise_and_can_be_drawn(
    messages: list[tuple[str, dict[str, Any], bool]],
) -> None:
    floor = Floor(NOW)
    made = {"status": measuring(), "stroke": stroke_of("bay 1", 1, at=NOW), "verdict": verdict_of("bay 1", at=NOW)}
    for kind, changes, retained in messages:
        content = json.loads(made[kind].payload)
        content |= {key: value for key, value in changes.items() if key in content}
        floor.feed(made[kind].topic, json.dumps(content).encode(), retained, NOW)
    for row in floor.rows(NOW):
        json.dumps(row_json(row))
        harmless(plain_row(row, NOW))
    frame = render(floor, ChosenView(), NOW, 80, 24)
    assert all(cell_len(line) == 80 for line in frame.text.split("\n"))


def harmless(text: str) -> None:
    """A line that no terminal obeys: no control (ECMA-48), no format character, no line separator."""
    assert not {unicodedata.category(c) for c in text} & {"Cc", "Cf", "Cs", "Zl", "Zp"}


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("size", SIZES)
def test_text_from_the_wire_is_text(text: str, size: tuple[int, int]) -> None:
    floor = floor_of(measuring(text, unit_serial=text, technician=text, pack=text, needs=text, air_fault=text, at=NOW))
    assert floor.unreadable == 0
    row = only(floor)
    for shown in (row.bench, row.unit_serial, row.technician, row.pack):
        harmless(shown)
        assert 0 < len(shown) <= LONGEST_NAME
    if text.startswith("<script"):
        assert row.bench == text
    frame = render(floor, ChosenView(), NOW, *size)
    lines = frame.text.split("\n")
    assert len(lines) == size[1] and all(cell_len(line) == size[0] for line in lines)
    for line in lines:
        harmless(line)
    if size == (200, 60) and text.startswith("[bold"):
        assert "[bold red]shouted" in frame.text


def test_a_bench_cannot_speak_for_another() -> None:
    floor = floor_of(measuring())
    forged = status("bay 1", at=NOW, state="offline")
    feed(floor, Sent(status_topic("bay 2"), forged.payload, True))
    feed(floor, Sent("strokelog/v1/bay 1/other/stroke", stroke_of("bay 1", 1, at=NOW).payload, False))
    assert floor.unreadable == 2
    assert only(floor).state == "measuring"
    assert any("names another pack than its topic" in warning.text for warning in floor.warnings())


def test_no_more_benches_are_kept_than_there_is_room_for() -> None:
    floor = floor_of(*[resting(f"bay {n}") for n in range(MOST_BENCHES)])
    assert not list(floor.warnings())
    feed(floor, resting("bay one too many"), resting("bay 1", technician="Tech 3"))
    assert len(floor) == MOST_BENCHES
    assert "1 message of others not shown" in next(floor.warnings()).text
    assert next(row for row in floor.rows(NOW) if row.bench == "bay 1").technician == "Tech 3"


def test_a_payload_larger_than_any_message_is_not_even_read() -> None:
    floor = floor_of(measuring())
    floor.feed(status_topic("bay 1"), b" " * LARGEST_PAYLOAD + measuring().payload.encode(), False, NOW)
    assert floor.unreadable == 1


def test_an_empty_retained_status_takes_a_bench_off_the_board() -> None:
    floor = floor_of(measuring(), resting("bay 2"))
    change = floor.feed(status_topic("bay 1"), b"", False, NOW)
    assert change is not None and change.what == "gone"
    assert [row.bench for row in floor.rows(NOW)] == ["bay 2"]


# -- today's rates -------------------------------------------------------------------------------------------


def test_yield_and_re_check_rate_are_over_packs_not_checks() -> None:
    floor = floor_of(
        verdict_of("bay 1", "good", pack="A", check=1, at=NOW),
        verdict_of("bay 1", "loose", pack="B", check=2, at=NOW),
        verdict_of("bay 1", "tight", pack="B", check=3, attempt=2, at=NOW),
        verdict_of("bay 1", "good", pack="B", check=4, attempt=3, at=NOW),
        verdict_of("bay 2", "good", pack="A", check=1, at=NOW),
        verdict_of("bay 2", "good", pack="A", check=1, at=NOW, job=job_of("bay 2", 2)),
    )
    today = floor.today(NOW)
    # By hand: four packs, three good at first check, one checked again.
    assert (today.packs, today.good_first, today.rechecked) == (4, 3, 1)
    assert (today.yield_share, today.recheck_share) == (0.75, 0.25)


def test_a_pack_first_heard_of_at_its_second_check_was_not_good_at_first() -> None:
    floor = floor_of(verdict_of("bay 1", "good", check=9, attempt=2, at=NOW), retained=True)
    assert (floor.today(NOW).packs, floor.today(NOW).good_first, floor.today(NOW).rechecked) == (1, 0, 1)


_CHECKS = st.lists(
    st.tuples(st.integers(0, 3), st.integers(1, 5), st.booleans()), max_size=30, unique_by=lambda c: c[:2]
)


@given(_CHECKS, st.randoms(use_true_random=False), st.booleans())
def test_rates_do_not_hang_on_the_order_of_arrival(
    checks: list[tuple[int, int, bool]], random: Any, told: bool
) -> None:
    """Against a plain count over all checks at once; with and without the attempt in the message."""
    by_pack: dict[int, list[tuple[int, bool]]] = {}
    for pack, check, good in checks:
        by_pack.setdefault(pack, []).append((check, good))
    arrived = [
        (pack, check, 1 + sorted(by_pack[pack]).index((check, good)) if told else None, good)
        for pack, check, good in checks
    ]
    random.shuffle(arrived)
    yields = Yields()
    yields.turn(NOW.date())
    for pack, check, attempt, good in arrived:
        yields.feed(("bay", "job", str(pack)), check, attempt, good)
    assert yields.today.packs == len(by_pack)
    assert yields.today.good_first == sum(min(checks)[1] for checks in by_pack.values())
    assert yields.today.rechecked == sum(len(checks) > 1 for checks in by_pack.values())


def test_today_ends_at_midnight_of_the_board_s_zone() -> None:
    late = NOW.replace(hour=23, minute=59)
    floor = floor_of(verdict_of("bay 1", at=late), now=late)
    assert floor.today(late).packs == 1
    assert floor.today(late + timedelta(minutes=2)).packs == 0
    # 22:30 in UTC is half past midnight here: the new day.
    feed(floor, verdict_of("bay 2", at=datetime(2026, 3, 10, 22, 30, tzinfo=UTC)), now=late + timedelta(hours=1))
    assert floor.today(late + timedelta(hours=1)).packs == 1
    assert floor.seen_since(late + timedelta(hours=1)) == (NOW + timedelta(days=1)).replace(hour=0, minute=0)


@pytest.mark.parametrize(("part", "shown"), [(None, "-"), (0.0, "0%"), (1.0, "100%"), (0.999, "99%"), (0.001, "1%")])
def test_a_share_never_claims_all_or_nothing_wrongly(part: float | None, shown: str) -> None:
    assert share(part) == shown


# -- order and screen ----------------------------------------------------------------------------------------


def shop_floor() -> Floor:
    return floor_of(
        resting("bay 10", technician="Tech 9"),
        resting("Bay 9", unit_serial="HX-77"),
        measuring("bay 2", indicator="down"),
        resting("bay 1"),
        verdict_of("bay 1", "loose", at=NOW),
    )


def names(rows: list[BenchRow]) -> list[str]:
    return [row.bench for row in rows]


def test_benches_are_sorted_as_people_count() -> None:
    rows = shop_floor().rows(NOW)
    assert names(arrange(rows, "bench")) == ["bay 1", "bay 2", "Bay 9", "bay 10"]
    assert names(arrange(rows, "need")) == ["bay 2", "bay 1", "Bay 9", "bay 10"]
    assert names(arrange(rows, "need", needing=True)) == ["bay 2", "bay 1"]
    assert names(arrange(rows, "bench", text="BAY 1")) == ["bay 1", "bay 10"]
    assert names(arrange(rows, text="hx-77")) == ["Bay 9"]


@given(st.lists(st.text(max_size=12), max_size=8), st.sampled_from(sorted(ORDERS)))
def test_any_names_can_be_sorted(benches: list[str], order: str) -> None:
    floor = floor_of(*[resting(name) for name in benches if name])
    assert len(arrange(floor.rows(NOW), order)) == len(floor)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("size", SIZES)
def test_the_picture_has_exactly_the_terminal_s_size(size: tuple[int, int], ascii_only: bool) -> None:
    frame = render(shop_floor(), ChosenView(), NOW, *size, ascii_only=ascii_only)
    lines = frame.text.split("\n")
    assert len(lines) == size[1] and all(cell_len(line) == size[0] for line in lines)
    assert not ascii_only or frame.text.isascii()


@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_what_needs_a_person_is_said_in_words_with_a_shape(size: tuple[int, int]) -> None:
    text = render(shop_floor(), ChosenView(), NOW, *size).text
    assert "4 benches, 2 need a person" in text
    assert "×× bay 2" in text and "NO READINGS  The indicator is not connected." in text
    assert "◄► loose" in text and f"LOOSE  {PACKS[0]} waits for a change of parts." in text
    for title in ("BENCH", "UNIT", "PACK", "TRAVEL", "VERDICT", "TECH", "STROKE"):
        assert title in text
    assert "yield 0%, re-check 0%, of 1 pack since 09:30" in text


def test_pages_show_every_bench_once() -> None:
    floor = floor_of(*[resting(f"bay {n}", needs="x" * 100 if n % 3 == 0 else "") for n in range(1, 61)])
    choice, seen = ChosenView(order="bench"), []
    while True:
        text = render(floor, choice, NOW, 80, 24).text
        seen += [line.split()[2 if line.startswith("??") else 1] for line in text.split("\n") if " bay " in line[:8]]
        choice.page += 1
        if choice.page >= choice.pages:
            break
    assert seen == [str(n) for n in range(1, 61)]


def test_a_lost_broker_is_said_and_the_rest_called_old() -> None:
    floor = shop_floor()
    assert "BROKER" not in render(floor, ChosenView(), NOW, 80, 24).text
    floor.link("down", "no connection with the broker at mqtt://shop.example: refused", NOW)
    text = render(floor, ChosenView(), NOW + timedelta(minutes=2), 80, 24).text
    assert "BROKER LOST. All below is old. No connection with the broker" in text
    assert "(2 min)" in text


def test_an_empty_floor_says_so() -> None:
    assert "No bench has been heard yet." in render(Floor(NOW), ChosenView(), NOW, 80, 24).text
    assert "'zzz'" in render(shop_floor(), ChosenView(text="zzz"), NOW, 80, 24).text
    quiet = floor_of(resting())
    assert "No bench needs a person." in render(quiet, ChosenView(needing=True), NOW, 80, 24).text


def test_the_board_subscribes_to_everything_a_bench_publishes() -> None:
    of_bench = (status_topic("bay-1"), unit_topic("bay-1"), gauge_topic("bay-1"))
    topics = (*of_bench, stroke_topic("bay-1", "low"), verdict_topic("bay-1", "low"))
    assert len(topics) == len(MESSAGES)
    for topic in topics:
        assert any(topic_matches_sub(asked, topic) for asked in TOPICS), topic


def test_a_check_of_a_gauge_is_no_unreadable_message() -> None:
    floor = floor_of(measuring())
    sent = gauge_message("bay 1")
    feed(floor, Sent(sent.topic, sent.payload, False))
    assert (len(floor), floor.unreadable) == (1, 0)


def test_a_bench_that_is_always_measuring_shows_the_verdict_that_waits() -> None:
    """As a service it begins its next check at once; the verdict waits until somebody makes a stroke in that."""
    floor = floor_of(measuring(), stroke_of("bay 1", 5), verdict_of("bay 1", "loose"))
    feed(floor, measuring())
    assert kinds(floor) == ["loose"]
    feed(floor, stroke_of("bay 1", 1, check=2))
    assert kinds(floor) == []


def test_a_unit_s_progress_is_shown_and_that_it_is_ready_to_sign() -> None:
    known: dict[str, Any] = {"at": NOW, "bench": "bay 1", "job": job_of("bay 1"), "unit_serial": "FW3-0117"}
    known |= {"packs": (PackMessage(pack="low", state="good"), PackMessage(pack="high", state="unchecked")), "steps": 4}
    word = UnitMessage(**known, steps_closed=1, against=("pack high: not checked",))
    floor = floor_of(resting(unit_serial="FW3-0117"), Sent(unit_topic("bay 1"), word.model_dump_json(), True))
    assert only(floor).progress == "1 of 2 packs, 1 of 4 steps"
    assert kinds(floor) == []
    for signed_by, needs in (("", ["ready to sign"]), ("Di", [])):
        word = UnitMessage(**known, steps_closed=4, against=(), signed_off_by=signed_by)
        feed(floor, Sent(unit_topic("bay 1"), word.model_dump_json(), True))
        assert kinds(floor) == needs
    assert only(floor).progress == "signed off"
    word = UnitMessage(**known, steps_closed=4, against=(), signed_off_by="Di", signed_off_way="badge")
    feed(floor, Sent(unit_topic("bay 1"), word.model_dump_json(), True))
    assert only(floor).progress == "signed off (badge)"


def test_strokes_that_somebody_left_out_are_told_beside_how_far_the_unit_is() -> None:
    said = "1 stroke left out by Ana: bumped the bench. With all of its strokes it is loose."
    floor = floor_of(resting(unit_serial="HX-2207"), unit_of("bay 1", NOW, state="good", left_out=said))
    assert only(floor).progress == f"1 of 1 packs, 1 of 2 steps; {PACKS[0]}: {said.rstrip('.')}"
    assert said.rstrip(".") in plain_row(only(floor), NOW)
    feed(floor, unit_of("bay 1", NOW, "Di", state="good", left_out="\x1b[31m" + "x" * 2_000))
    row = only(floor)
    assert row.progress.startswith(f"signed off; {PACKS[0]}: ") and "\x1b" not in row.progress
    assert len(row.progress) == LONGEST_WORDS


def test_a_larger_window_shows_every_column_of_a_smaller_one() -> None:
    names = [dict(terminal._columns(width, width >= 120)).keys() for width in (80, 100, 120, 140, 170, 220)]
    for smaller, larger in itertools.pairwise(names):
        assert smaller <= larger
    assert {"TECH", "UNIT", "TRAVEL", "STROKE", "PACK"} <= names[2]
