"""The statistics of a gauge against published values. Data: NIST/SEMATECH e-Handbook (`fixtures/nist/`), NIST StRD (the
file in SciPy's own tests), JCGM 100 annex H."""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
import scipy
from scipy.special import stdtrit
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from capture.clearance.budget import BudgetLine, effective_dof
from capture.clearance.gauge.chart import average, average_limit
from capture.clearance.gauge.linearity import fitted, linearity
from capture.clearance.gauge.spread import Spread, mean_of, one_way, pooled, sd_of
from capture.clearance.gauge.study import Pairs, Row, interval, studied

NIST = Path(__file__).parents[3] / "fixtures" / "nist"


def rows(name: str) -> list[list[str]]:
    """The lines of a data file that are numbers from the first column on."""
    found = []
    for line in (NIST / name).read_text().splitlines():
        words = line.split()
        try:
            float(words[0])
        except (ValueError, IndexError):
            continue
        found.append(words)
    return found


def test_the_analysis_of_variance_has_the_certified_f_ratio() -> None:
    """NIST StRD, SiRstv: certified values from the file itself, to all but the last of its digits."""
    file = Path(scipy.__file__).parent / "stats/tests/data/nist_anova/SiRstv.dat"
    lines = file.read_text().splitlines()
    groups: dict[str, list[float]] = defaultdict(list)
    for line in lines[60:85]:
        instrument, resistance = line.split()
        groups[instrument].append(float(resistance))
    found = one_way(list(groups.values()))
    certified = {line.split()[0]: line.split() for line in lines[40:47] if line.strip()}
    between, within = certified["Between"], certified["Within"]
    assert found.between == pytest.approx(float(between[-3]), rel=1e-9)
    assert found.f == pytest.approx(float(between[-1]), rel=1e-9)
    assert (found.between_dof, found.within_dof) == (4, 20)
    assert found.within == pytest.approx(float(within[-2]), rel=1e-9)


def test_the_check_standard_has_its_short_and_long_term_standard_deviation() -> None:
    """e-Handbook 2.6.2: check standard 137, level 1 with 125 degrees of freedom, level 2 with 24."""
    data = [row for row in rows("MPC62.DAT") if row[0] == "51939"]
    short = pooled(Spread(float(row[11]), int(row[12])) for row in data)
    long = sd_of([float(row[10]) for row in data])
    assert (round(short.sd, 5), short.dof) == (0.06139, 125)
    assert (round(long.sd, 5), long.dof) == (0.0268, 24)
    assert mean_of([float(row[10]) for row in data]) == pytest.approx(97.06984, abs=5e-6)


def test_days_and_runs_of_the_nested_design_come_out_as_published() -> None:
    """e-Handbook 2.4.4.1: repeats, days and runs; repeats alone explain the days, whose component is none."""
    data = rows("MPC441.DAT")
    runs: dict[str, list[float]] = defaultdict(list)
    for row in data:
        runs[row[0]].append(float(row[7]))
    repeats = pooled(Spread(float(row[8]), int(row[9])) for row in data)
    days = pooled(sd_of(values) for values in runs.values())
    between = sd_of([mean_of(values) for values in runs.values()])
    assert (round(repeats.sd, 4), repeats.dof) == (0.0787, 60)
    assert (round(days.sd, 4), days.dof) == (0.0274, 10)
    assert (round(between.sd, 4), between.dof) == (0.0288, 1)
    assert days.sd**2 - repeats.sd**2 / 6 < 0


def test_the_line_of_the_linewidth_calibration() -> None:
    """e-Handbook 2.3.6.7: 40 measurements of 10 artifacts."""
    data = [(float(row[0]), float(row[1])) for row in rows("CALIBRATIONLINE.DAT")]
    line = fitted([x for x, _ in data], [y for _, y in data])
    assert line.intercept == pytest.approx(0.235762, abs=1e-6)
    assert line.intercept_sd == pytest.approx(0.0243, abs=5e-6)
    assert line.slope == pytest.approx(0.987038, abs=1e-6)
    assert line.slope_sd == pytest.approx(0.003441, abs=1e-6)
    assert (round(line.residual.sd, 6), line.residual.dof) == (0.062032, 38)


def test_the_control_of_the_linewidth_calibration_finds_the_fourth_day() -> None:
    """e-Handbook 2.3.7.1: limits of +-0.1574 for three positions together; on day 4 all three are outside."""
    data = [(float(row[0]), float(row[1])) for row in rows("CALIBRATIONLINE.DAT")]
    line = fitted([x for x, _ in data], [y for _, y in data])
    limit = line.residual.sd / line.slope * float(stdtrit(38, 1 - 0.05 / 6))
    assert limit == pytest.approx(0.1574, abs=5e-5)
    outside = {
        (int(row[0]), row[1])
        for row in rows("LINEWID.DAT")
        if abs((float(row[3]) - line.intercept) / line.slope - float(row[2])) > limit
    }
    assert {(day, where) for day, where in outside if day == 4} == {(4, "L"), (4, "M"), (4, "U")}


def test_the_biases_of_five_probes() -> None:
    """e-Handbook 2.5.3.1.2: each probe's mean difference from the mean of all, over five wafers."""
    table = np.array([[float(word) for word in row] for row in rows("MPC5312.DAT") if len(row) == 6])[:, 1:]
    found = [mean_of(list(row)) for row in table - table.mean(axis=0)]
    assert [round(bias, 5) for bias in found] == [0.02136, 0.01916, 0.00502, -0.01830, -0.02724]


def test_the_difference_of_two_configurations_shows_in_both_runs() -> None:
    """e-Handbook 2.5.3.1.3 and 2.4.5.5: t of the mean difference of 29 pairs."""
    data = rows("MPC536.DAT")
    for column, published in ((3, -4.01), (4, 6.57)):
        differences = [float(row[column]) for row in data]
        spread = sd_of(differences)
        assert len(differences) == 29
        assert mean_of(differences) / (spread.sd / math.sqrt(29)) == pytest.approx(published, abs=0.005)


def test_the_moving_average_of_the_handbook() -> None:
    """e-Handbook 6.3.2.4: values and averages typed in from memory of the page, its limits as it has them."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
              52.4, 53.6, 52.1]  # fmt: skip
    published = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
                 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert average(values, 50.0, 0.3) == pytest.approx(published, abs=0.006)
    assert 50 + average_limit(2.0539, 3, 0.3) == pytest.approx(52.5884, abs=5e-5)
    assert 50 - average_limit(2.0539, 3, 0.3) == pytest.approx(47.4116, abs=5e-5)


def test_a_gauge_block_compared_with_a_standard() -> None:
    """JCGM 100, H.1: 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom (memory): u 32 nm, 16 dof, and
    93 nm at 99 %."""
    components = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    budget = [BudgetLine(f"{nm} nm", nm, dof, "") for nm, dof in components]
    combined, dof = math.sqrt(sum(nm**2 for nm, _ in components)), effective_dof(budget)
    assert round(combined, 1) == 31.7
    assert int(dof) == 16
    assert round(combined * float(stdtrit(16, 0.995))) == 93


@pytest.mark.parametrize(("parts", "operators", "trials"), [(5, 3, 2), (10, 3, 3), (4, 2, 5)])
def test_a_crossed_study_agrees_with_a_general_package(parts: int, operators: int, trials: int) -> None:
    """statsmodels' two-way analysis of variance with interaction, on generated tables."""
    import pandas as pd

    rng = np.random.default_rng(parts * 100 + operators)
    part, operator = rng.normal(0, 3, parts), rng.normal(0, 1, operators)
    mixed = rng.normal(0, 1.5, (parts, operators))
    table = [
        Row(f"p{i}", f"o{j}", float(part[i] + operator[j] + mixed[i, j] + rng.normal(0, 0.5)))
        for i, j, _ in itertools.product(range(parts), range(operators), range(trials))
    ]
    frame = pd.DataFrame([{"p": row.part, "o": row.operator, "y": row.value} for row in table])
    theirs = anova_lm(ols("y ~ C(p) * C(o)", frame).fit())
    ours = studied(table).mean_squares
    for name, row in (("parts", "C(p)"), ("operators", "C(o)"), ("interaction", "C(p):C(o)"), ("trials", "Residual")):
        assert ours[name][0] == pytest.approx(theirs.loc[row, "mean_sq"], rel=1e-6)
        assert ours[name][1] == theirs.loc[row, "df"]


def table_with(parts_ms: float, operators_ms: float, error_ms: float, p: int, o: int, r: int) -> list[Row]:
    """Return a table that has these mean squares, the interaction's equal to the error's."""

    def spaced(count: int) -> list[float]:
        steps = [i - (count - 1) / 2 for i in range(count)]
        size = math.sqrt(sum(step**2 for step in steps) / (count - 1))
        return [step / size for step in steps]

    across, along = spaced(p), spaced(o)
    size = math.sqrt(error_ms * (p - 1) * (o - 1) / (r * sum((a * b) ** 2 for a in across for b in along)))
    within = math.sqrt(error_ms)
    return [
        Row(
            f"p{i}",
            f"o{j}",
            across[i] * math.sqrt(parts_ms / (o * r))
            + along[j] * math.sqrt(operators_ms / (p * r))
            + size * across[i] * along[j]
            + within * spaced(r)[k],
        )
        for i, j, k in itertools.product(range(p), range(o), range(r))
    ]


def test_the_often_quoted_study_of_ten_parts_has_its_published_components() -> None:
    """Component values of the 10 x 3 x 3 study as they are often quoted; its readings are not here: a table with the
    same mean squares stands for them."""
    error = 0.199933**2
    squares = (9 * 1.042327**2 + error, 30 * 0.226838**2 + error, error)
    found = studied(table_with(*squares, 10, 3, 3))
    assert found.pooled
    assert found.repeatability.sd == pytest.approx(0.199933, abs=1e-6)
    assert found.repeatability.dof == pytest.approx(78)
    assert found.reproducibility.sd == pytest.approx(0.226838, abs=1e-6)
    assert found.grr.sd == pytest.approx(0.302372, abs=2e-6)
    assert found.parts.sd == pytest.approx(1.042327, abs=1e-6)
    assert found.total_sd == pytest.approx(1.0853, abs=5e-5)
    assert found.grr.sd / found.total_sd == pytest.approx(0.2786, abs=5e-5)
    assert found.grr.dof == pytest.approx(5.9, abs=0.05)


def test_two_degrees_of_freedom_say_little_of_three_technicians() -> None:
    """The interval of a standard deviation with 2 degrees of freedom is a factor of 0.52 to 6.3 (chi-squared tables,
    7.378 and 0.0506)."""
    low, high = interval(1.0, 2)
    assert (low, high) == pytest.approx((math.sqrt(2 / 7.378), math.sqrt(2 / 0.0506)), rel=1e-3)


def test_a_component_with_next_to_no_degrees_of_freedom_may_be_anything() -> None:
    assert interval(1.0, 1e-4) == (0.0, math.inf)


def test_twenty_pairs_give_the_standard_deviation_of_one_check() -> None:
    """d = y2 - y1 has twice the variance of one (JCGM 100, 5.1.2)."""
    drawn = np.random.default_rng(3).normal(0, 2.0, (400, 2))
    spread = Pairs(tuple(float(b - a) for a, b in drawn)).spread
    assert spread.sd == pytest.approx(2.0, rel=0.1)
    assert spread.dof == 400
    assert Pairs((1.0,) * 19).spread == Spread(0.0, 0)


def test_lack_of_fit_is_that_of_a_general_package() -> None:
    """statsmodels: a line against a mean for each master, compared by F."""
    import pandas as pd

    rng = np.random.default_rng(8)
    values = [200_000, 500_000, 1_000_000, 1_500_000, 2_000_000]
    readings = [(nm, [nm + 3000 * math.sin(nm / 300_000) + rng.normal(0, 800) for _ in range(6)]) for nm in values]
    frame = pd.DataFrame([{"x": nm, "e": one - nm} for nm, read in readings for one in read])
    compared = anova_lm(ols("e ~ x", frame).fit(), ols("e ~ C(x)", frame).fit())
    found = linearity(readings)
    assert found.lack_of_fit_f == pytest.approx(compared.loc[1, "F"], rel=1e-6)
    assert found.lack_of_fit_p == pytest.approx(compared.loc[1, "Pr(>F)"], rel=1e-6)
    assert not found.fits
