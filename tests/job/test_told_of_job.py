"""What a bench tells of a job answers: which sheet, who measured, with what, at which attempt, what came of it."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from capture.clearance.check import StrokeKept
from capture.clearance.verdict import Verdict
from capture.job.gauge_now import gauge_check_told
from capture.job.told_of_job import technicians_of
from capture.job.unit_on_record import UnitOnRecord
from capture.mqtt.messages import MESSAGES, GaugeMessage, PartMessage, StrokeMessage, UnitMessage, VerdictMessage
from capture.record import Store
from capture.unit.codes import PartFitted
from capture.unit.facts import Override, PartsChanged
from capture.unit.offers import typed_change
from tests.job.test_unit_on_record import AT, SHEET, measured
from tests.support.gauge_mornings import GAUGE, keep_morning, list_masters
from tests.support.samples import open_job, stroke

KNOWN = {"serial": GAUGE, "calibration_due": None, "standing": "in order", "error": None}


def told(store: Store) -> list[Any]:
    waiting = [one.message for one in store.outbox_after(0, 100)]
    return [MESSAGES[one.topic.rpartition("/")[2]].from_wire(one.payload) for one in waiting]


def check_high(unit: UnitOnRecord, store: Store, found: Verdict, technician: str) -> None:
    check = store.start_check(
        unit.job.id, pack="high", indicator={"driver": "line"}, recording_path="x.jsonl", low_nm=found.low_nm,
        high_nm=found.high_nm, strokes_wanted=5, seat_wanted=1, measure="held", gauge=KNOWN, at=AT,
    )  # fmt: skip
    unit.keep_stroke(check, StrokeKept(stroke(1), seat=True), at=AT, technician=technician)
    unit.keep_stroke(check, StrokeKept(stroke(2, flags=(), accepted=True), seat=False), at=AT, technician=technician)
    pack = unit.sheet.pack("high")
    unit.keep_verdict(
        check, pack, found, [], recording_sha256="0" * 64, recording_bytes=1, at=AT, technician=technician
    )


def test_strokes_verdicts_and_the_unit_answer_for_where_they_come_from(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        unit = UnitOnRecord(store, open_job(store, sheet_toml=SHEET), publishes=True)
        check_high(unit, store, measured(740_000, "tight", 800_000, 1_200_000), "Ana")
        change = typed_change(unit.now, PartFitted("high", 0, 2_800_000), "Ana")
        unit.add([change], at=AT)
        assert isinstance(change, PartsChanged) and change.predicted_nm is not None
        check_high(unit, store, measured(change.predicted_nm, "good", 800_000, 1_200_000), "")
        unit.add([Override("low", None, "Di", "not of this test")], at=AT)
        heard = told(store)
        assert technicians_of(store.job(unit.job.id)) == "Tech 12, Ana"  # of the check and the parts, not of overrides
    about = {"sheet_name": "Forwarder 6-speed", "sheet_revision": "C", "gauge_serial": GAUGE}
    for one in heard:
        assert {name: getattr(one, name) for name in about} == about and one.gauge_standing == "in order"
    strokes = [one for one in heard if isinstance(one, StrokeMessage)]
    assert [(one.technician, one.attempt, one.outcome) for one in strokes] == [
        ("Ana", 1, "seat"),
        ("Ana", 1, "counted"),
        ("Tech 12", 2, "seat"),  # nobody said: whoever began the job
        ("Tech 12", 2, "counted"),
    ]
    first, second = (one for one in heard if isinstance(one, VerdictMessage))
    assert (first.technician, first.attempt, first.parts_changed, first.predicted_nm) == ("Ana", 1, 0, None)
    assert first.preferred_nm == 1_000_000 and first.outcome == ""
    fitted = first.parts[0]
    assert (fitted.kind, fitted.count) == ("selective", 1)
    assert second.parts == (PartMessage(**{**dict(fitted), "thickness_nm": 2_800_000}),)
    assert (second.attempt, second.parts_changed, second.as_predicted) == (2, 1, True)
    assert second.predicted_nm == change.predicted_nm and "as predicted" in second.outcome
    assert (second.changed_part, second.changed_to_nm) == (fitted.name, 2_800_000)
    assert second.changed_from_nm == fitted.thickness_nm
    assert second.changed_closes is (fitted.more == "closes") and second.unit_parts_changed == 1
    words = [one for one in heard if isinstance(one, UnitMessage)]
    assert [(one.attempt, one.outcome) for one in words] == [(1, "open"), (1, "open"), (2, "open"), (2, "open")]
    assert [one.attempts for one in words[-1].packs] == [2 if one.pack == "high" else 0 for one in words[-1].packs]
    assert len(words[-1].against_codes) == len(words[-1].against) > 0 and "unchecked" in words[-1].against_codes


def test_a_check_of_the_gauge_is_told_with_what_it_found_and_how_the_gauge_stands_then(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.sqlite") as store:
        list_masters(store, tmp_path, AT)
        number = keep_morning(store, tmp_path, AT, error=lambda nm: 9_000 * nm / 1_000_120, max_error="0.004 mm")
        *before, entry = store.gauge_facts()
    later = AT + timedelta(minutes=1)
    message = GaugeMessage.from_wire(gauge_check_told(before, entry.fact, later, (number, entry.sha256)).payload)
    assert (message.gauge_serial, message.bench, message.technician) == (GAUGE, "bay-1", "early shift")
    assert (message.result, message.standing, message.alarm) == ("out", "out", True)
    assert message.error_nm is not None and abs(message.error_nm - 9_000) <= 1_500 and message.max_error_nm == 4_000
    assert (message.head_number, message.head_sha256) == (number, entry.sha256)
