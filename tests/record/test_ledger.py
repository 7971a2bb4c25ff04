"""Every completed thing is one entry of a chain that nothing can be taken out of, kept together with its row."""

from __future__ import annotations

import hashlib
import json
import random
import signal
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.clearance.advice import Change
from capture.record import RecordError, Store, audit
from capture.record.ledger import BEFORE_THE_FIRST, canonical, digest, exact, is_canonical, link, parse
from capture.record.rows import fact_of
from capture.unit.facts import Correction, Fact, Override, PartsChanged, SignedOff, StepDone, ToAcknowledge
from tests.support.proven_record import make_record
from tests.support.samples import AT, SHA256, finish_check, open_job, start_check, stroke, stroke_message

ROOT = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.sqlite"


def ledger(path: Path) -> list[dict[str, Any]]:
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        return [dict(row) for row in connection.execute("SELECT * FROM ledger ORDER BY number")]


# -- the form of an entry --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        # FIPS 180-4, SHA-256: NIST's example values for one and two blocks, and the empty message (from memory).
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    ],
)
def test_the_hash_function_is_sha_256(message: str, expected: str) -> None:
    assert hashlib.sha256(message.encode()).hexdigest() == expected


def test_an_entrys_hash_is_what_sha256sum_says_of_its_fields_on_lines() -> None:
    """coreutils as the other implementation: anybody can check a chain with a shell."""
    entry = link((7, "ab" * 32), "step_done", {"job": 3, "note": "naïve \n two lines"}, "2026-03-02T07:30:00.000000Z")
    text = "\n".join([entry.previous, "8", "step_done", entry.at, entry.body])
    assert text.count("\n") == 4
    done = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True)
    assert done.stdout.split()[0].decode() == entry.sha256


def test_canonical_json_of_rfc_8785_section_3_2() -> None:
    """The examples of RFC 8785, 3.2.2 (literals, strings, numbers) and 3.2.3 (the order of names) (from memory)."""
    value = json.loads(
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        ' "string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/", "literals": [null, true, false]}'
    )
    assert canonical(value) == (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    names = json.loads(
        '{"\\u20ac": "Euro Sign", "\\r": "Carriage Return", "\\ufb33": "Hebrew Letter Dalet With Dagesh",'
        ' "1": "One", "\\ud83d\\ude00": "Emoji: Grinning Face", "\\u0080": "Control",'
        ' "\\u00f6": "Latin Small Letter O With Diaeresis"}'
    )
    assert list(json.loads(canonical(names)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


@pytest.mark.parametrize(
    ("bits", "text"),
    [
        # RFC 8785, appendix B: IEEE 754 doubles as JSON numbers (from memory).
        ("0000000000000000", "0"),
        ("8000000000000000", "0"),
        ("0000000000000001", "5e-324"),
        ("7fefffffffffffff", "1.7976931348623157e+308"),
        ("4340000000000000", "9007199254740992"),
        ("4430000000000000", "295147905179352830000"),
        ("44b52d02c7e14af5", "9.999999999999997e+22"),
        ("44b52d02c7e14af6", "1e+23"),
        ("44b52d02c7e14af7", "1.0000000000000001e+23"),
        ("444b1ae4d6e2ef4e", "999999999999999700000"),
        ("444b1ae4d6e2ef50", "1e+21"),
        ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
        ("3eb0c6f7a0b5ed8d", "0.000001"),
        ("41b3de4355555555", "333333333.3333333"),
        ("becbf647612f3696", "-0.0000033333333333333333"),
        ("43143ff3c1cb0959", "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_rfc_8785_appendix_b_says(bits: str, text: str) -> None:
    number = struct.unpack(">d", bytes.fromhex(bits))[0]
    assert canonical(number) == text
    assert is_canonical(f'{{"x":{text}}}', parse(f'{{"x":{text}}}'))
    pythons = f'{{"x":{number!r}}}'
    assert is_canonical(pythons, parse(pythons)) == (repr(number) == text)


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text("aé€\n\"'", max_size=3), inner, max_size=4),
    max_leaves=12,
)


@given(JSON_VALUES)
def test_one_value_has_one_text(value: Any) -> None:
    text = canonical(exact(value))
    assert is_canonical(text, parse(text))
    for other in (json.dumps(exact(value), separators=(",", ":")), json.dumps(parse(text), ensure_ascii=False)):
        assert is_canonical(other, parse(other)) == (other == text)
    assert "\n" not in text
    assert canonical(parse(text)) == text
    if isinstance(value, dict):
        assert canonical(exact(dict(reversed(value.items())))) == text


def test_what_json_cannot_say_exactly_is_no_entry() -> None:
    with pytest.raises(ValueError, match="not representable"):
        canonical(float("nan"))
    with pytest.raises(ValueError, match="safe integer"):
        canonical(2**53)
    assert (
        canonical(exact({"ns": 2**53, "deep": [-(2**60)]}))
        == '{"deep":["-1152921504606846976"],"ns":"9007199254740992"}'
    )


# -- what makes an entry ---------------------------------------------------------------------------------


def test_every_completed_thing_is_one_entry_in_the_order_it_happened(path: Path) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        check = start_check(store, job, gauge={"serial": "DI-0413", "calibration_due": "2026-09-30"})
        store.add_stroke(check, stroke(1), seat=True, at=AT, messages=[stroke_message(1)])
        finish_check(store, check)
        left = start_check(store, job)
        store.add_stroke(left, stroke(1), seat=True, at=AT)
        store.abandon_open_checks("bench 4", at=AT)
        ended = start_check(store, job)
        store.abandon_check(ended, at=AT, recording_sha256=SHA256, recording_bytes=9)
        store.put_outbox([stroke_message(2)], at=AT)
        store.close_job(job, at=AT + timedelta(seconds=1))
        assert store.head() == (10, ledger(path)[-1]["sha256"])
    entries = ledger(path)
    assert [entry["kind"] for entry in entries] == [
        "job_opened", "check_started", "stroke", "verdict", "check_started", "stroke", "check_abandoned",
        "check_started", "check_abandoned", "job_closed",
    ]  # fmt: skip
    last = BEFORE_THE_FIRST[1]
    for number, entry in enumerate(entries, start=1):
        assert (entry["number"], entry["previous"], entry["job"]) == (number, last, job)
        last = digest(last, number, entry["kind"], entry["at"], entry["body"])
        assert entry["sha256"] == last
    assert json.loads(entries[1]["body"])["gauge"] == {"serial": "DI-0413", "calibration_due": "2026-09-30"}
    assert json.loads(entries[8]["body"])["recording_sha256"] == SHA256


def test_an_entry_and_its_row_are_kept_together_or_not_at_all(path: Path) -> None:
    with Store.open(path) as store:
        check = start_check(store, open_job(store))
        message = stroke_message(1)
        store.add_stroke(check, stroke(1), seat=False, at=AT, messages=[message])
        before = store.head()
        with pytest.raises(RecordError, match="UNIQUE"):  # the row is refused
            store.add_stroke(check, stroke(1), seat=False, at=AT)
        with pytest.raises(RecordError, match="UNIQUE"):  # the message is refused, after row and entry
            store.add_stroke(check, stroke(2), seat=False, at=AT, messages=[message])
        assert store.head() == before
        assert len(store.job(1).checks[0].strokes) == 1
    assert audit(path).head == before


FACTS: list[Fact] = [
    PartsChanged(
        "low", (Change(0, "shim", 2, 3), Change(1, "selective", 2_000_000, 2_100_000)), 1_020_000, 24_000, "A"
    ),
    PartsChanged("low", (), None, None, ""),
    StepDone(2, "A", torque_unm=25_000_000, note="ünit"),
    StepDone(0, "A", lasted_ns=1_800_000_000_000),
    Override(None, 1, "B", "part on order"),
    Override("high", None, "B", "measured by hand"),
    Correction(1, "B", "misread", "serial FW3-0118"),
]


def test_facts_come_back_exactly_and_in_order(path: Path) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        check = start_check(store, job)
        numbers = [store.add_fact(job, FACTS[0], at=AT)]
        finish_check(store, check)
        numbers += [store.add_fact(job, fact, at=AT + timedelta(seconds=n)) for n, fact in enumerate(FACTS[1:], 1)]
        numbers.append(store.add_fact(job, SignedOff("C", "ready"), at=AT, messages=[stroke_message(1)]))
        other = open_job(store, uuid=uuid4())
        found = store.job(job)
        assert [entry.fact for entry in found.facts] == [*FACTS, SignedOff("C", "ready")]
        assert [entry.number for entry in found.facts] == numbers == sorted(numbers)
        assert found.facts[1].at == AT + timedelta(seconds=1)
        assert store.job(other).facts == ()
        assert store.outbox_size() == 1
        # The verdict came after the parts were changed, its check began before: what needs a re-check can be told.
        verdict = found.checks[0].verdict
        assert verdict is not None
        assert found.checks[0].started_number < numbers[0] < verdict.number < numbers[1]


def test_a_correction_names_an_entry_of_its_own_job(path: Path) -> None:
    with Store.open(path) as store:
        job, other = open_job(store), open_job(store, uuid=uuid4())
        with pytest.raises(RecordError, match=r"entry 2 cannot be corrected in job 1 .*belongs to job 2"):
            store.add_fact(job, Correction(2, "B", "why", "what"), at=AT)
        with pytest.raises(RecordError, match="there is no such entry"):
            store.add_fact(other, Correction(99, "B", "why", "what"), at=AT)
        with pytest.raises(RecordError, match="no job 7"):
            store.add_fact(7, Correction(1, "B", "why", "what"), at=AT)
        with pytest.raises(RecordError, match="`reason` is empty"):
            store.add_fact(job, Correction(1, "B", " ", "what"), at=AT)
        assert store.head()[0] == 2


def test_a_signed_off_job_takes_only_corrections(path: Path) -> None:
    with Store.open(path) as store:
        job = open_job(store)
        check = start_check(store, job)
        with pytest.raises(RecordError, match=r"cannot be signed off: pack 'C1/C2 forward' is still being measured"):
            store.add_fact(job, SignedOff("C"), at=AT)
        finish_check(store, check)
        with pytest.raises(RecordError, match="`by` is empty"):
            store.add_fact(job, SignedOff(""), at=AT)
        signed = store.add_fact(job, SignedOff("C"), at=AT)
        for fact in (*FACTS[:-1], SignedOff("C")):
            with pytest.raises(
                RecordError, match=rf"was signed off at .* \(entry {signed}\) and takes only corrections"
            ):
                store.add_fact(job, fact, at=AT)
        with pytest.raises(RecordError, match="takes only corrections"):
            start_check(store, job)
        store.add_fact(job, Correction(signed, "C", "too early", "oil not changed yet"), at=AT)
        store.close_job(job, at=AT)
        store.add_fact(job, Correction(signed, "C", "once more", "done now"), at=AT)


def test_a_pruned_recording_has_its_entry_with_its_hash(path: Path) -> None:
    with Store.open(path) as store:
        check = start_check(store, open_job(store))
        with pytest.raises(RecordError, match="still being measured"):
            store.add_pruned(check, recording_sha256=SHA256, reason="older than 400 days", at=AT)
        finish_check(store, check)
        with pytest.raises(RecordError, match=r"derived from abab.*this file's hash is 00"):
            store.add_pruned(check, recording_sha256="00" * 32, reason="older than 400 days", at=AT)
        with pytest.raises(RecordError, match="no such check"):
            store.add_pruned(99, recording_sha256=SHA256, reason="older than 400 days", at=AT)
        number = store.add_pruned(check, recording_sha256=SHA256, reason="older than 400 days", at=AT)
    entry = ledger(path)[number - 1]
    assert (entry["kind"], json.loads(entry["body"])["recording_sha256"]) == ("pruned", SHA256)


# -- what the database itself refuses --------------------------------------------------------------------


@pytest.mark.parametrize("table", ["ledger", "strokes", "verdicts"])
def test_the_database_refuses_to_change_or_delete(tmp_path: Path, table: str) -> None:
    path = make_record(tmp_path)
    with closing(sqlite3.connect(path)) as connection:
        names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        for name in names:
            with pytest.raises(sqlite3.IntegrityError, match=f"{table} is append-only: a correction is a new entry"):
                connection.execute(f'UPDATE {table} SET "{name}" = "{name}"')
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            connection.execute(f"DELETE FROM {table} WHERE rowid = 1")


def test_the_database_refuses_an_entry_that_does_not_follow_the_newest(tmp_path: Path) -> None:
    path = make_record(tmp_path)
    number, sha256 = ledger(path)[-1]["number"], ledger(path)[-1]["sha256"]
    with closing(sqlite3.connect(path)) as connection:
        for wrong in ((number + 2, sha256), (number + 1, "0" * 64), (number, sha256), (1, "0" * 64)):
            with pytest.raises(sqlite3.IntegrityError, match="follows the newest one"):
                connection.execute(
                    "INSERT OR REPLACE INTO ledger VALUES (?, 1, 'stroke', '', '{}', ?, 'x')", (wrong[0], wrong[1])
                )


# -- kills and older records -----------------------------------------------------------------------------

CHILD = """
import sys
from tests.support.samples import AT, finish_check, start_check, stroke, stroke_message
from capture.unit.facts import StepDone
from capture.record import Store
store = Store.open(sys.argv[1])
for turn in range(100_000):
    check = start_check(store, 1)
    for n in range(1, 4):
        store.add_stroke(check, stroke(n), seat=False, at=AT)
    finish_check(store, check)
    print(store.add_fact(1, StepDone(turn, "A"), at=AT), flush=True)
"""


def test_a_kill_in_the_middle_of_writing_leaves_a_whole_chain(path: Path) -> None:
    chance = random.Random(8)
    with Store.open(path) as store:
        open_job(store)
    for _ in range(4):
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        for _ in range(chance.randint(1, 6)):
            acknowledged = int(child.stdout.readline())
        for _ in range(chance.randrange(40_000)):  # so the kill falls at another moment of a write each time
            pass
        child.send_signal(signal.SIGKILL)
        child.stdout.close()
        assert child.wait() == -signal.SIGKILL
        walked = audit(path)
        assert walked.head[0] >= acknowledged
        with Store.open(path) as store:
            store.abandon_open_checks("bench 4", at=AT)
    assert audit(path).head[0] > walked.head[0] - 1


def test_a_new_record_has_nothing_to_carry(path: Path) -> None:
    Store.open(path).close()
    assert audit(path).head == BEFORE_THE_FIRST


def test_a_sign_off_keeps_what_it_acknowledged_by_code_and_entry() -> None:
    gauge = "Gauge DI-1, calibration due 2026-01-31, was overdue when low was measured: readings not assured."
    now = SignedOff("Ana", "", (ToAcknowledge("gauge_overdue", 41, gauge),), "measured by hand")
    body = json.loads(canonical(asdict(now)))
    assert body["acknowledged"] == [{"code": "gauge_overdue", "number": 41, "text": gauge}]
    assert fact_of("signed_off", body) == now
