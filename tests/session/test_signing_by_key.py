"""A form that is signed by a key shows a star for each character: what was typed or scanned is in no line of it, which
is all that a face is ever sent, and it is forgotten once it was tried."""

from __future__ import annotations

import pickle
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from capture.bench.bench import Bench
from capture.clearance.signing import SignedAct
from capture.dashboard.form import Form
from capture.dashboard.gauge_screen import GaugeShown
from capture.dashboard.page_form import page_form
from capture.dashboard.showing import draw
from capture.dashboard.view import BenchView
from capture.job.people import PeopleFile
from capture.session.form_runner import FormRunner
from capture.session.gauge_keys import GaugeKeys
from capture.session.signoff_keys import ask_override
from capture.sheet.sheet import parse_sheet
from capture.unit.facts import Fact, Override
from tests.support.proven_record import SHEET

BADGE = "key:4f0d9b1c77e25a60"


@dataclass
class KeptFacts:
    """The little of a bench that a form needs."""

    setup: Any
    state: Any = field(default_factory=lambda: SimpleNamespace(technician="Foreman", unit_serial="FW3"))
    facts: list[Fact] = field(default_factory=list)
    told_of_people: int = 0

    async def keep_people(self) -> None:
        self.told_of_people += 1

    async def write(self, facts: Sequence[Fact]) -> list[Any]:
        self.facts += facts
        return []


def forms_of(home: Path, *keys_for: SignedAct) -> tuple[FormRunner, KeptFacts]:
    people = PeopleFile(home)
    people.give_key("Foreman", "PIN", "2718")
    people.give_key("Foreman", "badge", BADGE)
    bench = KeptFacts(SimpleNamespace(keys_for=keys_for, data_dir=home, sheet=parse_sheet(SHEET, "sheet")))
    forms = FormRunner(cast("Bench", bench))
    ask_override(forms, "low", None, "pack low", then=0)
    return forms, bench


async def typed(forms: FormRunner, *keys: str) -> Form:
    form = forms.page.form
    assert form is not None
    for key in keys:
        await forms.key(form, key)
        assert b"2718" not in pickle.dumps(forms.page) and b"271" not in pickle.dumps(forms.page)
    return form


NAME_AND_REASON = (*"Foreman", "enter", *"as measured", "enter")


async def test_a_pin_is_typed_unseen_and_the_entry_says_pin(tmp_path: Path) -> None:
    forms, bench = forms_of(tmp_path, "override")
    form = await typed(forms, *NAME_AND_REASON, *"2719", "backspace", *"8")
    assert form.values["key"] == "****"
    assert "2718" not in str(page_form) and "2718" not in repr(form)
    await typed(forms, "enter")
    assert bench.told_of_people > 0  # before anybody signs by it
    assert bench.facts == [Override("low", None, "Foreman", "as measured", "PIN")]
    assert forms.page.form is None


async def test_a_wrong_pin_writes_nothing_and_is_typed_anew(tmp_path: Path) -> None:
    forms, bench = forms_of(tmp_path, "override")
    form = await typed(forms, *NAME_AND_REASON, *"1234", "enter")
    assert form.problem == "that is no key of Foreman" and form.values["key"] == "" and not bench.facts
    assert form.typing_hidden
    await typed(forms, *"2718", "enter")
    assert [fact.signed for fact in bench.facts if isinstance(fact, Override)] == ["PIN"]


async def test_a_badge_is_scanned_from_any_line_and_is_in_none(tmp_path: Path) -> None:
    forms, bench = forms_of(tmp_path, "override")
    form = await typed(forms, *NAME_AND_REASON)
    form.at = 0
    forms.scanned(form, BADGE)
    assert form.values["by"] == "Foreman" and BADGE.encode() not in pickle.dumps(forms.page)
    await typed(forms, "enter")
    assert [fact.signed for fact in bench.facts if isinstance(fact, Override)] == ["badge"]


async def test_where_no_key_is_asked_for_a_badge_is_dropped_and_the_name_is_typed(tmp_path: Path) -> None:
    forms, bench = forms_of(tmp_path, "sign-off")
    form = forms.page.form
    assert form is not None and [line.key for line in form.fields] == ["by", "reason"]
    forms.scanned(form, BADGE)
    assert form.problem == "No key is asked for here." and form.values["by"] == ""
    await typed(forms, *NAME_AND_REASON)
    assert bench.facts == [Override("low", None, "Foreman", "as measured", "typed")]


async def test_who_left_is_refused_on_the_form(tmp_path: Path) -> None:
    from datetime import UTC, datetime

    forms, bench = forms_of(tmp_path)
    PeopleFile(tmp_path).left("Foreman", datetime(2026, 3, 2, tzinfo=UTC))
    form = await typed(forms, *NAME_AND_REASON)
    assert "left on 2026-03-02" in form.problem and not bench.facts


@dataclass
class MeasuredGauge:
    """A bench's gauge whose check waits to be signed."""

    check: Any = field(
        default_factory=lambda: SimpleNamespace(
            fact=SimpleNamespace(by="Foreman", check=SimpleNamespace(refusal=None)), measured=True, may_widen=False,
            text="Gauge DI-0413: reads true at 1 mm: in order.", shown=lambda was: GAUGE_SHOWN,
        )
    )  # fmt: skip
    signed: list[tuple[str, str]] = field(default_factory=list)

    async def sign(self, by: str, way: str) -> int:
        self.signed.append((by, way))
        self.check = None
        return 7


GAUGE_SHOWN = GaugeShown("DI-0413", "not checked", "Enter signs it, as measured.", "reads true", "", "", False)


def gauge_keys(home: Path, *keys_for: SignedAct) -> tuple[GaugeKeys, MeasuredGauge, list[str]]:
    _, bench = forms_of(home, *keys_for)
    gauge, told = MeasuredGauge(), list[str]()
    made = SimpleNamespace(gauge=gauge, state=SimpleNamespace(technician="Foreman", gauge=None), setup=bench.setup,
                           keep_people=bench.keep_people, air=None)  # fmt: skip
    return GaugeKeys(cast("Bench", made), told.append, lambda key: False), gauge, told


async def test_a_gauge_s_check_is_signed_at_the_bench_by_the_key_that_the_settings_want(tmp_path: Path) -> None:
    keys, gauge, told = gauge_keys(tmp_path, "gauge-check")
    await keys.key("enter")
    assert keys.typing and not gauge.signed
    for key in (*"1234", "enter"):
        await keys.key(key)
    shown = draw(keys.showing(BenchView("bay-1")), 80, 24, False).text
    assert "indicator" in shown.splitlines()[-2]  # whether its port is up
    assert "that is no key of Foreman" in shown and "Enter signs it" in shown and "1234" not in shown
    keys.scanned(BADGE)
    await keys.key("enter")
    assert gauge.signed == [("Foreman", "badge")] and not keys.typing
    assert told == ["Entry 7: Gauge DI-0413: reads true at 1 mm: in order."]


async def test_without_such_a_setting_enter_signs_a_gauge_s_check_by_the_name_of_whoever_works(tmp_path: Path) -> None:
    keys, gauge, _ = gauge_keys(tmp_path, "sign-off")
    await keys.key("enter")
    assert gauge.signed == [("Foreman", "typed")]


async def test_a_form_that_is_left_forgets_what_was_typed(tmp_path: Path) -> None:
    forms, _ = forms_of(tmp_path, "override")
    form = await typed(forms, *NAME_AND_REASON, *"271")
    await typed(forms, "escape")
    ask_override(forms, "low", None, "pack low", then=0)
    form = await typed(forms, *NAME_AND_REASON, "8", "enter")
    assert form.problem == "that is no key of Foreman"


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hash that is not slow: how slow it is, `tests/job/test_people.py` says."""
    monkeypatch.setattr("capture.job.people._N", 16)
