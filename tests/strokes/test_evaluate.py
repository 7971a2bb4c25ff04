"""The evaluation measures what it says it measures. Whether the bounds are held, `evaluate_strokes.py --check` says."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from capture.strokes.stroke import Stroke
from tests.load import bounds
from tests.load import evaluate_strokes as evaluation
from tests.load.evaluate_strokes import (
    BASELINES,
    STROKES,
    TROUBLES,
    Cell,
    Evaluation,
    Wave,
    figures,
    make_wave,
    missed_bounds,
)

CALM = Cell(50, 3, 0.3)


def wave_of(cell: Cell = CALM, scenario: str = "plain", trouble: str | None = None, seed: int = 3) -> Wave:
    return make_wave(cell, np.random.default_rng(seed), scenario, trouble)


def test_rounding_without_noise_leaves_a_twelfth_of_a_squared_step_and_half_a_step_of_noise_hardly_any() -> None:
    # JCGM 100, F.2.2.1: d / sqrt(12). Widrow and Kollar (from memory): dither of half a step leaves 0.7 % of that.
    assert bounds.rounding_floor(0.0, 10.0) == pytest.approx(100 / 12, rel=0.01)
    assert bounds.rounding_floor(5.0, 10.0) < 0.01 * 100 / 12


@pytest.mark.parametrize("sigma", [0.0, 0.2, 0.5, 1.5])
def test_the_least_error_is_that_of_a_mean_of_rounded_readings(sigma: float) -> None:
    rng = np.random.default_rng(5)
    held, rested = rng.uniform(0, 100, (2, 20_000))
    shown = [
        np.round(level[:, None] + sigma * rng.standard_normal((20_000, 20))).mean(axis=1) for level in (held, rested)
    ]
    errors = (shown[0] - shown[1]) - (held - rested)
    assert float(np.mean(errors**2)) == pytest.approx(bounds.least_error(sigma, 1.0, 20, 20), rel=0.04)


def test_the_truth_is_the_end_of_the_squeeze_out_without_bounce_or_leak() -> None:
    stroke = evaluation.TrueStroke(1.0, 9.0, 1e6, 0.02, 0.02, tail=0.05, tail_s=0.4, bounce=0.1)
    before, early, late, after = evaluation.travel_at(np.array([0.5, 1.3, 8.9, 9.9]), [stroke])
    assert before == 0
    assert early == pytest.approx(1e6 * (1 - 0.05 * math.exp(-0.3 / 0.4)), rel=1e-5)
    assert late == pytest.approx(1e6, rel=1e-6)
    assert after == pytest.approx(0, abs=1)


@pytest.mark.parametrize("scenario", evaluation.SCENARIOS)
def test_a_check_is_the_same_for_the_same_seed_and_its_strokes_are_found(scenario: str) -> None:
    wave, again = wave_of(scenario=scenario), wave_of(scenario=scenario)
    assert np.array_equal(wave.counts, again.counts)
    assert evaluation.find(wave) == evaluation.find(again)
    assert len(evaluation.find(wave)) == STROKES


@pytest.mark.parametrize("name", BASELINES)
def test_the_baselines_do_what_they_are_meant_to_where_it_is_easy(name: str) -> None:
    wave = wave_of(Cell(50, 3, 0.0))
    guesses = BASELINES[name](wave)
    assert len(guesses) == STROKES
    for (_, travel), true in zip(guesses, wave.strokes, strict=True):
        assert travel == pytest.approx(true.travel_nm, abs=3 * wave.cell.resolution_nm + 0.005 * true.travel_nm)


@pytest.mark.parametrize("trouble", TROUBLES)
def test_a_trouble_is_in_the_stroke_it_was_given_to(trouble: str) -> None:
    troubled = [index for index, stroke in enumerate(wave_of(trouble=trouble).strokes) if stroke.trouble]
    assert troubled == (list(range(STROKES)) if trouble == "out_of_reach" else [evaluation.TROUBLED])
    assert not np.array_equal(wave_of(trouble=trouble).counts, wave_of().counts)


def scored(monkeypatch: pytest.MonkeyPatch, spoil: object) -> dict[str, float]:
    """The figures of a finder whose strokes went through `spoil`."""
    find = evaluation.find
    monkeypatch.setattr(evaluation, "find", lambda wave: spoil(find(wave)))  # type: ignore[operator]
    result = evaluation.evaluate([CALM], checks=6, troubled=0, seed=2)
    return figures(result.of("finder"))


def lengthened(strokes: list[Stroke]) -> list[Stroke]:
    """Every travel too long by 30 um, thirty display steps."""
    return [
        Stroke(
            **{
                **{name: getattr(stroke, name) for name in Stroke.__slots__},
                "peak_travel_nm": stroke.peak_travel_nm + 30_000,
            }
        )
        for stroke in strokes
    ]


def test_a_finder_that_misses_doubles_or_lengthens_strokes_is_seen_to(monkeypatch: pytest.MonkeyPatch) -> None:
    missing = scored(monkeypatch, lambda strokes: strokes[1:])
    monkeypatch.undo()
    assert (missing["missed"], missing["false"]) == (6, 0)
    doubled = scored(monkeypatch, lambda strokes: [*strokes, strokes[0]])
    monkeypatch.undo()
    assert (doubled["missed"], doubled["false"]) == (0, 6)
    too_long = scored(monkeypatch, lengthened)
    assert too_long["bias"] == pytest.approx(30, abs=3)
    assert {"bias", "spread", "coverage low"} <= set(missed_bounds(too_long))


def test_a_flag_that_is_not_raised_and_one_that_is_raised_for_nothing_are_counted() -> None:
    wave = wave_of(trouble="leak")
    strokes = evaluation.find(wave)
    flags = evaluation.Flags()
    flags.take(wave, strokes, "leak")
    assert (flags.troubled["leak"], flags.hit["leak"], sum(flags.false.values())) == (1, 1, 0)
    flags.take(wave, [strokes[2], *strokes[:2]], None)
    wave.strokes[evaluation.TROUBLED].trouble = None
    flags.take(wave, strokes, None)
    assert flags.false["leak"] == 1


def test_proportions_have_the_limits_of_clopper_and_pearson() -> None:
    # With none of n, the upper 95 % limit is 1 - 0.05 ** (1 / n): about 3 / n.
    assert bounds.at_most(0, 100) == pytest.approx(1 - 0.05 ** (1 / 100))
    assert bounds.at_least(100, 100) == pytest.approx(0.05 ** (1 / 100))
    assert (bounds.at_least(0, 5), bounds.at_most(5, 5)) == (0.0, 1.0)


def test_the_command_prints_a_table_and_only_fails_when_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "figures.json"
    assert evaluation.main(["--quick", "--cells", "2", "--checks", "2", "--json", str(path)]) == 0
    shown = capsys.readouterr().out
    assert "TOTAL: finder" in shown
    assert all(name in shown for name in (*TROUBLES, *evaluation.METHODS))
    figures_of = json.loads(path.read_text())
    assert figures_of["total"]["finder"]["strokes"] == (2 * 2 + 1) * STROKES  # two cells, and the bench
    # What was measured once need not be measured again to see who asks for what was missed.
    monkeypatch.setattr(evaluation, "evaluate", lambda *args, **kwargs: Evaluation())
    monkeypatch.setattr(evaluation.hard_streams, "report", lambda *args: [])
    monkeypatch.setattr(evaluation.troubled_levels, "measure", lambda *args: {})
    monkeypatch.setattr(evaluation.troubled_levels, "report", lambda *args: [])
    monkeypatch.setattr(evaluation, "report", lambda result, write: {"missed": ["total: bias"]})
    assert evaluation.main(["--quick"]) == 0
    assert evaluation.main(["--quick", "--check"]) == 1
