"""Looking often spends the risk, and never more than there is; counted in simulated checks as well."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from capture.clearance.stopping import Looks, _may_err
from capture.sheet.sheet import SheetError, parse_sheet
from tests.load.compare_stopping import RISK, figures, main
from tests.load.risk_on_the_limit import BUDGETS, Budget, most, wrong


@given(st.integers(2, 10), st.integers(0, 10), st.integers(0, 25))
def test_all_looks_together_spend_the_risk_and_no_more(first: int, more: int, after: int) -> None:
    looks = Looks(first, first + more, first + more + after, 0.05)
    spent = [looks.spent(count) for count in range(looks.last + 10)]
    assert all(part >= 0 for part in spent) and sum(spent) == pytest.approx(0.05)
    assert all(part > 0 for part in spent[first : looks.planned + 1]) and spent[looks.last] > 0
    assert not any(spent[:first]) and not any(spent[looks.last + 1 :])


def test_a_look_asks_for_what_it_may_spend() -> None:
    looks = Looks(3, 5, 15, 0.05)
    assert looks.later == (9, 12, 15)
    assert looks.confidence(2) == pytest.approx(0.95)  # no look yet: what is shown is where it is heading
    assert looks.confidence(3) == looks.surer(4) == pytest.approx(1 - 0.05 * 0.1)
    assert looks.surer(5) == pytest.approx(1 - 0.05 * 0.4)
    assert looks.surer(9) == looks.surer(15) == pytest.approx(1 - 0.05 * 0.4 / 3)
    # Later looks share strokes with those before, and may be wrong more often than their part.
    assert 0.05 * 0.4 < 1 - looks.confidence(5) < 0.05 * 0.6
    assert 0.05 * 0.4 / 3 < 1 - looks.confidence(9) < 1 - looks.confidence(15) < 0.02
    assert looks.at_last(9) < looks.confidence(9)
    assert looks.confidence(6) == looks.confidence(16) == 1
    assert Looks(5, 5, 5, 0.05).confidence(5) == pytest.approx(0.95)


@pytest.mark.parametrize("way", ["spent", "early"])
def test_the_risk_holds_where_a_wrong_verdict_is_most_likely(way: str) -> None:
    wrong, _, _ = figures(way, 0.0, 400)
    # Three standard errors of a binomial proportion above the risk (NIST/SEMATECH e-Handbook, 7.2.4).
    assert wrong <= RISK + 3 * (RISK * (1 - RISK) / 400) ** 0.5


def test_strokes_until_one_look_settles_it_break_the_risk_and_ending_early_saves_strokes() -> None:
    wrong, _, _ = figures("until 95 %", 0.0, 400)
    assert wrong > RISK + 3 * (RISK * (1 - RISK) / 400) ** 0.5
    assert figures("early", -10.0, 100)[2] < 4 < figures("fixed", -10.0, 100)[2]


def test_the_command_prints_every_way_at_every_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--checks", "20"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 1 + 4 * 6


def test_a_sheet_that_asks_for_more_at_least_than_at_most_is_refused() -> None:
    text = """
        [sheet]
        name = "x"
        revision = "1"
        source = "x"
        [[packs]]
        name = "low"
        range = ["0.80 mm", "1.40 mm"]
        strokes = 3
        least_strokes = 4
    """
    with pytest.raises(SheetError, match=r"least_strokes: 4: is more than strokes, 3"):
        parse_sheet(text, "x.toml")


#: Where the indicator decides: this one is drawn more often.
DECIDES = BUDGETS[1]


@pytest.mark.parametrize("budget", [budget for budget in BUDGETS if budget is not DECIDES])
def test_a_pack_on_its_limit_is_called_good_in_at_most_five_of_a_hundred_checks(budget: Budget) -> None:
    good, loose = wrong(budget, 400)
    assert max(good, loose) <= most(400)


LOOKS = ((2, 2, 6), (2, 5, 15), (3, 5, 15), (5, 5, 15), (4, 4, 12), (10, 10, 30), (3, 8, 24))


@pytest.mark.parametrize(("first", "planned", "last"), LOOKS)
def test_all_looks_together_are_wrong_as_often_as_the_risk_where_the_scatter_decides(
    first: int, planned: int, last: int
) -> None:
    """A mean on its limit, against Student's t at each look (SciPy): drawn, and what is wrong at any look counted."""
    looks = Looks(first, planned, last, 0.05)
    drawn = np.random.default_rng([first, planned, last]).standard_normal((60_000, last))
    wrong = np.zeros(len(drawn), bool)
    for count in (*range(first, planned + 1), *looks.later):
        some = drawn[:, :count]
        t = some.mean(axis=1) / (some.std(axis=1, ddof=1) / count**0.5)
        wrong |= t > scipy.stats.t.ppf(looks.confidence(count), count - 1)
    # Three standard errors of a binomial proportion (NIST/SEMATECH e-Handbook, 7.2.4).
    assert 0.044 < wrong.mean() < 0.05 + 3 * (0.05 * 0.95 / len(drawn)) ** 0.5


def test_the_looks_of_a_known_scatter_have_the_published_levels() -> None:
    """Pocock's two looks, each at 0.0294 two-sided, spend 5 % together (Biometrika 64, 1977; from memory)."""
    first = 0.0294 / 2
    second = 0.025 - first
    assert _may_err(((10, first), (20, second))) == pytest.approx(first, abs=2e-4)


def test_where_the_indicator_decides_the_risk_is_spent_and_not_half_of_it() -> None:
    # Going on is hopeless there: the half that was kept for later looks left 2.5 in 100.
    good, loose = wrong(DECIDES, 1_500)
    assert max(good, loose) <= most(1_500)
    assert 0.036 < (good + loose) / 2 < 0.056


def test_a_look_has_left_what_the_looks_before_it_did_not_spend() -> None:
    looks = Looks(3, 5, 15, 0.05)
    assert looks.left(3) == pytest.approx(0.05) and looks.left(5) == pytest.approx(0.04)
    assert looks.left(9) == pytest.approx(0.02) and looks.left(15) == pytest.approx(0.02 / 3)
